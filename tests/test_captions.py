"""What files say: from job, setup and frame to the bytes that are delivered, and reminders."""

from __future__ import annotations

import json
import shutil
import struct
import subprocess
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import InvalidInput
from pipeline.handoff import hand_off
from pipeline.ingest import ingest
from pipeline.job import load_job
from pipeline.manifest import Manifest
from pipeline.rating import rate
from pipeline.records import Capture, FrameState, Original
from pipeline.retouch import take_back
from pipeline.run import run
from pipeline.survey import survey
from tests.job_for_tests import (
    InProcess,
    digests,
    edit,
    retouched,
    sent_file,
    write_card,
    write_job,
)
from tests.test_cli import safelight  # noqa: F401

REAL = shutil.which("exiftool")
needs_exiftool = pytest.mark.skipif(REAL is None, reason="exiftool is not installed")

JOB = """\
job: quay-lamps
client: Ferrow Enamelware
recipe: plain
credit:
  creator: Ines Tolland
  copyright: © 2024 Ines Tolland
  contact: {email: ines@tolland.example, city: Ferrowby}
  licensor: {name: Tolland Bilder, url: "https://tolland.example/licence"}
  data_mining: prohibited
description: Lamps
caption: {title: "{job} {frame}", job_id: FE-11}
location: {city: Ferrowby, country: Norge, country_code: NOR}
deliveries:
  web: {format: jpeg, sharpen_for: screen}
  archive: {format: tiff, bits: 8}
"""
SETUP = """\
setup: quay
frames: [QL0001, QL0002]
caption: {headline: "On the quay, {setup}, no. {seq:03}", alt_text: Lamps on a quay}
location: {place: Gamle kai}
releases: {people: true}
credit: {creator: Second Hand, contact: {phone: "+47 1"}}
"""
FRAME = """\
frame: QL0002
description: A welder and her lamp, {date}
caption: {headline: A welder}
releases: {model_release: unlimited, model_release_ids: [MR-1]}
"""
STATES = [
    FrameState(name, Original(f"originals/{name}.dng", "blake3:0", 1, Capture(taken_at=at)), 4)
    for name, at in (
        ("QL0001", "2024-10-03T09:00:00"),
        ("QL0002", "2024-10-03T09:01:00"),
        ("QL0003", "2024-10-03T09:02:00"),
    )
]


def job_of(folder: Path, job: str = JOB, setup: str = SETUP, frame: str = FRAME) -> Path:
    for path, text in (
        ("job.yaml", job),
        ("setups/quay.yaml", setup),
        ("frames/QL0002.yaml", frame),
    ):
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_text(text, encoding="utf-8")
    return folder


def said(folder: Path, frame: str, delivery: str = "web") -> dict[str, Any]:
    """All that one delivered file will say."""
    order = load_job(folder).resolve_delivery(delivery, STATES)
    own = {key: value for key, value in order.files[frame].items() if key != "path"}
    return {**order.metadata, **own}


def problems(folder: Path) -> list[str]:
    with pytest.raises(InvalidInput) as refused:
        load_job(folder).resolve_delivery("web", STATES)
    return [str(problem) for problem in refused.value.problems]


# --- layers and fields ----------------------------------------------------------------------------


def test_the_more_special_file_counts_key_by_key(tmp_path: Path) -> None:
    job_of(tmp_path)
    assert said(tmp_path, "QL0003") == {
        "creator": "Ines Tolland",
        "copyright": "© 2024 Ines Tolland",
        "contact": {"email": "ines@tolland.example", "city": "Ferrowby"},
        "licensor": {"name": "Tolland Bilder", "url": "https://tolland.example/licence"},
        "data_mining": "prohibited",
        "description": "Lamps",
        "title": "quay-lamps QL0003",
        "job_id": "FE-11",
        "location": {"city": "Ferrowby", "country": "Norge", "country_code": "NOR"},
    }
    second, third = said(tmp_path, "QL0001"), said(tmp_path, "QL0002")
    assert second["contact"] == {
        "email": "ines@tolland.example",
        "city": "Ferrowby",
        "phone": "+47 1",
    }
    assert second["location"]["place"] == "Gamle kai"
    assert second["location"]["city"] == "Ferrowby"
    assert second["creator"] == third["creator"] == "Second Hand"
    assert (second["headline"], second["description"]) == ("On the quay, quay, no. 001", "Lamps")
    assert (third["headline"], third["alt_text"]) == ("A welder", "Lamps on a quay")
    assert third["description"] == "A welder and her lamp, 2024-10-03"
    assert third["model_release_ids"] == ["MR-1"]
    assert "people" not in third


def test_a_job_that_says_nothing_new_keeps_its_keys(tmp_path: Path) -> None:
    """What decided a file's key before these fields were there."""
    short = "job: a\nclient: b\nrecipe: plain\ncredit: {creator: Ines Tolland}\n"
    short += "deliveries:\n  web: {format: jpeg, metadata: full, privacy: strict}\n"
    job_of(tmp_path, short, "setup: quay\n", "frame: QL0002\nkeywords: [lamp]\n")
    order = load_job(tmp_path).resolve_delivery("web", STATES)
    assert order.metadata == {"creator": "Ines Tolland"}
    assert order.files["QL0001"].keys() == {"path"}
    assert order.files["QL0002"].keys() == {"path", "keywords"}
    assert not order.settings.keys() & {"metadata", "privacy"}


def test_rights_only_and_none(tmp_path: Path) -> None:
    more = (
        "  terms: {format: jpeg, metadata: rights-only}\n  bare: {format: jpeg, metadata: none}\n"
    )
    job_of(tmp_path, JOB + more)
    assert said(tmp_path, "QL0002", "terms").keys() == {
        *("creator", "copyright", "licensor", "data_mining"),
    }
    assert said(tmp_path, "QL0002", "terms")["creator"] == "Second Hand"
    assert said(tmp_path, "QL0002", "bare") == {}


@pytest.mark.parametrize(
    ("before", "after", "problem"),
    [
        (
            "data_mining: prohibited",
            "data_mining: forbidden",
            'job.yaml:9: credit.data_mining: "forbidden"; allowed: unspecified, allowed,'
            " prohibited, prohibited-for-ai-training, prohibited-for-generative-ai-training,"
            " prohibited-except-search-indexing, prohibited-see-constraints",
        ),
        (
            "data_mining: prohibited",
            "data_mining: prohibited-see-constraints",
            "job.yaml:4: credit: data_mining: prohibited-see-constraints goes with"
            " other_constraints",
        ),
        (
            "country_code: NOR",
            "country_code: Norway",
            'job.yaml:12: location.country_code: "Norway"; allowed: two or three capital letters'
            " of ISO 3166-1, such as NOR",
        ),
        (
            '"https://tolland.example/licence"',
            "tolland.example",
            'job.yaml:8: credit.licensor.url: "tolland.example"; allowed: an address that starts'
            " with https://",
        ),
        (
            "email: ines@tolland.example",
            "email: ines",
            'job.yaml:7: credit.contact.email: "ines"; allowed: an address such as'
            " name@studio.example",
        ),
        (
            '"{job} {frame}"',
            '"{job} {fram}"',
            "job.yaml:11: caption.title: {fram} is not a field; allowed: text, and the fields"
            " {client}, {job}, {frame}, {seq}, {setup}, {product}, {version}, {rating}, {delivery},"
            " {date}, {width}, {crop}",
        ),
        (
            '"{job} {frame}"',
            '"{setup}"',
            "job.yaml:11: caption.title: frame QL0003: its setup is not known; allowed: fields"
            " that every frame has",
        ),
        (
            "title:",
            "source_type: humanEdit, title:",
            'job.yaml:11: caption.source_type: "humanEdit", did you mean humanEdits?; allowed:'
            " digitalCapture, computationalCapture, negativeFilm, positiveFilm, print,"
            " humanEdits, compositeCapture, composite, compositeSynthetic,"
            " compositeWithTrainedAlgorithmicMedia, algorithmicallyEnhanced,"
            " trainedAlgorithmicMedia, algorithmicMedia, digitalCreation, dataDrivenMedia,"
            " screenCapture, virtualRecording",
        ),
        (
            "sharpen_for: screen}",
            "metadata: none, privacy: serial-numbers}",
            "job.yaml:14: deliveries.web: privacy: serial-numbers goes with metadata: full",
        ),
    ],
)
def test_what_is_wrong_is_said_with_what_is_allowed(
    tmp_path: Path, before: str, after: str, problem: str
) -> None:
    assert JOB.count(before) == 1
    assert problems(job_of(tmp_path, JOB.replace(before, after))) == [problem]


def test_braces_that_are_no_field_are_text(tmp_path: Path) -> None:
    job_of(tmp_path, JOB.replace("description: Lamps", "description: 'a {1} {A b} {} {'"))
    assert said(tmp_path, "QL0001")["description"] == "a {1} {A b} {} {"


# --- reminders ------------------------------------------------------------------------------------

CAUTION = "(a reminder and no legal advice: local law decides)"


def test_people_property_and_alt_text_are_asked_about(tmp_path: Path) -> None:
    job_of(tmp_path)
    # QL0002 has a release; QL0003 has no alt text
    assert load_job(tmp_path).reminders(STATES) == [
        f"people are shown, and there is no word of a model release: QL0001 {CAUTION}",
        f"no alt text for those who cannot see the picture: QL0003 {CAUTION}",
    ]
    assert len(load_job(tmp_path).reminders(STATES, ["archive"])) == 1
    job_of(tmp_path, frame="frame: QL0002\nreleases: {people: false}\n")
    assert "model release: QL0001 (" in load_job(tmp_path).reminders(STATES)[0]
    frame = FRAME.replace("model_release: unlimited", "model_release: none, property: true")
    job_of(tmp_path, frame=frame)
    model, estate, _ = load_job(tmp_path).reminders(STATES)
    assert "model release: QL0001, QL0002 (" in model
    assert "property release: QL0002 (" in estate


def test_files_without_a_creator_or_a_copyright_are_pointed_out(tmp_path: Path) -> None:
    bare = JOB.replace("  creator: Ines Tolland\n  copyright: © 2024 Ines Tolland\n", "")
    job_of(tmp_path, bare)  # the setup of QL0001 and QL0002 names its own creator
    told = load_job(tmp_path).reminders(STATES)
    assert f"nobody is named who made the picture (creator): QL0003 {CAUTION}" in told
    assert f"no copyright notice: QL0001, QL0002, QL0003 {CAUTION}" in told


def test_frames_that_no_delivery_holds_are_not_asked_about(tmp_path: Path) -> None:
    job_of(tmp_path, JOB + "selects: rating >= 5\n")
    assert load_job(tmp_path).reminders(STATES) == []
    job_of(tmp_path, JOB.replace("sharpen_for: screen", "metadata: none"))
    assert load_job(tmp_path).reminders(STATES, ["web"]) == []


# --- delivered files ------------------------------------------------------------------------------

SERIAL, OWNER, LENS = "QS5-0098765", "Mira Owner", "Quayside 50 mm"
NORTH = struct.pack("<4I", 59, 1, 54, 1)
"""Degrees and minutes of latitude as Exif 2.32 stores them, two rationals."""
SECRETS = (SERIAL, OWNER, LENS, "59.91273", "10.74609", "Vågen pier", NORTH)
EVERY = """\
job: small
client: Ferrow Enamelware
recipe: recipes/look.yaml
credit: {creator: Ines Tolland, copyright: © 2024 Ines Tolland, data_mining: prohibited}
description: Émail, Лампа
deliveries:
  web: {format: jpeg, long_edge: 100, sharpen_for: screen}
  print: {format: tiff, scale: 1}
  terms: {format: jpeg, long_edge: 100, metadata: rights-only}
  bare: {format: tiff, long_edge: 100, metadata: none}
  own: {format: jpeg, long_edge: 100, privacy: serial-numbers}
  png: {format: png, long_edge: 100}
  webp: {format: webp, long_edge: 100}
  avif: {format: avif, long_edge: 100}
  jxl: {format: jxl, long_edge: 100}
"""
ALL = ["web", "print", "terms", "bare", "png", "webp", "avif", "jxl"]


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """A job of two selects whose raws hold what must never leave, the first of them retouched."""
    job = tmp_path_factory.mktemp("made") / "job"
    for path in write_card(job.parent / "card", ["F0001", "F0002"]):
        planted = [f"-EXIF:SerialNumber={SERIAL}", f"-EXIF:OwnerName={OWNER}"]
        planted += [f"-LensModel={LENS}", f"-Artist={OWNER}", "-Model=Quayside 5", "-ISO=200"]
        planted += ["-GPSLatitude=59.91273", "-GPSLatitudeRef=N", "-GPSLongitude=10.74609"]
        planted += ["-GPSLongitudeRef=E", "-XMP-iptcCore:Location=Vågen pier"]
        subprocess.run([str(REAL), "-q", "-overwrite_original", *planted, path], check=True)
    write_job(job)
    (job / "job.yaml").write_text(EVERY, encoding="utf-8")
    (job / "frames").mkdir()
    (job / "frames/F0001.yaml").write_text("frame: F0001\nretouch: {ask: [{what: mend it}]}\n")
    assert ingest(job, [job.parent / "card"]).failed == {}
    rate(job, 4, ["F0001", "F0002"])
    sent = sent_file(hand_off(job, ["F0001"], "Ines", engine=InProcess()), job)
    taken = take_back(job, [retouched(sent, job.parent / "back")], settle_s=0, engine=InProcess())
    assert taken.exit_code == 0
    report = run(job, deliveries=[*ALL, "own"], engine=InProcess())
    assert report.exit_code == 0
    return job


def tags(path: Path) -> dict[str, Any]:
    """All tags of a file, by exiftool called the plain way."""
    called = [str(REAL), "-json", "-G1", "-a", "-struct", path]
    return json.loads(subprocess.run(called, capture_output=True, check=True).stdout)[0]


def planted_in(path: Path) -> set[str | bytes]:
    content = path.read_bytes()

    def is_there(secret: str | bytes) -> bool:
        if isinstance(secret, bytes):
            return secret in content
        return secret.encode() in content or secret.encode("utf-16-le") in content

    return {secret for secret in SECRETS if is_there(secret)}


@needs_exiftool
def test_the_raw_holds_what_must_not_leave(made: Path) -> None:
    raw = made / "originals/F0001.dng"
    assert planted_in(raw) >= {SERIAL, OWNER, LENS, "Vågen pier", NORTH}
    assert tags(raw)["GPS:GPSLatitudeRef"] == "North"


@needs_exiftool
@pytest.mark.parametrize("delivery", ALL)
def test_no_byte_of_a_delivered_file_tells_camera_owner_or_place(made: Path, delivery: str) -> None:
    for path in (made / "deliveries" / delivery).iterdir():
        assert planted_in(path) == set()
        found = tags(path)
        words = ("gps", "serial", "owner", "preview", "thumbnail", "makernote", "maker note")
        assert not [tag for tag in found if any(word in tag.lower() for word in words)]


@needs_exiftool
def test_what_each_kind_of_metadata_says(made: Path) -> None:
    full, terms = (tags(made / f"deliveries/{name}/F0002.jpg") for name in ("web", "terms"))
    bare = tags(made / "deliveries/bare/F0002.tif")
    assert (full["IFD0:Make"], full["IFD0:Model"]) == ("Safelamp", "Quayside 5")
    assert full["ExifIFD:ISO"] == 200
    assert full["XMP-dc:Description"] == full["IPTC:Caption-Abstract"] == "Émail, Лампа"
    for found in (full, terms):
        assert found["XMP-dc:Creator"] == ["Ines Tolland"]
        assert found["XMP-plus:DataMining"].endswith("DMI-PROHIBITED")
    kept = {"Creator", "Rights", "Marked", "DataMining", "XMPToolkit"}
    assert {tag.split(":")[1] for tag in terms if tag.startswith("XMP")} == kept
    assert not terms.keys() & {"IFD0:Make", "IFD0:Model", "ExifIFD:ISO", "ExifIFD:DateTimeOriginal"}
    assert not [tag for tag in bare if tag.startswith(("XMP", "IPTC", "ExifIFD"))]
    own = tags(made / "deliveries/own/F0002.jpg")
    assert (own["ExifIFD:SerialNumber"], own["ExifIFD:LensModel"]) == (SERIAL, LENS)
    assert planted_in(made / "deliveries/own/F0002.jpg") == {SERIAL, LENS}
    for found in (full, terms, bare, own):
        assert "ICC-header:ProfileVersion" in found, "the profile always stays"


@needs_exiftool
@pytest.mark.parametrize("delivery", ["web", "print", "png", "webp", "avif", "jxl"])
def test_no_format_loses_a_character_in_exif(made: Path, delivery: str) -> None:
    (path,) = (made / "deliveries" / delivery).glob("F0002.*")
    found = tags(path)
    assert found["IFD0:ImageDescription"] == found["XMP-dc:Description"] == "Émail, Лампа"
    assert found.get("IFD0:Orientation", "Horizontal (normal)") == "Horizontal (normal)"


@needs_exiftool
def test_a_retouched_picture_says_so_and_where_it_comes_from(made: Path) -> None:
    with Manifest.open(made) as manifest:
        found = survey(made, manifest)
        states = found.states
        (sent,) = (trip for trip in states["F0001"].trips if hasattr(trip, "document_id"))
    plain, edited = (tags(made / f"deliveries/web/{name}.jpg") for name in ("F0002", "F0001"))
    assert plain["XMP-iptcExt:DigitalSourceType"].endswith("/digitalCapture")
    assert edited["XMP-iptcExt:DigitalSourceType"].endswith("/humanEdits")
    assert edited["XMP-xmpMM:DocumentID"] == sent.document_id
    assert edited["XMP-xmpMM:DerivedFrom"]["InstanceID"] == sent.instance_id
    assert plain["XMP-xmpMM:DocumentID"] != sent.document_id
    assert [event["Action"] for event in plain["XMP-xmpMM:History"]] == ["created", "produced"]
    actions = [event["Action"] for event in edited["XMP-xmpMM:History"]]
    assert actions == ["created", "edited", "produced"]
    version = states["F0001"].latest
    assert version is not None
    stands = f"recipe {version.key}, version {version.number}"
    assert edited["XMP-xmpMM:History"][-1]["Parameters"] == stands
    print_id = tags(made / "deliveries/print/F0001.tif")["XMP-xmpMM:InstanceID"]
    assert print_id != edited["XMP-xmpMM:InstanceID"]


@needs_exiftool
def test_files_made_again_are_the_same_to_the_byte(made: Path, tmp_path: Path) -> None:
    job = shutil.copytree(made, tmp_path / "job")
    before = digests(job, "deliveries")
    shutil.rmtree(job / "deliveries")
    names = [*ALL, "own"]
    assert len(run(job, deliveries=names, engine=InProcess()).delivered) == 2 * len(names)
    assert digests(job, "deliveries") == before


@needs_exiftool
def test_what_changes_leads_to_the_files_that_carry_it(made: Path, tmp_path: Path) -> None:
    job = shutil.copytree(made, tmp_path / "job")
    names = ["web", "print", "terms", "bare"]
    assert run(job, deliveries=names, engine=InProcess()).delivered == []
    caption = "caption: {alt_text: Une lampe, source_type: computationalCapture}"
    (job / "frames/F0002.yaml").write_text(f"frame: F0002\n{caption}\n")
    done = run(job, deliveries=names, engine=InProcess())
    assert {(file.delivery, file.frame) for file in done.delivered} == {
        ("web", "F0002"),
        ("print", "F0002"),
    }
    found = tags(job / "deliveries/web/F0002.jpg")
    assert found["XMP-iptcCore:AltTextAccessibility"] == "Une lampe"
    assert found["XMP-iptcExt:DigitalSourceType"].endswith("/computationalCapture")
    edit(job / "job.yaml", "data_mining: prohibited", "data_mining: allowed")
    with Manifest.open(job) as manifest:
        planned = [a for a in survey(job, manifest, (), names).actions if a.action == "deliver"]
    assert {action.delivery for action in planned} == {"web", "print", "terms"}
    assert {action.reason for action in planned} == {
        "data_mining prohibited -> allowed in job.yaml"
    }


@needs_exiftool
def test_an_earlier_version_that_is_approved_is_no_edit(made: Path, tmp_path: Path) -> None:
    """The file says what its own version is, not what the frame has become."""
    job = shutil.copytree(made, tmp_path / "job")
    with Manifest.open(job) as manifest:
        first = manifest.frames()["F0001"].versions[0]
    assert "retouched" not in first.inputs
    with Manifest.open(job, write=True) as manifest:
        manifest.approve("F0001", 1, "Mira", None)
    run(job, deliveries=["web"], engine=InProcess())
    found = tags(job / "deliveries/web/F0001.jpg")
    assert found["XMP-iptcExt:DigitalSourceType"].endswith("/digitalCapture")
    assert f"recipe {first.key}, version 1" in json.dumps(found)


def test_reminders_stop_nothing_and_are_said(safelight, made: Path, tmp_path: Path) -> None:  # noqa: F811
    job = shutil.copytree(made, tmp_path / "job")
    line = f"reminder: no alt text for those who cannot see the picture: F0001, F0002 {CAUTION}\n"
    for command in (("deliver", "web"), ("status",)):
        told = safelight(*command, cwd=job)
        assert told.code == 0
        assert line in told.out
        told = safelight(*command, "--json", cwd=job)
        assert told.json["reminders"] == [line.removeprefix("reminder: ").strip()]
    assert "reminder" not in safelight("deliver", "print", cwd=job).out
