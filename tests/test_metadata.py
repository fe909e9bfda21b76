"""Metadata of deliveries and of originals: through a real exiftool, and through bad ones on PATH.

Fields and lengths: IPTC Photo Metadata Standard 2025.1 and IIM 4.2, as their published tables say.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.captions import DATA_MINING, MODEL_RELEASES, PROPERTY_RELEASES, SOURCE_TYPES
from pipeline.errors import CannotWrite, SafelightError, ToolMissing
from pipeline.files import exiftool, formats, metadata
from pipeline.files.exiftool import Unanswered
from pipeline.files.landing import land
from pipeline.files.metadata import FIELDS, Blocks, MetadataWriter, Provenance
from pipeline.hashing import digest_file
from pipeline.records import Capture

REAL = shutil.which("exiftool")
needs_exiftool = pytest.mark.skipif(REAL is None, reason="exiftool is not installed")

CAPTURE = Capture(
    taken_at="2026-05-20T14:03:11.25+02:00",
    camera="Quayside 5",
    serial="QS5-0012345",
    lens="Quayside 50 mm",
    iso=200,
    exposure_s=1 / 250,
    aperture=5.6,
    focal_mm=50,
)
FULL = {
    "creator": "Ines Tolland",
    "credit_line": "Ines Tolland / Ferrow",
    "copyright": "© 2026 Ines Tolland",
    "usage_terms": "Web and print, two years.\nNo resale.",
    "web_statement": "https://example.org/rights",
    "description": "A red enamel lamp on a quay, Лампа на причале",
    "headline": "Lamps in the evening",
    "title": "QL0007",
    "keywords": ["enamel", "lamp", "émail"],
}

MORE = {
    "contact": {
        "address": "Østre kai 4\n2. etasje",
        "city": "Ferrowby",
        "region": "Søndre",
        "postal_code": "0412",
        "country": "Norway",
        "email": "ines@tolland.example",
        "phone": "+47 55 00 00 00",
        "web": "https://tolland.example",
    },
    "licensor": {
        "name": "Tolland Bilder",
        "url": "https://tolland.example/licence?a=1&b=2",
        "id": "007",
        "email": "rights@tolland.example",
    },
    "supplier": {"name": "Quay Ågentur", "id": "Q-7"},
    "source": "Ines Tolland",
    "instructions": "Not before 1 October, Übergabe später.",
    "job_id": "FE-2024-11",
    "alt_text": "Une lampe rouge émaillée sur un quai",
    "extended_description": "Une lampe rouge, vue de près.\nDerrière elle, l'eau.",
    "other_constraints": "No crops, keine Montagen.",
    "data_mining": "prohibited-see-constraints",
    "model_release": "limited",
    "model_release_ids": ["MR-1", "2"],
    "property_release": "unlimited",
    "property_release_ids": ["PR-1"],
    "source_type": "humanEdits",
    "location": {
        "place": "Gamle kai",
        "city": "Ferrowby",
        "region": "Søndre",
        "country": "Norge",
        "country_code": "NOR",
    },
}
ORIGIN = Provenance(
    document_id="xmp.did:5d2b7a34-1111-5222-8333-944455566677",
    instance_id="xmp.iid:5d2b7a34-1111-5222-8333-944455566678",
    original_id="xmp.iid:5d2b7a34-1111-5222-8333-944455566679",
    handed_off="xmp.iid:5d2b7a34-1111-5222-8333-944455566680",
    recipe="ab" * 32,
    number=2,
)
# IPTC Photo Metadata Standard 2025.1, "XMP" and "IIM" of each property; the structures' parts in
# its "Creator's Contact Info", "Location" and in the PLUS schema. Codes: PLUS vocabularies, IPTC
# NewsCodes.
READ_BACK = {
    "XMP-iptcCore:CreatorContactInfo": {
        "CiAdrExtadr": "Østre kai 4\n2. etasje",
        "CiAdrCity": "Ferrowby",
        "CiAdrRegion": "Søndre",
        "CiAdrPcode": "0412",
        "CiAdrCtry": "Norway",
        "CiEmailWork": "ines@tolland.example",
        "CiTelWork": "+47 55 00 00 00",
        "CiUrlWork": "https://tolland.example",
    },
    "XMP-plus:Licensor": [
        {
            "LicensorName": "Tolland Bilder",
            "LicensorURL": "https://tolland.example/licence?a=1&b=2",
            "LicensorID": "007",
            "LicensorEmail": "rights@tolland.example",
        }
    ],
    "XMP-plus:ImageSupplier": [{"ImageSupplierName": "Quay Ågentur", "ImageSupplierID": "Q-7"}],
    "XMP-photoshop:Source": MORE["source"],
    "IPTC:Source": MORE["source"],
    "XMP-photoshop:Instructions": MORE["instructions"],
    "IPTC:SpecialInstructions": MORE["instructions"],
    "XMP-photoshop:TransmissionReference": "FE-2024-11",
    "IPTC:OriginalTransmissionReference": "FE-2024-11",
    "XMP-iptcCore:AltTextAccessibility": MORE["alt_text"],
    "XMP-iptcCore:ExtDescrAccessibility": MORE["extended_description"],
    "XMP-plus:OtherConstraints": MORE["other_constraints"],
    "XMP-plus:ModelReleaseStatus": "Limited or Incomplete Model Releases",
    "XMP-plus:ModelReleaseID": ["MR-1", "2"],
    "XMP-plus:PropertyReleaseStatus": "Unlimited Property Releases",
    "XMP-plus:PropertyReleaseID": ["PR-1"],
    "XMP-iptcExt:DigitalSourceType": "http://cv.iptc.org/newscodes/digitalsourcetype/humanEdits",
    "XMP-iptcExt:LocationShown": [
        {
            "Sublocation": "Gamle kai",
            "City": "Ferrowby",
            "ProvinceState": "Søndre",
            "CountryName": "Norge",
            "CountryCode": "NOR",
        }
    ],
    "XMP-iptcCore:Location": "Gamle kai",
    "IPTC:Sub-location": "Gamle kai",
    "XMP-photoshop:City": "Ferrowby",
    "IPTC:City": "Ferrowby",
    "XMP-photoshop:State": "Søndre",
    "IPTC:Province-State": "Søndre",
    "XMP-photoshop:Country": "Norge",
    "IPTC:Country-PrimaryLocationName": "Norge",
    "XMP-iptcCore:CountryCode": "NOR",
    "IPTC:Country-PrimaryLocationCode": "NOR",
}


@pytest.fixture(scope="module")
def writer():
    with MetadataWriter() as running:
        yield running


def read(path: Path) -> dict:
    """All tags of a file, by exiftool called the plain way."""
    said = subprocess.run(
        [REAL, "-json", "-G1", "-a", "-struct", path.name],
        cwd=path.parent,
        capture_output=True,
        check=True,
    ).stdout
    # exiftool leaves what looks like a number or a truth value without quotes
    said = re.sub(rb"(?<=[:,\[])( ?)(true|false)(?=[,\n\]])", rb'\1"\2"', said)
    return json.loads(said, parse_int=str, parse_float=str)[0]


def written(blocks: Blocks, folder: Path, ending: str) -> Path:
    path = folder / f"picture.{ending}"
    pixels = np.full((40, 60, 3), 100, np.uint8)
    settings = {"format": "jpeg" if ending == "jpg" else "tiff", "quality": 90}
    content = formats.written(pixels, "srgb", settings, ppi=300, blocks=blocks).content
    land(path, content, folder)
    return path


@needs_exiftool
@pytest.mark.parametrize("ending", ["jpg", "tif"])
def test_xmp_iim_and_exif_say_the_same(writer, tmp_path, ending):
    composed = writer.compose(FULL, CAPTURE)
    assert composed.notes == ()
    tags = read(written(composed.blocks, tmp_path, ending))
    for name, value in FULL.items():
        places = FIELDS[name]
        for tag in filter(None, (places.xmp, places.iim)):
            assert tags[tag] in (value, [value])
        if places.exif:
            assert tags[places.exif] == value
    assert tags["XMP-photoshop:DateCreated"] == "2026:05:20 14:03:11.25+02:00"
    assert tags["IPTC:DateCreated"] == "2026:05:20"
    assert tags["IPTC:TimeCreated"] == "14:03:11+02:00"
    assert tags["ExifIFD:DateTimeOriginal"] == "2026:05:20 14:03:11"
    assert tags["ExifIFD:OffsetTimeOriginal"] == "+02:00"
    assert tags["ExifIFD:SubSecTimeOriginal"] == "25"
    assert tags["ExifIFD:ExposureTime"] == "1/250"
    assert tags["ExifIFD:ISO"] == "200"
    # a manifest of before maker and model were kept apart has the one name alone
    assert (tags.get("IFD0:Make"), tags["IFD0:Model"]) == (None, "Quayside 5")
    assert tags["IFD0:Orientation"] == "Horizontal (normal)"
    assert tags["IPTC:CodedCharacterSet"] == "UTF8"
    assert tags["XMP-xmpRights:Marked"] == "true"


@needs_exiftool
@pytest.mark.parametrize("ending", ["jpg", "tif"])
def test_what_rights_contact_place_and_releases_say_reads_back(writer, tmp_path, ending):
    composed = writer.compose({**FULL, **MORE}, CAPTURE)
    assert composed.notes == ()
    path = written(composed.blocks, tmp_path, ending)
    tags = read(path)
    assert {tag: tags.get(tag) for tag in READ_BACK} == READ_BACK
    # the exiftool of today may not know it: it is read as XML, the address whole as PLUS wants it
    said = b"plus:DataMining='http://ns.useplus.org/ldf/vocab/DMI-PROHIBITED-SEECONSTRAINT'"
    assert said in path.read_bytes()
    assert b"plus='http://ns.useplus.org/ldf/xmp/1.0/'" in path.read_bytes()


@needs_exiftool
def test_where_a_file_comes_from(writer, tmp_path):
    # ISO 16684-1:2019, 8.2.3 (xmpMM) and the types ResourceEvent and ResourceRef
    tags = read(written(writer.compose({}, CAPTURE, ORIGIN).blocks, tmp_path, "jpg"))
    assert tags["XMP-xmpMM:DocumentID"] == ORIGIN.document_id
    assert tags["XMP-xmpMM:OriginalDocumentID"] == ORIGIN.document_id
    assert tags["XMP-xmpMM:InstanceID"] == ORIGIN.instance_id
    assert tags["XMP-xmpMM:DerivedFrom"] == {
        "DocumentID": ORIGIN.document_id,
        "InstanceID": ORIGIN.handed_off,
    }
    created, edited, produced = tags["XMP-xmpMM:History"]
    assert created == {
        "Action": "created",
        "InstanceID": ORIGIN.original_id,
        "When": "2026:05:20 14:03:11.25+02:00",
    }
    assert edited == {"Action": "edited", "InstanceID": ORIGIN.handed_off, "Changed": "/"}
    assert produced == {
        "Action": "produced",
        "InstanceID": ORIGIN.instance_id,
        "SoftwareAgent": "Safelight",
        "Parameters": f"recipe {ORIGIN.recipe}, version 2",
    }
    blocks = writer.compose({}, Capture(), replace(ORIGIN, handed_off=None)).blocks
    tags = read(written(blocks, tmp_path, "jpg"))
    assert tags["XMP-xmpMM:DerivedFrom"]["InstanceID"] == ORIGIN.original_id
    assert [event["Action"] for event in tags["XMP-xmpMM:History"]] == ["created", "produced"]


@needs_exiftool
def test_every_word_of_a_vocabulary_can_be_stored(writer, tmp_path):
    """What was written is compared by ``compose`` itself; exiftool calls unknown codes so."""
    fields = {"data_mining": DATA_MINING, "source_type": SOURCE_TYPES}
    fields |= {"model_release": MODEL_RELEASES, "property_release": PROPERTY_RELEASES}
    for turn in range(max(map(len, fields.values()))):
        words = {name: list(known)[turn % len(known)] for name, known in fields.items()}
        path = written(writer.compose(words, Capture()).blocks, tmp_path, "jpg")
        tags = read(path)
        assert "Unknown" not in tags["XMP-plus:ModelReleaseStatus"]
        assert "Unknown" not in tags["XMP-plus:PropertyReleaseStatus"]
        assert tags["XMP-iptcExt:DigitalSourceType"].endswith(f"/{words['source_type']}")
        assert DATA_MINING[words["data_mining"]].encode() + b"'" in path.read_bytes()


@needs_exiftool
def test_a_country_of_two_letters_stays_out_of_iim(writer, tmp_path):
    # IIM 4.2, 2:100: three letters; exiftool would pad the two with a space
    composed = writer.compose({"location": {"country_code": "NO"}}, Capture())
    tags = read(written(composed.blocks, tmp_path, "jpg"))
    assert tags["XMP-iptcCore:CountryCode"] == "NO"
    assert "IPTC:Country-PrimaryLocationCode" not in tags
    assert composed.notes == (
        "location.country_code: NO in XMP alone, for IIM holds the three-letter codes",
    )


@needs_exiftool
def test_places_that_iim_cannot_hold_are_reported(writer):
    # IIM 4.2, 2:90 City: 32 octets
    composed = writer.compose({"location": {"city": "é" * 17}}, Capture())
    assert composed.notes == (
        f"location.city: 34 bytes, where IIM holds 32; whole in XMP, left out in IIM: '{'é' * 17}'",
    )


@needs_exiftool
@pytest.mark.parametrize("ending", ["jpg", "tif"])
def test_delivered_files_are_clean(writer, tmp_path, ending):
    for fields in ({**FULL, **MORE}, {"creator": "Ines Tolland"}, {}):
        blocks = writer.compose(fields, CAPTURE, ORIGIN, serial=True).blocks
        path = written(blocks, tmp_path, ending)
        said = subprocess.run(
            [REAL, "-validate", "-warning", "-a", path], capture_output=True, text=True, check=True
        )
        assert said.stdout.split() == ["Validate", ":", "OK"]


@needs_exiftool
@pytest.mark.parametrize("ending", ["jpg", "tif"])
def test_serial_numbers_and_positions_stay_out(writer, tmp_path, ending):
    path = written(writer.compose({**FULL, **MORE}, CAPTURE, ORIGIN).blocks, tmp_path, ending)
    tags = read(path)
    assert not [tag for tag in tags if "serial" in tag.lower() or "gps" in tag.lower()]
    for secret in (b"QS5-0012345", b"Quayside 50 mm", b"GPS"):
        assert secret not in path.read_bytes()


@needs_exiftool
def test_a_serial_number_goes_in_where_it_is_asked_for(writer, tmp_path):
    tags = read(written(writer.compose({}, CAPTURE, serial=True).blocks, tmp_path, "tif"))
    assert tags["ExifIFD:SerialNumber"] == "QS5-0012345"
    assert tags["ExifIFD:LensModel"] == "Quayside 50 mm"


@needs_exiftool
def test_the_iim_digest_is_that_of_the_iim(writer, tmp_path):
    # Metadata Working Group 2.0: it tells a reader that XMP and IIM were written together
    path = written(writer.compose({**FULL, **MORE}, CAPTURE).blocks, tmp_path, "jpg")
    said = subprocess.run(
        [REAL, "-s3", "-IPTCDigest", "-CurrentIPTCDigest", path], capture_output=True, check=True
    ).stdout.split()
    assert len(said) == 2
    assert said[0] == said[1]


@needs_exiftool
@pytest.mark.parametrize(
    "text",
    [
        "x\n-FileName=y",
        "x\n-Tag<=/etc/passwd",
        "x\n-",
        "-execute",
        "{ready1}",
        "base64:QUJD",
        "<b>&amp;\"'</b>",
        "$FileName ${x}",
        "@values.json",
        "1.50",
        "007",
        "1e3",
        "true",
        "null",
        "#comment",
        "a;b; c",
        "é" * 300,
        "\N{SNOWMAN}\N{VARIATION SELECTOR-16} 日本語 \U0001f3ee",
        "tab\there",
    ],
)
def test_texts_arrive_as_they_are(writer, tmp_path, text):
    fields = {"description": text, "headline": text, "usage_terms": text, "keywords": [text, "b"]}
    fields |= {"contact": {"address": text}, "licensor": {"name": text}}
    path = written(writer.compose(fields, Capture(), cut_for_iim=True).blocks, tmp_path, "jpg")
    tags = read(path)
    assert tags["XMP-dc:Description"] == text
    assert tags["IPTC:Caption-Abstract"] == text
    assert tags["IFD0:ImageDescription"] == text
    assert tags["XMP-xmpRights:UsageTerms"] == text
    assert tags["XMP-dc:Subject"] == [text, "b"]
    assert tags["XMP-iptcCore:CreatorContactInfo"] == {"CiAdrExtadr": text}
    assert tags["XMP-plus:Licensor"] == [{"LicensorName": text}]
    assert {entry.name for entry in tmp_path.iterdir()} == {"picture.jpg"}


@needs_exiftool
def test_a_text_that_iim_cannot_hold_is_reported(writer, tmp_path):
    # IIM 4.2, 2:110 Credit: 32 octets; a character of two bytes must not be cut in half
    fields = {"credit_line": "é" * 17, "keywords": ["short", "k" * 65]}
    composed = writer.compose(fields, Capture())
    tags = read(written(composed.blocks, tmp_path, "jpg"))
    assert tags["XMP-photoshop:Credit"] == "é" * 17
    assert tags["XMP-dc:Subject"] == ["short", "k" * 65]
    assert "IPTC:Credit" not in tags
    assert tags["IPTC:Keywords"] in ("short", ["short"])
    assert composed.notes == (
        f"credit_line: 34 bytes, where IIM holds 32; whole in XMP, left out in IIM: '{'é' * 17}'",
        f"keywords: 65 bytes, where IIM holds 64; whole in XMP, left out in IIM: '{'k' * 40}'",
    )
    composed = writer.compose(
        {"credit_line": "é" * 10 + "a" + "é" * 10}, Capture(), cut_for_iim=True
    )
    tags = read(written(composed.blocks, tmp_path, "jpg"))
    assert tags["IPTC:Credit"] == "é" * 10 + "a" + "é" * 5
    assert "cut in IIM" in composed.notes[0]


@needs_exiftool
@pytest.mark.parametrize(("field", "most"), [(n, p.iim_bytes) for n, p in FIELDS.items() if p.iim])
def test_a_text_as_long_as_iim_holds_is_whole_everywhere(writer, tmp_path, field, most):
    composed = writer.compose({field: "x" * most}, Capture())
    assert composed.notes == ()
    tags = read(written(composed.blocks, tmp_path, "jpg"))
    assert tags[FIELDS[field].iim] in ("x" * most, ["x" * most])


@needs_exiftool
def test_several_creators(writer, tmp_path):
    blocks = writer.compose({"creator": ["Ines Tolland", "Second Hand"]}, Capture()).blocks
    tags = read(written(blocks, tmp_path, "jpg"))
    assert tags["XMP-dc:Creator"] == tags["IPTC:By-line"] == ["Ines Tolland", "Second Hand"]
    assert tags["IFD0:Artist"] == "Ines Tolland; Second Hand"


@needs_exiftool
def test_a_time_without_offset_gets_none(writer, tmp_path):
    blocks = writer.compose({}, Capture(taken_at="2026-05-20T14:03:11")).blocks
    tags = read(written(blocks, tmp_path, "jpg"))
    assert tags["XMP-photoshop:DateCreated"] == "2026:05:20 14:03:11"
    assert tags["IPTC:DateCreated"] == "2026:05:20"
    assert "IPTC:TimeCreated" not in tags
    assert "ExifIFD:OffsetTimeOriginal" not in tags


@needs_exiftool
def test_nothing_said_composes_nothing(writer):
    assert writer.compose({}, Capture()).blocks == Blocks()
    assert writer.compose({"creator": " ", "keywords": []}, Capture()).blocks == Blocks()


@needs_exiftool
def test_what_no_file_can_hold(writer):
    for text in ("a\x00b", "a\x1bb", "a\ud800b"):
        with pytest.raises(SafelightError, match=r"title: .* no metadata can hold"):
            writer.compose({"title": text}, Capture())
    with pytest.raises(SafelightError, match="too long for the metadata of a JPEG"):
        writer.compose({"usage_terms": "long " * 20_000}, Capture())


@needs_exiftool
def test_equal_fields_give_equal_blocks(writer):
    assert writer.compose(FULL, CAPTURE) == writer.compose(FULL, CAPTURE)


# --- reading originals ----------------------------------------------------------------------------


def original(path: Path, *tags: str) -> Path:
    """A small picture with tags, made by exiftool called the plain way."""
    plain = path.parent / "plain.tif"
    tifffile.imwrite(plain, np.zeros((30, 50, 3), np.uint8), photometric="rgb", metadata=None)
    if tags:
        subprocess.run([REAL, "-q", "-overwrite_original", *tags, plain], check=True)
    plain.rename(path)
    return path


@needs_exiftool
def test_capture_data_of_an_original(writer, tmp_path):
    path = original(
        tmp_path / "QL0001.tif",
        "-Make=Quayside",
        "-Model=Quayside 5",
        "-EXIF:SerialNumber=QS5-0012345",
        "-LensModel=Quayside 50 mm",
        "-ISO=400",
        "-ExposureTime=1/30",
        "-FNumber=2.8",
        "-FocalLength=85",
        "-Orientation#=6",
        "-DateTimeOriginal=2026:05:20 21:40:02",
        "-SubSecTimeOriginal=07",
        "-OffsetTimeOriginal=-03:30",
        "-GPSLatitude=10",
        "-GPSLatitudeRef=N",
    )
    before = digest_file(path)
    (capture,) = writer.read_capture([path])
    assert capture == Capture(
        taken_at="2026-05-20T21:40:02.07-03:30",
        camera="Quayside 5",
        serial="QS5-0012345",
        lens="Quayside 50 mm",
        iso=400.0,
        exposure_s=capture.exposure_s,
        aperture=2.8,
        focal_mm=85.0,
        orientation=6,
        width=50,
        height=30,
        make="Quayside",
        model="Quayside 5",
    )
    assert capture.exposure_s == pytest.approx(1 / 30, rel=1e-6)
    assert digest_file(path) == before


@needs_exiftool
def test_maker_and_model_make_one_name(writer, tmp_path):
    path = original(tmp_path / "a.tif", "-Make=Ferrow Optics", "-Model=Q5")
    assert writer.read_capture([path])[0].camera == "Ferrow Optics Q5"


@needs_exiftool
@pytest.mark.parametrize(
    "said",
    [
        {"IFD0:Make": "Ferrow Optics", "IFD0:Model": "Q5"},
        {"IFD0:Make": "Quayside", "IFD0:Model": "Quayside 5"},
        {"IFD0:Make": "Quayside"},
        {"IFD0:Model": "Q5"},
    ],
)
def test_maker_and_model_go_out_as_the_original_has_them(writer, tmp_path, said):
    # Exif 3.0, 4.6.4: Make, tag 271, is who made the equipment; Model, tag 272, its name or number
    path = original(tmp_path / "a.tif", *(f"-{tag}={text}" for tag, text in said.items()))
    delivered = written(writer.compose({}, *writer.read_capture([path])).blocks, tmp_path, "jpg")
    tags = read(delivered)
    assert {tag: tags[tag] for tag in ("IFD0:Make", "IFD0:Model") if tag in tags} == said


@needs_exiftool
def test_nonsense_from_cameras_is_nothing(writer, tmp_path):
    path = original(
        tmp_path / "a.tif",
        "-DateTimeOriginal#=0000:00:00 00:00:00",
        "-CreateDate=2026:02:03 04:05:06",
        "-FNumber=0",
        "-ExposureTime=inf",
        "-Orientation#=77",
        "-Model=" + "m" * 5000,
    )
    (capture,) = writer.read_capture([path])
    assert capture.taken_at == "2026-02-03T04:05:06"
    assert (capture.aperture, capture.exposure_s, capture.orientation) == (None, None, 1)
    assert capture.camera == "m" * 200


@needs_exiftool
def test_hostile_names_of_originals(writer, tmp_path):
    names = [
        "-o x.tif",
        "a\n-Artist=b.tif",
        "#c.tif",
        " lead.tif",
        "quo\"te'.tif",
        "$x.tif",
        "@.tif",
    ]
    names += ["été.tif", "日本.tif", "-", "..tif", "{ready1}", "x.t\nif", "y.-if"]
    paths = [original(tmp_path / name, "-Model=Quayside 5") for name in names]
    paths.append(original(tmp_path / os.fsdecode(b"not-utf-8-\xff.tif"), "-Model=Quayside 5"))
    before = [digest_file(path) for path in paths]
    captures = writer.read_capture(paths)
    assert [capture.camera for capture in captures] == ["Quayside 5"] * len(paths)
    assert [digest_file(path) for path in paths] == before
    assert len(list(tmp_path.iterdir())) == len(paths)


@needs_exiftool
def test_originals_that_are_no_pictures(writer, tmp_path):
    (tmp_path / "empty.dng").write_bytes(b"")
    (tmp_path / "text.nef").write_text("no picture")
    (tmp_path / "folder.tif").mkdir()
    good = original(tmp_path / "good.tif", "-Model=Quayside 5")
    paths = [tmp_path / name for name in ("empty.dng", "missing.dng", "text.nef", "folder.tif")]
    captures = writer.read_capture([*paths, good])
    assert captures[:4] == [Capture()] * 4
    assert captures[4].camera == "Quayside 5"
    assert writer.read_capture([]) == []


# --- ratings beside originals ---------------------------------------------------------------------


@needs_exiftool
def test_ratings_keep_what_else_an_xmp_file_says(writer, tmp_path):
    path = tmp_path / "QL0001.xmp"
    for rating in (3, -1):
        artifact = writer.write_rating(path, rating, tmp_path)
        assert artifact.digest == digest_file(path)
        assert read(path)["XMP-xmp:Rating"] == str(rating)
    subprocess.run([REAL, "-q", "-overwrite_original", "-XMP-dc:Title=kept", path], check=True)
    writer.write_rating(path, 5, tmp_path)
    assert (read(path)["XMP-xmp:Rating"], read(path)["XMP-dc:Title"]) == ("5", "kept")
    assert [entry.name for entry in tmp_path.iterdir()] == ["QL0001.xmp"]


@needs_exiftool
def test_an_xmp_file_that_is_none_is_left_alone(writer, tmp_path):
    path = tmp_path / "QL0001.xmp"
    path.write_bytes(b"not xmp at all" * 100)
    with pytest.raises(SafelightError, match="not an XMP file that can be changed"):
        writer.write_rating(path, 5, tmp_path)
    assert path.read_bytes() == b"not xmp at all" * 100
    with pytest.raises(CannotWrite, match="outside the job"):
        writer.write_rating(tmp_path.parent / "QL0001.xmp", 5, tmp_path)


# --- exiftools that misbehave ---------------------------------------------------------------------

STUB = """#!{python}
# an exiftool that speaks the protocol and then does what MODE says
import os, sys, time
mode, real, marks = {mode!r}, {real!r}, {marks!r}
starts = len(os.listdir(marks))
open(os.path.join(marks, str(starts)), "w").close()
if mode == "recovers" and starts > 0:
    os.execv(real, [real, *sys.argv[1:]])
asked, echo = [], ""
for line in sys.stdin:
    line = line.rstrip("\\n")
    if line.startswith("-execute"):
        if "-ver" in asked:
            print({{"old": "11.88", "words": "no exiftool at all"}}.get(mode, "12.57"))
        elif mode == "dies" or mode == "recovers":
            os._exit(9)
        elif mode == "hangs":
            time.sleep(600)
        elif mode == "floods":
            sys.stderr.write("Warning: once more\\n" * 20000)
            sys.stderr.flush()
            print("[]")
        print("{{ready" + line[8:] + "}}", flush=True)
        print(echo, file=sys.stderr, flush=True)
        asked = []
    elif asked and asked[-1] == "-echo4":
        echo = line
        asked.append(line)
    else:
        asked.append(line)
"""


@pytest.fixture
def bad_exiftool(tmp_path, monkeypatch):
    """Puts an exiftool that misbehaves in front of the real one; how often it was started."""

    def plant(mode: str):
        folder, marks = tmp_path / "bin", tmp_path / "starts"
        folder.mkdir()
        marks.mkdir()
        stub = folder / "exiftool"
        stub.write_text(STUB.format(python=sys.executable, mode=mode, real=REAL, marks=str(marks)))
        stub.chmod(0o755)
        monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")
        monkeypatch.setattr(metadata, "CALL_SECONDS", 1.0)
        return lambda: len(list(marks.iterdir()))

    return plant


def test_no_exiftool(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(ToolMissing, match=r"exiftool is not there: install exiftool 12\.15"):
        MetadataWriter().__enter__()


def test_an_exiftool_that_cannot_run(monkeypatch, tmp_path):
    (tmp_path / "exiftool").write_text("#!/bin/no/such/interpreter\n")
    (tmp_path / "exiftool").chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(ToolMissing):
        MetadataWriter().__enter__()


@pytest.mark.parametrize("mode", ["old", "words"])
def test_an_exiftool_that_is_too_old_or_none(bad_exiftool, mode):
    bad_exiftool(mode)
    with pytest.raises(ToolMissing, match=r"is too old: install exiftool 12\.15 or newer"):
        MetadataWriter().__enter__()


@pytest.mark.parametrize("mode", ["dies", "hangs"])
def test_an_exiftool_that_dies_or_hangs_is_tried_twice(bad_exiftool, mode):
    starts = bad_exiftool(mode)
    began = time.monotonic()
    with MetadataWriter() as running, pytest.raises(Unanswered, match="gave no answer within 1"):
        running.compose(FULL, CAPTURE)
    assert starts() == 2
    assert time.monotonic() - began < 20


@needs_exiftool
def test_an_exiftool_that_dies_once_costs_nothing_but_time(bad_exiftool, tmp_path, monkeypatch):
    starts = bad_exiftool("recovers")
    monkeypatch.setattr(metadata, "CALL_SECONDS", 30.0)
    with MetadataWriter() as running:
        blocks = running.compose(FULL, CAPTURE).blocks
    assert starts() == 2
    assert read(written(blocks, tmp_path, "jpg"))["XMP-dc:Title"] == "QL0007"


def test_capture_data_of_files_that_exiftool_cannot_bear(bad_exiftool, tmp_path):
    bad_exiftool("dies")
    with MetadataWriter() as running:
        assert running.read_capture([tmp_path / "a.dng", tmp_path / "b.dng"]) == [Capture()] * 2


def test_more_warnings_than_a_pipe_holds(bad_exiftool, tmp_path):
    bad_exiftool("floods")
    with MetadataWriter() as running:
        assert running.read_capture([tmp_path / "a.dng"]) == [Capture()]


@needs_exiftool
def test_an_exiftool_killed_between_calls_is_replaced(tmp_path):
    with MetadataWriter() as running:
        process = running._exiftool._process._process
        process.kill()
        process.wait()
        assert running.compose({"title": "x"}, Capture()).blocks.xmp
        late = running._exiftool._process._process
    assert late.poll() is not None  # none is left behind


def test_an_argument_is_one_line():
    tool = exiftool.ExifTool()
    with pytest.raises((ValueError, ToolMissing)):
        tool.call("-Title=x\n-FileName=y", seconds=5)
    tool.close()


@needs_exiftool
def test_calls_from_several_threads(writer):
    from concurrent.futures import ThreadPoolExecutor

    texts = [f"title {number}" for number in range(12)]
    with ThreadPoolExecutor(4) as pool:
        blocks = list(pool.map(lambda text: writer.compose({"title": text}, Capture()), texts))
    assert all(text.encode() in done.blocks.xmp for text, done in zip(texts, blocks, strict=True))
