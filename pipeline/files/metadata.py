"""What delivered files say of themselves, and what cameras noted in originals.

Composed by exiftool on a file of a few bytes, so that it never rewrites a big one; ``encode`` puts
the blocks in place. XMP, IIM and Exif say the same (IPTC Photo Metadata 2025.1). Positions, owners,
makers' notes and embedded previews have no way in here; a serial number only where it is asked for.
"""

from __future__ import annotations

import base64
import contextlib
import json
import math
import re
import struct
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple, Self, TypeVar

from pipeline.captions import DATA_MINING, MODEL_RELEASES, PROPERTY_RELEASES
from pipeline.errors import SafelightError
from pipeline.files.exiftool import ExifTool, Unanswered
from pipeline.files.landing import land
from pipeline.records import Artifact, Capture

STUB = bytes.fromhex("ffd8 ffda 0008 0101 0000 3f00 00 ffd9")
"""A JPEG without a picture: start of image, a scan header, end of image."""
XMP_NAME = b"http://ns.adobe.com/xap/1.0/\0"
NOT_IN_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff]")
TAKEN_AT = re.compile(r"(\d{4}-\d\d-\d\d)T(\d\d:\d\d:\d\d)(\.\d+)?(Z|[+-]\d\d:\d\d)?")
CALL_SECONDS = 30.0
TIME_TAGS = (
    ("DateTimeOriginal", "SubSecTimeOriginal", "OffsetTimeOriginal"),
    ("CreateDate", "SubSecTimeDigitized", "OffsetTimeDigitized"),
)
OPCODE_TAGS = ("OpcodeList1", "OpcodeList2", "OpcodeList3")
CAPTURE_TAGS = (
    *(tag for tags in TIME_TAGS for tag in tags),
    *("Make", "Model", "UniqueCameraModel", "LensModel", "Lens"),
    *("SerialNumber", "CameraSerialNumber", "InternalSerialNumber"),
    *("ISO", "ExposureTime", "FNumber", "FocalLength", "Orientation", "ImageSize"),
    *("SubjectDistance", "FocusDistance", "Rating"),
    # what DNG notes, and what exiftool makes of the makers' own notes
    *("AsShotNeutral", "RedBalance", "BlueBalance"),
    *OPCODE_TAGS,
)
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Blocks:
    """Composed metadata, as the payloads that a file carries; empty where there is none.

    ``exif`` is a little-endian TIFF structure, ``xmp`` an XMP packet, ``iptc`` the payload of a
    JPEG's APP13 segment and ``iim`` the IIM data set inside it.
    """

    exif: bytes = b""
    xmp: bytes = b""
    iptc: bytes = b""
    iim: bytes = b""


@dataclass(frozen=True, slots=True)
class Composed:
    """Blocks, and notes in words on what could not be said everywhere."""

    blocks: Blocks
    notes: tuple[str, ...] = ()


class _Places(NamedTuple):
    """Where a field goes: its XMP tag, its IIM tag with the bytes that it holds, its Exif tag."""

    xmp: str
    iim: str = ""
    iim_bytes: int = 0
    exif: str = ""


# IPTC Photo Metadata 2025.1 and IIM 4.2 for the lengths, Exif 2.32
FIELDS = {
    "creator": _Places("XMP-dc:Creator", "IPTC:By-line", 32, "IFD0:Artist"),
    "credit_line": _Places("XMP-photoshop:Credit", "IPTC:Credit", 32),
    "copyright": _Places("XMP-dc:Rights", "IPTC:CopyrightNotice", 128, "IFD0:Copyright"),
    "usage_terms": _Places("XMP-xmpRights:UsageTerms"),
    "web_statement": _Places("XMP-xmpRights:WebStatement"),
    "description": _Places(
        "XMP-dc:Description", "IPTC:Caption-Abstract", 2000, "IFD0:ImageDescription"
    ),
    "headline": _Places("XMP-photoshop:Headline", "IPTC:Headline", 256),
    "title": _Places("XMP-dc:Title", "IPTC:ObjectName", 64),
    "keywords": _Places("XMP-dc:Subject", "IPTC:Keywords", 64),
    "source": _Places("XMP-photoshop:Source", "IPTC:Source", 32),
    "instructions": _Places("XMP-photoshop:Instructions", "IPTC:SpecialInstructions", 256),
    "job_id": _Places(
        "XMP-photoshop:TransmissionReference", "IPTC:OriginalTransmissionReference", 32
    ),
    "alt_text": _Places("XMP-iptcCore:AltTextAccessibility"),
    "extended_description": _Places("XMP-iptcCore:ExtDescrAccessibility"),
    "other_constraints": _Places("XMP-plus:OtherConstraints"),
    "model_release_ids": _Places("XMP-plus:ModelReleaseID"),
    "property_release_ids": _Places("XMP-plus:PropertyReleaseID"),
}
LISTS = {"creator", "keywords", "model_release_ids", "property_release_ids"}
"""Fields that hold several values in XMP and IIM; Exif holds one text, joined by semicolons."""
LOCATION = {
    "place": _Places("XMP-iptcCore:Location", "IPTC:Sub-location", 32),
    "city": _Places("XMP-photoshop:City", "IPTC:City", 32),
    "region": _Places("XMP-photoshop:State", "IPTC:Province-State", 32),
    "country": _Places("XMP-photoshop:Country", "IPTC:Country-PrimaryLocationName", 64),
    "country_code": _Places("XMP-iptcCore:CountryCode", "IPTC:Country-PrimaryLocationCode", 3),
}
"""Where the parts of ``location`` go besides Location Shown."""


class _Structure(NamedTuple):
    """Where a field with parts goes: an XMP structure, or a list of one."""

    xmp: str
    several: bool
    parts: Mapping[str, str]


STRUCTURES = {
    "contact": _Structure(
        "XMP-iptcCore:CreatorContactInfo",
        False,
        {
            "address": "CiAdrExtadr",
            "city": "CiAdrCity",
            "region": "CiAdrRegion",
            "postal_code": "CiAdrPcode",
            "country": "CiAdrCtry",
            "email": "CiEmailWork",
            "phone": "CiTelWork",
            "web": "CiUrlWork",
        },
    ),
    "licensor": _Structure(
        "XMP-plus:Licensor",
        True,
        {
            "name": "LicensorName",
            "url": "LicensorURL",
            "id": "LicensorID",
            "email": "LicensorEmail",
        },
    ),
    "supplier": _Structure(
        "XMP-plus:ImageSupplier", True, {"name": "ImageSupplierName", "id": "ImageSupplierID"}
    ),
    "location": _Structure(
        "XMP-iptcExt:LocationShown",
        True,
        {
            "place": "Sublocation",
            "city": "City",
            "region": "ProvinceState",
            "country": "CountryName",
            "country_code": "CountryCode",
        },
    ),
}
PLUS = "http://ns.useplus.org/ldf/vocab/"
SOURCE_TYPE = "http://cv.iptc.org/newscodes/digitalsourcetype/"
# exiftool puts the vocabulary's address before a release's code by itself
TERMS: Mapping[str, tuple[str, Callable[[str], str]]] = {
    "data_mining": ("XMP-plus:DataMining#", lambda word: PLUS + DATA_MINING[word]),
    "model_release": ("XMP-plus:ModelReleaseStatus#", lambda word: MODEL_RELEASES[word]),
    "property_release": ("XMP-plus:PropertyReleaseStatus#", lambda word: PROPERTY_RELEASES[word]),
    "source_type": ("XMP-iptcExt:DigitalSourceType#", lambda word: SOURCE_TYPE + word),
}
"""Fields with a vocabulary: their XMP tag, and what it holds for a word."""


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where a delivered file comes from, for its XMP Media Management (ISO 16684-1:2019, 8.2.3).

    ``document_id`` is the frame's through all its versions, renditions and rounds, and so the
    original's; ``instance_id`` is this file's, ``original_id`` the original file's, ``handed_off``
    that of the file that the retoucher got, where one worked on it. ``recipe`` is the key of the
    version ``number``. There is no time of making: equal inputs give equal bytes.
    """

    document_id: str
    instance_id: str
    original_id: str
    handed_off: str | None
    recipe: str
    number: int


class MetadataWriter:
    """Composes and reads metadata through one exiftool; use it as a context.

    Entering raises ``ToolMissing`` where exiftool is missing, too old or does not start. It may be
    called from several threads.
    """

    def __init__(self) -> None:
        self._exiftool = ExifTool()

    def __enter__(self) -> Self:
        self._exiftool.start()
        return self

    def __exit__(self, *_error: object) -> None:
        self._exiftool.close()

    def compose(
        self,
        fields: Mapping[str, Any],
        capture: Capture,
        provenance: Provenance | None = None,
        *,
        serial: bool = False,
        cut_for_iim: bool = False,
    ) -> Composed:
        """The metadata of one delivered file.

        ``fields`` maps names in ``FIELDS`` to texts, those in ``LISTS`` to a text or several; names
        in ``STRUCTURES`` to their parts, names in ``TERMS`` to a word of ``pipeline.captions``. Of
        ``capture`` time, camera, exposure, aperture, ISO and focal length go in, with ``serial``
        the camera's number and the lens too. A text that is longer than IIM can hold stands whole
        in XMP, and is left out of IIM or, with ``cut_for_iim``, cut there at a character; either
        way a note says so.

        Everything is read back and compared. Raises ``SafelightError`` for a text that cannot be
        stored, ``Unanswered`` where exiftool fails twice.
        """
        notes: list[str] = []
        tags = {
            **_text_tags(fields, notes, cut_for_iim),
            **_capture_tags(capture, serial),
            **(_provenance_tags(provenance, capture) if provenance else {}),
        }
        blocks = _twice(lambda: self._composed(tags)) if tags else Blocks()
        return Composed(blocks, tuple(notes))

    def read_capture(self, paths: Sequence[Path]) -> list[Capture]:
        """What cameras noted in originals, in the order of ``paths``; nothing where it is unknown.

        The files are only read, whatever their names are. Those that exiftool cannot bear together
        are read one by one; one that it cannot bear alone yields an empty ``Capture``.
        """
        with _folder() as folder:
            links = [_linked(path, folder, number) for number, path in enumerate(paths)]
            try:
                return _twice(lambda: self._captures(links))
            except Unanswered:
                return [self._capture_alone(link) for link in links]

    def write_rating(self, path: Path, rating: int, root: Path) -> Artifact:
        """Put a rating (xmp:Rating, -1 to 5) into the XMP file ``path``, made if it is missing.

        All else in the file stays. Raises ``SafelightError`` where it is not an XMP file,
        ``CannotWrite`` where it cannot be put in place.
        """
        earlier = path.read_bytes() if path.is_file() else b""

        def rated() -> bytes:
            with _folder() as folder:
                target = folder / "rated.xmp"
                if earlier:
                    target.write_bytes(earlier)
                _, warned = self._exiftool.call(
                    "-overwrite_original",
                    f"-XMP-xmp:Rating={rating:d}",
                    str(target),
                    seconds=CALL_SECONDS,
                )
                if "Error" in warned or not target.is_file():
                    raise SafelightError(f"{path}: not an XMP file that can be changed; left alone")
                return target.read_bytes()

        return land(path, _twice(rated), root)

    def _composed(self, tags: Mapping[str, Any]) -> Blocks:
        # a new stub for every attempt: one that was given up may have left it half-written
        with _folder() as folder:
            stub, values = folder / "stub.jpg", folder / "values.json"
            stub.write_bytes(STUB)
            guarded = {tag: _guarded(value) for tag, value in tags.items()}
            row = {"SourceFile": "*", **guarded}
            # exiftool does not put the two halves of an escaped character together again
            values.write_text(json.dumps([row], ensure_ascii=False), "utf-8")
            _, warned = self._exiftool.call(
                "-codedcharacterset=utf8",
                "-ExifByteOrder=Little-endian",
                "-IPTCDigest=new",
                "-overwrite_original",
                "-z",
                f"-json={values}",
                str(stub),
                seconds=CALL_SECONDS,
            )
            said, _ = self._exiftool.call(
                *("-json", "-G1", "-struct"),
                *(f"-{tag}" for tag in tags),
                str(stub),
                seconds=CALL_SECONDS,
            )
            _compare(tags, said, warned)
            return _blocks_of(stub.read_bytes())

    def _captures(self, links: Sequence[Path]) -> list[Capture]:
        # Tags without a group take the camera's own word where Exif has none
        said, _ = self._exiftool.call(
            *("-json", "-n", "-fast"),  # -fast2 would pass over the maker's notes: focus, serial
            *(f"-{tag}" for tag in CAPTURE_TAGS),
            *map(str, links),
            seconds=CALL_SECONDS + len(links),
        )
        found = {row["SourceFile"]: row for row in json.loads(said or "[]")}
        return [_capture_of(found.get(str(link), {})) for link in links]

    def _capture_alone(self, link: Path) -> Capture:
        try:
            return self._captures([link])[0]
        except Unanswered:
            return Capture()


def _twice(attempt: Callable[[], T]) -> T:
    """An attempt, and where exiftool died or was late another with a new process."""
    try:
        return attempt()
    except Unanswered:
        return attempt()


@contextlib.contextmanager
def _folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="safelight-") as name:
        yield Path(name)


def _linked(path: Path, folder: Path, number: int) -> Path:
    """A name for a file that is safe in a list of arguments; its ending still tells the format."""
    ending = path.suffix if re.fullmatch(r"\.[A-Za-z0-9]{1,8}", path.suffix) else ""
    link = folder / f"{number:06}{ending}"
    link.symlink_to(path.absolute())
    return link


# --- what goes in ---------------------------------------------------------------------------------


def _text_tags(fields: Mapping[str, Any], notes: list[str], cut_for_iim: bool) -> dict[str, Any]:
    tags: dict[str, Any] = {}
    known = {name: (value, FIELDS[name]) for name, value in fields.items() if name in FIELDS}
    for part, text in fields.get("location", {}).items():
        known[f"location.{part}"] = (text, LOCATION[part])
    for name, (value, places) in known.items():
        texts = [_checked(name, text) for text in ([value] if isinstance(value, str) else value)]
        texts = [text for text in texts if text]
        if not texts:
            continue
        tags[places.xmp] = texts if name in LISTS else texts[0]
        if places.exif:
            tags[places.exif] = "; ".join(texts)
        if places.iim:
            short = [_for_iim(name, places, text, notes, cut_for_iim) for text in texts]
            if short := [text for text in short if text]:
                tags[places.iim] = short if name == "keywords" or len(short) > 1 else short[0]
    for name, structure in STRUCTURES.items():
        parts = {
            structure.parts[part]: _checked(f"{name}.{part}", text)
            for part, text in fields.get(name, {}).items()
        }
        if parts:
            tags[structure.xmp] = [parts] if structure.several else parts
    for name, (tag, stored) in TERMS.items():
        if name in fields:
            tags[tag] = stored(fields[name])
    if "XMP-dc:Rights" in tags:
        tags["XMP-xmpRights:Marked"] = "True"
    return tags


def _checked(name: str, text: str) -> str:
    text = text.replace("\r\n", "\n").replace("\r", "\n").strip()
    if NOT_IN_XML.search(text):
        raise SafelightError(f"{name}: {text!r} holds a character that no metadata can hold")
    return text


def _for_iim(name: str, places: _Places, text: str, notes: list[str], cut: bool) -> str:
    encoded = text.encode()
    if name == "location.country_code" and len(text) == 2:
        notes.append(f"{name}: {text} in XMP alone, for IIM holds the three-letter codes")
        return ""
    if len(encoded) <= places.iim_bytes:
        return text
    what = f"{name}: {len(encoded)} bytes, where IIM holds {places.iim_bytes}; whole in XMP"
    notes.append(f"{what}, {'cut' if cut else 'left out'} in IIM: {text[:40]!r}")
    return encoded[: places.iim_bytes].decode(errors="ignore").rstrip() if cut else ""


def _capture_tags(capture: Capture, serial: bool) -> dict[str, Any]:
    apart = capture.make or capture.model
    tags: dict[str, Any] = {
        "IFD0:Make": capture.make,
        "IFD0:Model": capture.model if apart else capture.camera,
        "ExifIFD:ExposureTime": capture.exposure_s,
        "ExifIFD:FNumber": capture.aperture,
        "ExifIFD:ISO": None if capture.iso is None else round(capture.iso),
        "ExifIFD:FocalLength": capture.focal_mm,
        "ExifIFD:SerialNumber": capture.serial if serial else None,
        "ExifIFD:LensModel": capture.lens if serial else None,
    }
    if taken := TAKEN_AT.fullmatch(capture.taken_at or ""):
        date, time, fraction, offset = taken.groups("")
        date, offset = date.replace("-", ":"), "+00:00" if offset == "Z" else offset
        tags["XMP-photoshop:DateCreated"] = _xmp_time(taken)
        tags["ExifIFD:DateTimeOriginal"] = f"{date} {time}"
        tags["ExifIFD:SubSecTimeOriginal"] = fraction[1:]
        tags["ExifIFD:OffsetTimeOriginal"] = offset
        tags["IPTC:DateCreated"] = date
        # IIM's time has an offset or is wrong: exiftool would invent this machine's
        tags["IPTC:TimeCreated"] = f"{time}{offset}" if offset else None
    return {tag: value for tag, value in tags.items() if value not in (None, "")}


def _xmp_time(taken: re.Match[str]) -> str:
    date, time, fraction, offset = taken.groups("")
    return f"{date.replace('-', ':')} {time}{fraction}{'+00:00' if offset == 'Z' else offset}"


def _provenance_tags(provenance: Provenance, capture: Capture) -> dict[str, Any]:
    document, source = provenance.document_id, provenance.handed_off or provenance.original_id
    history: list[dict[str, str]] = [{"Action": "created", "InstanceID": provenance.original_id}]
    if taken := TAKEN_AT.fullmatch(capture.taken_at or ""):
        history[0]["When"] = _xmp_time(taken)
    if provenance.handed_off:
        history.append({"Action": "edited", "InstanceID": provenance.handed_off, "Changed": "/"})
    history.append(
        {
            "Action": "produced",
            "InstanceID": provenance.instance_id,
            "SoftwareAgent": "Safelight",
            "Parameters": f"recipe {provenance.recipe}, version {provenance.number}",
        }
    )
    return {
        "XMP-xmpMM:DocumentID": document,
        "XMP-xmpMM:InstanceID": provenance.instance_id,
        "XMP-xmpMM:OriginalDocumentID": document,
        "XMP-xmpMM:DerivedFrom": {"DocumentID": document, "InstanceID": source},
        "XMP-xmpMM:History": history,
    }


def _guarded(value: Any) -> Any:
    """A value as exiftool reads it back from JSON: it decodes texts that look like base64."""
    if isinstance(value, list):
        return [_guarded(item) for item in value]
    if isinstance(value, dict):
        return {part: _guarded(item) for part, item in value.items()}
    if isinstance(value, str) and value.startswith("base64:"):
        return "base64:" + base64.b64encode(value.encode()).decode()
    return value


def _compare(tags: Mapping[str, Any], said: str, warned: str) -> None:
    # numbers stay as they are written: "1.50" in a title is a text
    rows = json.loads(said or "[{}]", parse_int=str, parse_float=str)
    for tag, value in tags.items():
        found = rows[0].get(tag.removesuffix("#"))
        same = found is not None if isinstance(value, int | float) else _same(found, value)
        if not same:
            raise SafelightError(
                f"{tag}: {value!r} cannot be stored; it reads back as {found!r} {warned.strip()}"
            )


def _same(found: Any, value: Any) -> bool:
    if isinstance(value, list) and len(value) == 1:
        value = value[0]
    if isinstance(found, list) and len(found) == 1:
        found = found[0]
    if isinstance(found, list) and isinstance(value, list) and len(found) == len(value):
        return all(map(_same, found, value))
    if isinstance(found, dict) and isinstance(value, dict):
        return found.keys() == value.keys() and all(_same(found[key], value[key]) for key in value)
    if isinstance(found, bool):  # what it makes of the words "true" and "false"
        return str(found).casefold() == str(value).casefold()
    return bool(found == value)


# --- what comes out -------------------------------------------------------------------------------


def _blocks_of(stub: bytes) -> Blocks:
    """The payloads of the segments of a JPEG up to its scan."""
    exif = xmp = iptc = b""
    place = 2
    while stub[place + 1] != 0xDA:
        marker, length = struct.unpack_from(">xBH", stub, place)
        payload = stub[place + 4 : place + 2 + length]
        place += 2 + length
        if marker == 0xE1 and payload.startswith(b"Exif\0\0"):
            exif += payload[6:]
        elif marker == 0xE1 and payload.startswith(XMP_NAME):
            xmp += payload[len(XMP_NAME) :]
        elif marker == 0xED:
            iptc += payload
        else:
            raise SafelightError("the texts are too long for the metadata of a JPEG: shorten them")
    return Blocks(exif, xmp, iptc, _iim_of(iptc))


def _iim_of(iptc: bytes) -> bytes:
    """The IIM data among the resources of an APP13 payload: number 0x0404."""
    place = iptc.find(b"\0") + 1
    while place and iptc[place : place + 4] == b"8BIM":
        number = int.from_bytes(iptc[place + 4 : place + 6])
        place += 6 + (iptc[place + 6] // 2 + 1) * 2
        length = int.from_bytes(iptc[place : place + 4])
        if number == 0x0404:
            return iptc[place + 4 : place + 4 + length]
        place += 4 + length + length % 2
    return b""


def _capture_of(row: Mapping[str, Any]) -> Capture:
    make, model = _text(row, "Make"), _text(row, "Model", "UniqueCameraModel")
    width, height = _size(row)
    red, blue = _as_shot(row)
    orientation = row.get("Orientation", 1)
    return Capture(
        taken_at=_taken_at(row),
        camera=_camera(make, model),
        serial=_text(row, "SerialNumber", "CameraSerialNumber", "InternalSerialNumber"),
        lens=_text(row, "LensModel", "Lens"),
        iso=_positive(row.get("ISO")),
        exposure_s=_positive(row.get("ExposureTime")),
        aperture=_positive(row.get("FNumber")),
        focal_mm=_positive(row.get("FocalLength")),
        focus_m=_positive(row.get("SubjectDistance")) or _positive(row.get("FocusDistance")),
        rating=_rating(row.get("Rating")),
        orientation=int(orientation) if orientation in range(1, 9) else 1,
        width=width,
        height=height,
        as_shot_red=red,
        as_shot_blue=blue,
        make=make,
        model=model,
        opcodes=any(tag in row for tag in OPCODE_TAGS),
    )


def _text(row: Mapping[str, Any], *tags: str) -> str | None:
    """The first of some tags that says anything; what cameras write is unbounded, this is not."""
    for tag in tags:
        if text := " ".join(str(row.get(tag, "")).split())[:200]:
            return text
    return None


def _camera(make: str | None, model: str | None) -> str | None:
    """Maker and model in one name, without the maker where the model begins with it."""
    if make and model and not model.casefold().startswith(make.split()[0].casefold()):
        return f"{make} {model}"
    return model or make


def _taken_at(row: Mapping[str, Any]) -> str | None:
    for date, fraction, offset in TIME_TAGS:
        text = str(row.get(date, ""))[:19]
        with contextlib.suppress(ValueError):
            at = datetime.strptime(text, "%Y:%m:%d %H:%M:%S").isoformat()
            digits, zone = str(row.get(fraction, "")).strip(), str(row.get(offset, "")).strip()
            at += f".{digits}" if re.fullmatch("[0-9]{1,9}", digits) else ""
            return at + (zone if re.fullmatch(r"Z|[+-]\d\d:\d\d", zone) else "")
    return None


def _as_shot(row: Mapping[str, Any]) -> tuple[float | None, float | None]:
    """What red and blue are multiplied by against green: DNG 1.7 notes the neutral's own values."""
    neutral = [_positive(value) for value in str(row.get("AsShotNeutral", "")).split()]
    if len(neutral) == 3 and all(neutral):
        red, green, blue = (value or 1.0 for value in neutral)
        return green / red, green / blue
    return _positive(row.get("RedBalance")), _positive(row.get("BlueBalance"))


def _positive(value: Any) -> float | None:
    with contextlib.suppress(TypeError, ValueError):
        number = float(str(value).split()[0] if isinstance(value, str) else value)
        if math.isfinite(number) and number > 0:
            return number
    return None


def _rating(value: Any) -> int | None:
    """xmp:Rating, -1 to 5 (ISO 16684-1); anything else is no rating."""
    try:
        number = float(str(value))
    except ValueError:
        return None
    return int(number) if number in range(-1, 6) else None


def _size(row: Mapping[str, Any]) -> tuple[int | None, int | None]:
    size = re.fullmatch(r"([0-9]{1,9})[ x]([0-9]{1,9})", str(row.get("ImageSize", "")))
    return (int(size[1]), int(size[2])) if size else (None, None)
