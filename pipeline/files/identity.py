"""The identity of a handed-off picture as an XMP packet, written and read back.

XMP (ISO 16684-1:2019) with xmpMM:DocumentID, InstanceID and DerivedFrom, and a namespace of our own
for what ties it to the job. Says nothing of people, places or cameras.
"""

from __future__ import annotations

from collections.abc import Iterator
from xml.etree import ElementTree

from pipeline.rounds import Identity

NAMESPACES = {
    "x": "adobe:ns:meta/",
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "xmpMM": "http://ns.adobe.com/xap/1.0/mm/",
    "stRef": "http://ns.adobe.com/xap/1.0/sType/ResourceRef#",
    "safelight": "urn:x-safelight:retouch:1#",
}
PREFIXES = {uri: prefix for prefix, uri in NAMESPACES.items()}
HEAD = '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'.encode()
"""ISO 16684-1:2019, 7.3.2."""
TAIL = b'\n<?xpacket end="r"?>'
LONGEST_PACKET = 1 << 24


def xmp_of(identity: Identity) -> bytes:
    """The packet; equal identities give equal bytes."""
    for prefix, uri in NAMESPACES.items():
        ElementTree.register_namespace(prefix, uri)
    meta = ElementTree.Element(_name("x:xmpmeta"))
    rdf = ElementTree.SubElement(meta, _name("rdf:RDF"))
    said = ElementTree.SubElement(rdf, _name("rdf:Description"), {_name("rdf:about"): ""})
    resource = {_name("rdf:parseType"): "Resource"}
    derived = ElementTree.SubElement(said, _name("xmpMM:DerivedFrom"), resource)
    for parent, name, value in (
        (said, "xmpMM:DocumentID", identity.document_id),
        (said, "xmpMM:InstanceID", identity.instance_id),
        (derived, "stRef:documentID", identity.document_id),
        (derived, "stRef:instanceID", identity.derived_from),
        (said, "safelight:Job", identity.job),
        (said, "safelight:Frame", identity.frame),
        (said, "safelight:Round", str(identity.round)),
        (said, "safelight:Version", str(identity.version)),
        (said, "safelight:Key", identity.key),
    ):
        ElementTree.SubElement(parent, _name(name)).text = value
    ElementTree.indent(meta, " ")
    return b"".join([HEAD, ElementTree.tostring(meta, "utf-8"), TAIL])


def identity_of(packet: bytes) -> Identity | None:
    """The identity in a packet that any program may have written anew; None where there is none.

    What is not about job, frame, round and version may be missing, and is empty then.
    """
    if len(packet) > LONGEST_PACKET or b"<!DOCTYPE" in packet:
        return None
    try:
        root = ElementTree.fromstring(packet.strip(b"\0"))
        found = dict(_properties(root))
        return Identity(
            job=found["safelight:Job"],
            frame=found["safelight:Frame"],
            round=int(found["safelight:Round"]),
            version=int(found["safelight:Version"]),
            key=found.get("safelight:Key", ""),
            document_id=found.get("xmpMM:DocumentID", ""),
            instance_id=found.get("xmpMM:InstanceID", ""),
            derived_from=found.get("stRef:instanceID", ""),
        )
    except (ElementTree.ParseError, KeyError, ValueError, LookupError):
        return None


def _properties(root: ElementTree.Element) -> Iterator[tuple[str, str]]:
    """What the packet says of the picture itself and of what it was derived from."""
    description, derived = _name("rdf:Description"), _name("xmpMM:DerivedFrom")
    for rdf in root.iter(_name("rdf:RDF")):
        for said in rdf.iterfind(description):
            yield from _flat(said)
            for source in said.iterfind(derived):
                for part in (source, *source.iterfind(description)):
                    yield from _flat(part)


def _flat(element: ElementTree.Element) -> Iterator[tuple[str, str]]:
    """Simple properties: XMP allows them as elements and as attributes (ISO 16684-1:2019, 7.9)."""
    for name, text in (*element.attrib.items(), *((each.tag, each.text) for each in element)):
        uri, _, local = name.removeprefix("{").partition("}")
        if uri in PREFIXES:
            yield f"{PREFIXES[uri]}:{local}", (text or "").strip()


def _name(prefixed: str) -> str:
    prefix, name = prefixed.split(":")
    return f"{{{NAMESPACES[prefix]}}}{name}"
