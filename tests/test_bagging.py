"""Packing a delivery, as a user meets it: what is in the bag, what changed, and what is refused."""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import shutil
import sys
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import bagit
import pypdf
import pytest
from PIL import Image

from pipeline.bagging import bag_delivery
from pipeline.cli import main
from pipeline.client_page import page
from pipeline.colour import colour_report
from pipeline.errors import CannotWrite, NotAsRecorded
from pipeline.files import landing
from pipeline.files.bag import examine
from pipeline.parcel import Parcel, changes, size_in_words
from pipeline.proof_sheet import as_pdf
from pipeline.rating import rate
from pipeline.records import PackedBag, PackedFile
from pipeline.run import run
from pipeline.verify import verify
from tests.job_for_tests import InProcess, edit, make_job

FIRST = "small_001_F0001.jpg"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four frames, three of them selects, delivered for the web."""
    job = make_job(tmp_path_factory.mktemp("made") / "job", frames=4, selects=3)
    assert run(job, deliveries=["web"], engine=InProcess()).exit_code == 0
    return job


@pytest.fixture(scope="module")
def packed_once(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    job = shutil.copytree(made, tmp_path_factory.mktemp("packed") / "job")
    bag_delivery(job, "web")
    return job


@pytest.fixture
def job(made: Path, tmp_path: Path) -> Path:
    return shutil.copytree(made, tmp_path / "job")


@pytest.fixture
def packed(packed_once: Path, tmp_path: Path) -> Path:
    """The same, and packed once."""
    return shutil.copytree(packed_once, tmp_path / "job")


@pytest.fixture
def real_sheet() -> None:
    """For tests that look at the proof sheet of a bag that they make."""


@pytest.fixture(autouse=True)
def quick_sheet(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Setting type takes longer than all the rest of a small bag."""
    if "real_sheet" not in request.fixturenames:
        monkeypatch.setattr("pipeline.proof_sheet.as_pdf", lambda *_: b"%PDF-1.7\n")


@pytest.fixture
def safelight(monkeypatch, capsys):
    """Exit code, standard output and standard error of the command."""

    def call(*arguments: str, cwd: Path) -> tuple[int, str, str]:
        monkeypatch.chdir(cwd)
        monkeypatch.setattr(sys, "argv", ["safelight", *arguments])
        with pytest.raises(SystemExit) as end:
            main()
        return (end.value.code or 0, *capsys.readouterr())

    return call


def what_lies_in(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


def rot(path: Path) -> None:
    """One bit, with size and time as before."""
    mode, before = path.stat().st_mode, path.stat()
    path.chmod(0o644)
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    path.chmod(mode)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def look_changes(job: Path, frames: str = "F0002") -> None:
    """A person changes one frame, and it is delivered anew."""
    path = job / f"frames/{frames}.yaml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(f"frame: {frames}\nadjust:\n  - expose: {{stops: 0.4}}\n")


# --- what is in the bag ---


def test_the_first_bag(safelight, job: Path) -> None:
    code, out, err = safelight("pack", "web", cwd=job)
    assert (code, out, err) == (0, "web_0001: 3 pictures packed in packed/web_0001.\n", "")
    bag = job / "packed/web_0001"
    assert what_lies_in(bag / "data") == [
        "changes.json", "changes.txt", "index.html", "proof.pdf",
        FIRST, "small_002_F0002.jpg", "small_003_F0003.jpg",
    ]  # fmt: skip
    for path in (job / "deliveries/web").iterdir():
        assert (bag / "data" / path.name).read_bytes() == path.read_bytes()
    assert what_lies_in(job / "packed") == [
        "web_0001", *(f"web_0001/{path}" for path in what_lies_in(bag))
    ]  # fmt: skip
    assert {p.stat().st_mode & 0o777 for p in bag.rglob("*") if p.is_file()} == {0o444}


def test_the_reference_reads_it(packed: Path) -> None:
    theirs = bagit.Bag(str(packed / "packed/web_0001"))
    theirs.validate()
    info = theirs.info
    assert (info["Client"], info["Job"], info["Delivery"]) == ("Ferrow Enamelware", "small", "web")
    assert info["External-Identifier"] == "web_0001"
    assert info["Bag-Software-Agent"].startswith("Safelight ")
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", info["Bagging-Date"])
    assert info["Version"][0] == f"F0001 v1 {FIRST}"
    assert examine(packed / "packed/web_0001").flaws == []


def test_what_is_said_of_each_file(packed: Path) -> None:
    data = packed / "packed/web_0001/data"
    said = json.loads((data / "changes.json").read_text())
    assert (said["bag"], said["since"]) == ("web_0001", None)
    for file in said["files"]:
        content = (data / file["file"]).read_bytes()
        assert file["sha256"] == hashlib.sha256(content).hexdigest()
        assert file["size_bytes"] == len(content)
        with Image.open(io.BytesIO(content)) as picture:
            assert (file["width"], file["height"]) == picture.size
        assert (file["change"], file["version"], file["before"]) == ("new", 1, None)
    text = (data / "changes.txt").read_text()
    first = said["files"][0]
    assert f"  100 × 70 pixels, {first['size_bytes']} bytes\n  sha256 {first['sha256']}\n" in text
    assert "3 new." in text


def test_nothing_changed(safelight, packed: Path) -> None:
    before = what_lies_in(packed)
    code, out, err = safelight("pack", "web", cwd=packed)
    assert (code, err) == (0, "")
    assert out == "nothing changed since web_0001: 3 pictures in packed/web_0001.\n"
    assert what_lies_in(packed) == before


def test_what_changed_since_the_last_bag(safelight, packed: Path, real_sheet: None) -> None:
    look_changes(packed)
    edit(packed / "job.yaml", "selects: rating >= 4", "selects: rating >= 3")
    safelight("rate", "3", "F0004", cwd=packed)
    safelight("rate", "0", "F0003", cwd=packed)
    run(packed, deliveries=["web"], engine=InProcess())
    first = what_lies_in(packed / "packed/web_0001")
    code, out, _ = safelight("pack", "web", cwd=packed)
    assert code == 0
    assert out.splitlines() == [
        "F0002: replaced, v1 → v2",
        "F0004: new, v1",
        "F0003: withdrawn, v1",
        "not inside: F0003: no longer part of web, which still holds v1",
        "web_0002: 3 pictures packed in packed/web_0002; since web_0001: 1 new, 1 replaced, "
        "1 withdrawn, 1 unchanged.",
    ]
    assert what_lies_in(packed / "packed/web_0001") == first
    said = json.loads((packed / "packed/web_0002/data/changes.json").read_text())
    assert said["since"] == "web_0001"
    assert {file["frame"]: file["change"] for file in said["files"]} == {
        "F0001": "unchanged", "F0002": "replaced", "F0003": "withdrawn", "F0004": "new",
    }  # fmt: skip
    [replaced] = [file for file in said["files"] if file["change"] == "replaced"]
    assert (replaced["before"]["version"], replaced["version"]) == (1, 2)
    assert replaced["before"]["sha256"] != replaced["sha256"]
    text = (packed / "packed/web_0002/data/changes.txt").read_text()
    assert "frame F0002, v1 → v2" in text
    assert "why" not in text  # the photographer's reasons stay at home
    assert safelight("verify", cwd=packed)[0] == 0
    code, out, _ = safelight("history", "F0002", cwd=packed)
    assert "packed, web_0001: new, v1" in out
    assert "packed, web_0002: replaced, v1 → v2" in out


def test_a_number_that_a_client_has_stays_with_its_picture(packed: Path) -> None:
    """A frame leaves, one joins between the others, and the first comes back."""

    def names() -> list[str]:
        assert run(packed, deliveries=["web"], engine=InProcess()).exit_code == 0
        inside = packed / bag_delivery(packed, "web").folder / "data"
        return sorted(path.name for path in inside.glob("*.jpg"))

    rate(packed, -1, ["F0002"])
    assert names() == [FIRST, "small_003_F0003.jpg"]
    rate(packed, 5, ["F0004"])
    assert names() == [FIRST, "small_003_F0003.jpg", "small_004_F0004.jpg"]
    rate(packed, 5, ["F0002"])
    assert names() == [
        FIRST, "small_002_F0002.jpg", "small_003_F0003.jpg", "small_004_F0004.jpg"
    ]  # fmt: skip


def test_until_then_numbers_follow_the_order_of_capture(job: Path) -> None:
    rate(job, -1, ["F0001"])
    run(job, deliveries=["web"], engine=InProcess())
    delivered = {path.name for path in (job / "deliveries/web").iterdir()}
    assert {"small_001_F0002.jpg", "small_002_F0003.jpg"} <= delivered


def test_as_json(safelight, packed: Path) -> None:
    code, out, _ = safelight("pack", "web", "--zip", "--json", cwd=packed)
    said = json.loads(out)
    assert code == 0
    assert (said["bag"], said["made"]) == ("packed/web_0001", False)
    assert said["zip"] == "packed/web_0001.zip"
    assert (packed / said["zip"]).is_file()
    assert {change["change"] for change in said["changes"]} == {"unchanged"}


def test_two_deliveries_have_numbers_of_their_own(job: Path) -> None:
    run(job, deliveries=["web", "print"], engine=InProcess())
    assert bag_delivery(job, "web").folder == "packed/web_0001"
    assert bag_delivery(job, "print").folder == "packed/print_0001"
    said = json.loads((job / "packed/print_0001/data/changes.json").read_text())
    assert (said["files"][0]["width"], said["files"][0]["height"]) == (200, 140)


# --- what is not inside, and what is refused ---


def test_nothing_is_delivered_yet(safelight, job: Path) -> None:
    code, out, err = safelight("pack", "print", cwd=job)
    assert (code, out) == (2, "")
    assert err == "print: nothing is delivered yet; safelight deliver print makes its files\n"
    assert not (job / "packed").exists() or what_lies_in(job / "packed") == []


def test_no_such_delivery(safelight, job: Path) -> None:
    code, _, err = safelight("pack", "webb", cwd=job)
    assert code == 2
    assert "no delivery called webb" in err
    assert "web" in err


def test_a_stale_frame_is_named_and_not_inside(safelight, job: Path) -> None:
    look_changes(job)
    code, out, _ = safelight("pack", "web", cwd=job)
    assert code == 0
    assert out.startswith("not inside: F0002: v1 -> v2")
    assert "small_002_F0002.jpg" not in what_lies_in(job / "packed/web_0001/data")
    assert "F0002" not in (job / "packed/web_0001/data/changes.txt").read_text()


def test_a_frame_that_is_to_be_handed_off_is_held_back(safelight, packed: Path) -> None:
    safelight("ask", "F0001", "take out the cable", cwd=packed)
    code, out, _ = safelight("pack", "web", cwd=packed)
    assert code == 0
    assert 'not inside: F0001: to be handed off: "take out the cable"' in out
    assert FIRST not in what_lies_in(packed / "packed/web_0002/data")
    text = (packed / "packed/web_0002/data/changes.txt").read_text()
    assert "Withdrawn" in text
    assert "cable" not in text
    # unless a person approved it as it is
    safelight("approve", "F0001", cwd=packed)
    safelight("deliver", "web", cwd=packed)
    safelight("pack", "web", cwd=packed)
    assert FIRST in what_lies_in(packed / "packed/web_0003/data")


def test_what_a_person_approved_goes_whatever_changed_since(safelight, job: Path) -> None:
    safelight("approve", "F0002", cwd=job)
    look_changes(job)
    code, out, _ = safelight("pack", "web", cwd=job)
    assert (code, out) == (0, "web_0001: 3 pictures packed in packed/web_0001.\n")


def test_nothing_is_left_to_pack(safelight, job: Path) -> None:
    edit(job / "recipes/look.yaml", "stops: 0.1", "stops: 0.2")
    code, _, err = safelight("pack", "web", cwd=job)
    assert code == 2
    assert err.startswith("web: nothing of it can be packed: F0001 and 2 more: ")
    assert err.endswith("; safelight deliver web makes what is asked for now\n")


def test_a_file_that_is_not_what_was_recorded(safelight, job: Path) -> None:
    rot(job / "deliveries/web/small_003_F0003.jpg")
    code, out, err = safelight("pack", "web", cwd=job)
    assert (code, out) == (3, "")
    assert err.startswith(
        "deliveries/web/small_003_F0003.jpg: its content is not what was recorded"
    )
    assert what_lies_in(job / "packed") == []
    # what it advises helps
    (job / "deliveries/web/small_003_F0003.jpg").unlink()
    code, _, err = safelight("pack", "web", cwd=job)
    assert code == 3
    assert "safelight deliver web makes it again" in err
    run(job, deliveries=["web"], engine=InProcess())
    assert safelight("pack", "web", cwd=job)[:2] == (
        0,
        "web_0001: 3 pictures packed in packed/web_0001.\n",
    )


def test_a_link_is_no_delivered_file(safelight, job: Path) -> None:
    path = job / "deliveries/web" / FIRST
    path.rename(job / "aside.jpg")
    path.symlink_to(job / "aside.jpg")
    code, _, err = safelight("pack", "web", cwd=job)
    assert code == 3
    assert "it is no file of its own" in err
    assert what_lies_in(job / "packed") == []


def test_somebody_elses_folder_is_not_touched(safelight, job: Path) -> None:
    (job / "packed/web_0001").mkdir(parents=True)
    (job / "packed/web_0001/mine").write_text("mine")
    for _ in range(2):  # nor by the next, which removes what killed ones left
        code, _, err = safelight("pack", "web", cwd=job)
        assert code == 1
        assert "no packing of this job made it" in err
    assert what_lies_in(job / "packed") == ["web_0001", "web_0001/mine"]


def test_a_bag_that_was_moved_away_is_made_again_under_the_next_number(packed: Path) -> None:
    shutil.move(packed / "packed/web_0001", packed.parent)
    done = bag_delivery(packed, "web")
    assert (done.made, done.folder) == (True, "packed/web_0002")
    assert {change.what for change in done.changes} == {"unchanged"}


# --- whole or not at all ---


@pytest.mark.parametrize("step", ["land", "land_folder"])
def test_a_full_disk_leaves_nothing(safelight, job: Path, monkeypatch, step: str) -> None:
    def full(*_: object, **__: object) -> None:
        raise CannotWrite("packed: cannot be written, because the disk is full")

    monkeypatch.setattr(f"pipeline.files.{'bag' if step == 'land' else 'landing'}.{step}", full)
    code, _, err = safelight("pack", "web", cwd=job)
    assert (code, err) == (1, "packed: cannot be written, because the disk is full\n")
    assert what_lies_in(job / "packed") == []
    monkeypatch.undo()
    assert bag_delivery(job, "web").folder == "packed/web_0001"


class Killed(BaseException):
    """Stands for SIGKILL: nothing that a program would do on its way out is done."""


@pytest.mark.parametrize("when", ["before the rename", "after the rename"])
def test_what_a_kill_leaves_is_no_bag_and_goes(job: Path, monkeypatch, when: str) -> None:
    real = landing.land_folder

    def killed(part: Path, final: Path) -> None:
        if when == "after the rename":
            real(part, final)
        raise Killed

    monkeypatch.setattr(landing, "land_folder", killed)
    monkeypatch.setattr(landing, "remove_folder", lambda *_: None)
    with pytest.raises(Killed):
        bag_delivery(job, "web")
    monkeypatch.undo()
    left = [path.name for path in (job / "packed").iterdir()]
    assert left == ["web_0001"] or all(name.startswith(".safelight-") for name in left)
    done = bag_delivery(job, "web")
    assert (done.made, done.folder) == (True, "packed/web_0001")
    assert [path.name for path in (job / "packed").iterdir()] == ["web_0001"]
    assert verify(job)[1] == []


# --- reading it again ---


def test_verify_reads_what_was_packed(safelight, packed: Path) -> None:
    files = len([p for p in (packed / "packed").rglob("*") if p.is_file()])
    code, out, err = safelight("verify", cwd=packed)
    assert (code, err) == (0, "")
    assert out == f"{4 + 3 + 3 + files} files read again; none not as recorded.\n"


@pytest.mark.parametrize(
    ("name", "whose"),
    [(f"data/{FIRST}", "F0001"), ("data/proof.pdf", "web"), ("bag-info.txt", "web")],
)
def test_verify_finds_one_bit(safelight, packed: Path, name: str, whose: str) -> None:
    rot(packed / "packed/web_0001" / name)
    code, _, err = safelight("verify", cwd=packed)
    assert code == 3
    assert err.startswith(f"{whose}: bag: packed/web_0001/{name}: is damaged")


def test_verify_finds_what_is_missing_and_what_is_more(packed: Path) -> None:
    data = packed / "packed/web_0001/data"
    (data / FIRST).unlink()
    (data / "more.jpg").write_bytes(b"more")
    found = {(finding.path, finding.what) for finding in verify(packed)[1]}
    assert (f"packed/web_0001/data/{FIRST}", "is missing") in found
    assert any(path.endswith("data/more.jpg") and "no manifest" in what for path, what in found)


def test_verify_finds_a_bag_that_agrees_with_itself_and_is_another(packed: Path) -> None:
    bag = packed / "packed/web_0001"
    (bag / f"data/{FIRST}").chmod(0o644)
    (bag / f"data/{FIRST}").write_bytes(b"another picture")
    bagit_again(bag)
    assert examine(bag).valid
    [finding] = verify(packed)[1]
    assert finding.what == "it agrees with itself, and is not the bag that was packed"


def bagit_again(bag: Path) -> None:
    """All lists of a bag written anew, as somebody would who wants to deceive."""
    for path in bag.rglob("*"):
        path.chmod(0o755)
    info = re.sub(r"Payload-Oxum: .*\n", "", (bag / "bag-info.txt").read_text())
    (bag / "bag-info.txt").write_text(info)
    for name, files in {
        "manifest-sha256.txt": sorted(p for p in (bag / "data").rglob("*") if p.is_file()),
        "tagmanifest-sha256.txt": [
            bag / "bag-info.txt", bag / "bagit.txt", bag / "manifest-sha256.txt"
        ],
    }.items():  # fmt: skip
        sums = (hashlib.sha256(path.read_bytes()).hexdigest() for path in files)
        lines = (
            f"{value}  {path.relative_to(bag).as_posix()}\n"
            for value, path in zip(sums, files, strict=True)
        )
        (bag / name).write_text("".join(lines))


def test_verify_finds_a_bag_that_is_gone_and_one_that_is_not_ours(packed: Path) -> None:
    shutil.copytree(packed / "packed/web_0001", packed / "packed/other")
    shutil.rmtree(packed / "packed/web_0001")
    assert [(finding.path, finding.what) for finding in verify(packed)[1]] == [
        ("packed/other", "no packing of this job made it"),
        ("packed/web_0001", "missing"),
    ]


def test_verify_reads_the_zip_too(packed: Path) -> None:
    bag_delivery(packed, "web", zipped=True)
    assert verify(packed)[1] == []
    rot(packed / "packed/web_0001.zip")
    findings = verify(packed)[1]
    assert [finding.path for finding in findings] == ["packed/web_0001.zip"]


def test_no_zip_is_made_of_a_bag_that_is_damaged(packed: Path) -> None:
    rot(packed / "packed/web_0001/data" / FIRST)
    with pytest.raises(NotAsRecorded, match="is damaged"):
        bag_delivery(packed, "web", zipped=True)
    assert not (packed / "packed/web_0001.zip").exists()


# --- the page and the sheet ---


class Links(HTMLParser):
    """Every attribute that can name a place, and every element."""

    PLACES = frozenset({"href", "src", "srcset", "action", "data", "poster", "background", "cite"})

    def __init__(self, html: str) -> None:
        super().__init__()
        self.places: list[str] = []
        self.elements: set[str] = set()
        self.policies: list[str] = []
        self.handlers: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.add(tag)
        self.places += [value or "" for name, value in attrs if name in self.PLACES]
        self.handlers += [name for name, _ in attrs if name.startswith("on") or name == "style"]
        given = dict(attrs)
        if given.get("http-equiv", "") == "Content-Security-Policy":
            self.policies.append(given["content"] or "")


def assert_stays_inside(html: str, bag_data: Path) -> None:
    links = Links(html)
    for place in links.places:
        parts = urlsplit(place)
        if parts.scheme == "data":
            assert place.startswith("data:image/jpeg;base64,")
            continue
        assert (parts.scheme, parts.netloc, parts.query, parts.fragment) == ("", "", "", "")
        target = (bag_data / unquote(parts.path)).resolve()
        assert target.is_relative_to(bag_data.resolve())
        assert target.is_file(), place
    assert "script" not in links.elements
    assert links.handlers == []
    assert re.search(r"url\(|@import|https?:|//[a-z]", html) is None
    [policy] = links.policies
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["img-src"] == "data:"
    assert rules["base-uri"] == rules["form-action"] == "'none'"
    assert "unsafe" not in policy


def test_no_place_that_the_page_names_is_outside_the_bag(packed: Path) -> None:
    data = packed / "packed/web_0001/data"
    html = (data / "index.html").read_text()
    assert_stays_inside(html, data)
    links = Links(html)
    assert {FIRST, "proof.pdf", "changes.txt"} <= set(links.places)
    assert sum(place.startswith("data:") for place in links.places) == 3


def test_the_style_is_the_one_that_the_policy_allows(packed: Path) -> None:
    """W3C Content Security Policy 3, section 2.3.1: the base64 of the SHA-256 of the element."""
    import base64

    html = (packed / "packed/web_0001/data/index.html").read_text()
    [style] = re.findall(r"<style>(.*?)</style>", html, re.DOTALL)
    value = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    [policy] = Links(html).policies
    assert f"style-src 'sha256-{value}'" in policy


HOSTILE = '"><script>alert(1)</script><img src=//evil.example onerror=x>&amp;\u202e'


def parcel_of(**changed: object) -> tuple[Parcel, dict[str, bytes]]:
    """What a bag says, without a job; with one file or some."""
    files = tuple(
        PackedFile(f"F{n}", f"shoot_{n:03}.jpg", 1 + n % 2, 300, 200, 1000 * n, "ab" * 32, f"d{n}")
        for n in range(1, 24)
    )
    given = {
        "job": "shoot",
        "client": "Ferrow",
        "sender": "Ines Tolland",
        "delivery": "web",
        "number": 2,
        "at": "2026-05-20T10:00:00.000+00:00",
        "files": files,
        "previous": PackedBag("web", 1, "2026-05-19T10:00:00.000+00:00", "", files[:2]),
        "texts": {"F1": "A lamp on the quay."},
        **changed,
    }
    small = io.BytesIO()
    Image.new("RGB", (48, 32), (90, 120, 150)).save(small, "JPEG")
    return Parcel(**given), {file.frame: small.getvalue() for file in given["files"]}


def test_names_cannot_become_markup(tmp_path: Path) -> None:
    parcel, pictures = parcel_of(job=HOSTILE, client=HOSTILE, sender=HOSTILE, texts={"F1": HOSTILE})
    html = page(parcel, pictures)
    links = Links(html)
    assert "script" not in links.elements
    assert links.handlers == []
    assert "\u202e" not in html
    assert all(not place.startswith("//") for place in links.places)
    assert {"F1", "F2"} <= set(re.findall(r"frame (F\d+),", html))
    as_pdf(parcel, pictures)  # which sets it, whatever it is


def test_names_that_urls_would_read_otherwise(tmp_path: Path) -> None:
    name = "a#b?c%d e&f:g.jpg"
    file = PackedFile("F1", name, 1, 300, 200, 1000, "ab" * 32, "d")
    parcel, pictures = parcel_of(files=(file,), previous=None)
    for beside in (name, "proof.pdf", "changes.txt"):
        (tmp_path / beside).touch()
    assert_stays_inside(page(parcel, pictures), tmp_path)


def test_the_proof_sheet_says_what_it_shows(packed: Path) -> None:
    reader = pypdf.PdfReader(packed / "packed/web_0001/data/proof.pdf")
    text = reader.pages[0].extract_text()
    for said in (FIRST, "frame F0001, v1", "100 × 70 pixels", "A lamp on the quay.", "web_0001"):
        assert said in text
    assert len(reader.pages[0].images) == 3


def test_the_colour_of_a_product_is_measured_in_the_delivered_file(
    job: Path, real_sheet: None
) -> None:
    """As the colour report has it, for the frame that shows the product, and for no other."""
    (job / "job.yaml").write_text(
        (job / "job.yaml").read_text() + "products:\n  lamp: {lab: [50, 10, 10], tolerance: 2.5}\n"
    )
    (job / "frames").mkdir()
    (job / "frames/F0002.yaml").write_text(
        "frame: F0002\nproducts:\n  lamp: {where: {ellipse: {centre: [0.5, 0.5], "
        "radii: [0.2, 0.2]}}}\n"
    )
    bag_delivery(job, "web")
    [measured] = [each for each in colour_report(job).files if each.products]
    [product] = measured.products
    words = f"lamp ΔE00 {product.difference.de00:.1f}, 2.5 allowed"
    assert product.difference.de00 > 1
    data = job / "packed/web_0001/data"
    html = (data / "index.html").read_text()
    assert html.count("ΔE00") == html.count(words) == 1
    assert html.index("frame F0002") < html.index(words) < html.index("frame F0003")
    text = pypdf.PdfReader(data / "proof.pdf").pages[0].extract_text()
    assert text.count("ΔE00") == text.count(words) == 1


def test_the_proof_sheet_fits_a4_and_letter_with_every_picture_on_it() -> None:
    """A4 is 210 × 297 mm (ISO 216), US Letter 8.5 × 11 inches."""
    parcel, pictures = parcel_of()
    reader = pypdf.PdfReader(io.BytesIO(as_pdf(parcel, pictures)))
    text = "".join(page.extract_text() for page in reader.pages)
    for file in parcel.files:
        assert text.count(f"{file.file}\n") == 1
        assert f"frame {file.frame}, v{file.version}" in text
    margin = 12 / 25.4 * 72
    for sheet in reader.pages:
        width, height = float(sheet.mediabox.width), float(sheet.mediabox.height)
        assert width <= 210 / 25.4 * 72 + 0.01
        assert height <= 11 * 72 + 0.01
        places: list[tuple[float, float]] = []

        def note(operator: bytes, operands: list, matrix: list, _text: list) -> None:
            if operator == b"Do":  # an image of one unit, placed by the matrix
                places.append((matrix[4], matrix[5]))  # noqa: B023 - used before the next page
                places.append((matrix[4] + matrix[0], matrix[5] + matrix[3]))  # noqa: B023

        sheet.extract_text(visitor_operand_before=note)
        assert places
        for across, up in places:
            assert margin <= across <= width - margin
            assert margin <= up <= height - margin


def test_equal_parcels_give_equal_sheets() -> None:
    assert as_pdf(*parcel_of()) == as_pdf(*parcel_of())


# --- changes ---


def test_changes_of_every_kind() -> None:
    def file(frame: str, version: int, name: str | None = None, digest: str = "d") -> PackedFile:
        return PackedFile(frame, name or f"{frame}.jpg", version, 3, 2, 9, digest, digest)

    before = (file("A", 1), file("B", 1), file("C", 1), file("D", 2), file("E", 1))
    now = (file("A", 1), file("B", 2, digest="e"), file("D", 2, "d2.jpg"), file("F", 1))
    assert [(c.frame, c.what, c.in_words) for c in changes(before, now)] == [
        ("A", "unchanged", "unchanged, v1"),
        ("B", "replaced", "replaced, v1 → v2"),
        ("D", "replaced", "replaced, v2"),
        ("F", "new", "new, v1"),
        ("C", "withdrawn", "withdrawn, v1"),
        ("E", "withdrawn", "withdrawn, v1"),
    ]


# IEC 80000-13: decimal multiples of a byte
@pytest.mark.parametrize(
    ("size", "words"),
    [
        (0, "0 bytes"),
        (999, "999 bytes"),
        (1000, "1 kB"),
        (999_499, "999 kB"),
        (999_500, "1.0 MB"),
        (12_345_678, "12.3 MB"),
        (999_499_999, "999 MB"),
        (999_500_000, "1.0 GB"),
        (2_500_000_000, "2.5 GB"),
    ],
)
def test_sizes_in_words(size: int, words: str) -> None:
    assert size_in_words(size) == words
