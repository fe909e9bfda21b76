"""Contact pages, as a user meets them: order, pictures, words, and what could not be read."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdf
import pytest
import tifffile
from PIL import Image, ImageOps
from scipy import ndimage

from pipeline.cli import main
from pipeline.contact import contact, in_order
from pipeline.contact_sheet import COLUMNS, Contact, Group, Print, as_pdf
from pipeline.files.pages import PPI, png_pages
from pipeline.files.preview import small_original
from pipeline.ingest import ingest
from pipeline.manifest import Manifest
from pipeline.records import Assessed, Capture
from pipeline.run import run
from tests.dng import ASCII, BYTE, COLOR_MATRIX, RATIONAL, SHORT, SRATIONAL, _tags
from tests.job_for_tests import InProcess, make_job, write_job
from tests.sample_records import frame

MILLIMETRES = 25.4 / 72
"""Of PDF's unit (ISO 32000-2, 8.3.2.3)."""
A4, LETTER = (210.0, 297.0), (215.9, 279.4)
"""ISO 216; ANSI/ASME Y14.1."""
ORIENTATION = 274
CORNERS = {"red": (200, 30, 30), "green": (30, 160, 30), "blue": (30, 30, 200), "grey": (150,) * 3}
"""Of an upright picture, row by row."""


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


def upright_picture(width: int = 480, height: int = 320) -> Image.Image:
    """A corner of each colour."""
    quarters = np.array(list(CORNERS.values()), np.uint8).reshape(2, 2, 3)
    return Image.fromarray(quarters.repeat(height // 2, axis=0).repeat(width // 2, axis=1))


def stored(upright: Image.Image, orientation: int) -> Image.Image:
    """The picture that Pillow, by the tag Orientation, turns into ``upright``."""
    turns = [None, *Image.Transpose]
    for turn in turns:
        candidate = upright if turn is None else upright.transpose(turn)
        candidate = candidate.copy()
        candidate.getexif()[ORIENTATION] = orientation
        if np.array_equal(ImageOps.exif_transpose(candidate), upright):
            return candidate
    raise AssertionError(f"nothing is turned upright by {orientation}")


def corners_of(picture: Image.Image) -> list[str]:
    """The name of the colour that is nearest in the middle of each quarter, row by row."""
    pixels = np.asarray(picture.convert("RGB")).astype(int)
    height, width = pixels.shape[:2]
    places = [(height * y // 4, width * x // 4) for y in (1, 3) for x in (1, 3)]
    return [
        min(CORNERS, key=lambda name: np.abs(pixels[place] - CORNERS[name]).sum())
        for place in places
    ]


def write_jpeg(path: Path, picture: Image.Image, orientation: int, taken: str = "") -> None:
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    if taken:
        exif.get_ifd(0x8769)[36867] = taken  # DateTimeOriginal, Exif 2.32, 4.6.5
    picture.save(path, "JPEG", quality=92, exif=exif)


def write_dng_with_preview(
    path: Path,
    preview: Image.Image,
    orientation: int,
    *,
    as_jpeg: bool,
    smaller: tuple[Image.Image, ...] = (),
) -> None:
    """A raw whose first directory is a preview (DNG 1.7.1.0: NewSubFileType 1), plain or JPEG."""
    entries = [
        (50706, BYTE, (1, 4, 0, 0)),
        (50707, BYTE, (1, 1, 0, 0)),
        (50708, ASCII, "Test Camera"),
        (271, ASCII, "Safelamp"),
        (272, ASCII, "Test Camera"),
        (ORIENTATION, SHORT, orientation),
        (50721, SRATIONAL, COLOR_MATRIX),
        (50728, RATIONAL, (0.5, 1.0, 0.6)),
        (50778, SHORT, 21),
    ]
    mosaic = [
        (33421, SHORT, (2, 2)),
        (33422, BYTE, (0, 1, 1, 2)),
        (50717, SHORT, 4095),
    ]
    cfa = np.full((320, 480), 900, np.uint16)

    def write(writer: tifffile.TiffWriter, picture: Image.Image, **options) -> None:
        encoded = io.BytesIO()
        picture.save(encoded, "JPEG", quality=92)
        writer.write(
            iter([encoded.getvalue()]) if as_jpeg else np.asarray(picture),
            shape=(picture.height, picture.width, 3),
            dtype=np.uint8,
            photometric="ycbcr" if as_jpeg else "rgb",
            compression=7 if as_jpeg else None,
            rowsperstrip=picture.height,
            subfiletype=1,
            metadata=None,
            software=False,
            **options,
        )

    with tifffile.TiffWriter(path) as writer:
        write(writer, preview, subifds=1 + len(smaller), extratags=_tags(entries))
        writer.write(
            cfa,
            photometric="cfa",
            subfiletype=0,
            metadata=None,
            software=False,
            extratags=_tags(mosaic),
        )
        for picture in smaller:
            write(writer, picture)


def pages_of(pdf: Path | bytes) -> list[pypdf.PageObject]:
    return list(pypdf.PdfReader(io.BytesIO(pdf) if isinstance(pdf, bytes) else pdf).pages)


def text_of(pdf: Path | bytes) -> str:
    return "\n".join(page.extract_text() for page in pages_of(pdf))


def assert_in_order(names: Iterable[str], text: str) -> None:
    at = 0
    for name in names:
        found = text.find(name, at)
        assert found >= 0, f"{name} is not there, or before the one before it"
        at = found + len(name)


# --- order ---


def shot(name: str, taken_at: str | None, burst: str | None = None):
    state = frame(name, burst=burst)
    capture = replace(state.original.capture, taken_at=taken_at)
    return replace(state, original=replace(state.original, capture=capture))


def test_frames_stand_in_order_of_capture_and_bursts_together() -> None:
    states = [
        shot("A", None),
        shot("B", "2024-10-03T09:00:05"),
        shot("C", "2024-10-03T09:00:01.10", "burst-001"),
        shot("D", "2024-10-03T09:00:01.20"),  # another body, between two of the burst
        shot("E", "2024-10-03T09:00:01.40", "burst-001"),
        shot("F", "2024-10-03T09:00:00"),
    ]
    assert [state.name for state in in_order(states)] == ["F", "C", "E", "D", "B", "A"]


def test_exposure_is_written_as_cameras_write_it() -> None:
    # shutter speeds as they stand on cameras: common practice, no source
    assert Capture(exposure_s=1 / 320, aperture=5.6, iso=400, focal_mm=85).exposure == (
        "1/320 s, f/5.6, ISO 400, 85 mm"
    )
    assert Capture(exposure_s=2.5, iso=100).exposure == "2.5 s, ISO 100"
    assert Capture().exposure == ""


# --- a sheet of many pages ---


def many(count: int = 56) -> tuple[Contact, dict[str, bytes]]:
    """Two setups, a burst over a row's end, names and words of every kind."""
    buffer = io.BytesIO()
    upright_picture(240, 160).save(buffer, "JPEG")
    prints = [
        Print(
            f"QL{number:04}",
            (f"rated {number % 6}, 09:00:{number % 60:02}", "1/320 s, f/5.6, ISO 400, 85 mm"),
            "suggested: the sharpest of its burst, eyes open" if number % 9 == 0 else "",
            "burst-001" if 6 <= number < 18 else None,
        )
        for number in range(count)
    ]
    odd = [
        Print("Лодка_0042", ("unrated, no time noted", "no exposure noted")),
        Print("港の灯", ("unrated, no time noted", "no exposure noted")),
        Print("a-very-long-name-" * 3 + "end", ("rejected, 10:00:00", "no exposure noted")),
        Print("a-very-long-name-" * 20 + "end", ("rejected, 10:00:00", "no exposure noted")),
        Print("QL9999", ("unrated, 10:00:00", "no exposure noted")),
    ]
    groups = (
        Group("quay", f"{count} frames, 2024-10-03, 09:00 to 09:59", tuple(prints)),
        Group("Без имени", f"{len(odd)} frames", tuple(odd)),
    )
    sheet = Contact(
        job="quay-lamps",
        client="Ferrow Enamelware",
        sender="Ines Tolland",
        days="2024-10-03 to 2024-10-04",
        at="2026-05-20T19:00:00+00:00",
        groups=groups,
    )
    names = [each.name for group in groups for each in group.prints]
    return sheet, {name: buffer.getvalue() for name in names if name != "QL9999"}


@pytest.fixture(scope="module")
def long_sheet() -> bytes:
    sheet, pictures = many()
    return as_pdf(sheet, pictures, {"QL9999": "it is damaged or cut short (premature end)"})


def test_it_fits_a4_and_letter(long_sheet: bytes, tmp_path: Path) -> None:
    path = tmp_path / "contact.pdf"
    path.write_bytes(long_sheet)
    said = subprocess.run(
        ["pdfinfo", path], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    facts = dict(line.split(":", 1) for line in said if ":" in line)
    pages = pages_of(long_sheet)
    assert int(facts["Pages"]) == len(pages) > 2
    for page in pages:
        width, height = (float(side) * MILLIMETRES for side in page.mediabox[2:])
        for paper in (A4, LETTER):
            assert width <= paper[0] + 0.01
            assert height <= paper[1] + 0.01


def test_every_frame_is_named_in_order_on_numbered_pages(long_sheet: bytes) -> None:
    sheet, _ = many()
    text = text_of(long_sheet)
    quay, odd = ([each.name for each in group.prints] for group in sheet.groups)
    assert_in_order(["quay", *quay, "Без имени", *odd[:2], "QL9999"], text)
    assert odd[2] in text.replace("\n", "")
    assert "a-very-long-name-a" in text  # of the other the ends alone
    for number, page in enumerate(pages_of(long_sheet), 1):
        written = page.extract_text()
        assert f"page {number} of {len(pages_of(long_sheet))}" in written
        assert "quay-lamps, Ferrow Enamelware, 2024-10-03 to 2024-10-04" in written
    assert "For Ferrow Enamelware, from Ines Tolland" in text
    assert "61 frames, 2024-10-03 to 2024-10-04" in text
    assert "suggested: the sharpest of its burst" in text
    assert "it is damaged or cut short" in text
    assert "continued" in text


def test_a_heading_is_never_parted_from_its_first_row(long_sheet: bytes) -> None:
    for page in pages_of(long_sheet):
        text = page.extract_text()
        for heading, first in (("quay", "QL0000"), ("Без имени", "Лодка_0042")):
            if f"{heading}\n" in text and "continued" not in text.split(heading)[1][:12]:
                assert first in text


def drawn_by_poppler(pdf: bytes, page: int, folder: Path) -> np.ndarray:
    """A page as another renderer draws it: (h, w, 3)."""
    (folder / "sheet.pdf").write_bytes(pdf)
    one = ["-f", str(page), "-l", str(page), "-singlefile", "-r", str(PPI), "-png"]
    subprocess.run(["pdftoppm", *one, "sheet.pdf", "page"], cwd=folder, check=True)
    return np.asarray(Image.open(folder / "page.png").convert("RGB")).astype(float)


def test_pages_as_pictures_are_what_another_renderer_draws(
    long_sheet: bytes, tmp_path: Path
) -> None:
    pages = list(png_pages(long_sheet))
    assert len(pages) == len(pages_of(long_sheet))
    ours = np.asarray(Image.open(io.BytesIO(pages[0]))).astype(float)
    theirs = drawn_by_poppler(long_sheet, 1, tmp_path)
    assert ours.shape[2] == 3
    assert np.abs(np.subtract(ours.shape, theirs.shape)).max() <= 1
    height, width = (min(sides) for sides in zip(ours.shape[:2], theirs.shape[:2], strict=True))
    difference = np.abs(ours[:height, :width] - theirs[:height, :width])
    assert difference.mean() < 3  # edges of letters and pictures alone
    assert ours.std() > 20


def test_a_burst_stands_on_a_ground_of_its_own(long_sheet: bytes, tmp_path: Path) -> None:
    """Frames 6 to 17: the gap between two of them is grey, between others it is white."""
    page = Image.open(io.BytesIO(next(png_pages(long_sheet)))).convert("L")
    shades = np.asarray(page)
    cell = (210 - 2 * 15 - (COLUMNS - 1) * 5) / COLUMNS
    gaps = [
        round((15 + (column + 1) * (cell + 5) - 2.5) / 25.4 * PPI) for column in range(COLUMNS - 1)
    ]
    grounds = [(shades[:, gap] < 250) & (shades[:, gap] > 200) for gap in gaps]
    tall = [int(ground.sum()) / PPI * 25.4 for ground in grounds]
    # on the first page: columns 0 and 1 of row 2 are not of it, columns 2 and 3 are
    assert tall[2] > tall[0] > 60
    assert shades[round(270 / 25.4 * PPI), 5] == 255


def test_equal_arguments_give_equal_bytes() -> None:
    sheet, pictures = many(5)
    sheet = replace(sheet, groups=sheet.groups[:1])  # without the typefaces of many scripts
    assert as_pdf(sheet, pictures, {}) == as_pdf(sheet, pictures, {})


# --- pictures ---


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("as_jpeg", [False, True], ids=["plain", "jpeg"])
def test_an_embedded_preview_is_turned_upright(
    tmp_path: Path, orientation: int, as_jpeg: bool
) -> None:
    """As the sensor lies, which is how cameras keep it (Exif 2.32, 4.6.4, Orientation)."""
    stands = orientation > 4
    upright = upright_picture(320, 480) if stands else upright_picture()
    path = tmp_path / "frame.dng"
    write_dng_with_preview(path, stored(upright, orientation), orientation, as_jpeg=as_jpeg)
    small = Image.open(io.BytesIO(small_original(path, 240)))
    assert small.size == ((160, 240) if stands else (240, 160))
    assert corners_of(small) == list(CORNERS)


def test_no_larger_preview_is_decoded_than_it_takes(tmp_path: Path) -> None:
    path = tmp_path / "frame.dng"
    small, tiny = Image.new("RGB", (480, 320), CORNERS["green"]), Image.new("RGB", (160, 120))
    write_dng_with_preview(
        path, upright_picture(1920, 1280), 1, as_jpeg=True, smaller=(small, tiny)
    )
    assert set(corners_of(Image.open(io.BytesIO(small_original(path, 240))))) == {"green"}
    assert corners_of(Image.open(io.BytesIO(small_original(path, 500)))) == list(CORNERS)


def test_a_preview_that_stands_already_is_left_standing(tmp_path: Path) -> None:
    path = tmp_path / "frame.dng"
    write_dng_with_preview(path, upright_picture(320, 480), 6, as_jpeg=True)
    small = Image.open(io.BytesIO(small_original(path, 240)))
    assert small.size == (160, 240)
    assert corners_of(small) == list(CORNERS)


@pytest.fixture(scope="module")
def turned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job of eight JPEGs, one for each orientation."""
    folder = tmp_path_factory.mktemp("turned")
    (folder / "card").mkdir()
    for orientation in range(1, 9):
        upright = upright_picture(320, 480) if orientation > 4 else upright_picture()
        taken = f"2024:10:03 09:00:0{orientation}"
        path = folder / f"card/T{orientation}.jpg"
        write_jpeg(path, stored(upright, orientation), orientation, taken)
    write_job(folder / "job")
    (folder / "job/setups/daylight.yaml").unlink()
    assert ingest(folder / "job", [folder / "card"]).failed == {}
    return folder / "job"


def pictures_on(page: Image.Image) -> list[Image.Image]:
    """What is on a page, is of one piece, and is no letter; in reading order."""
    grey = np.asarray(page.convert("L")) < 225
    pieces = ndimage.find_objects(ndimage.label(grey)[0])
    found = [(rows, columns) for rows, columns in pieces if rows.stop - rows.start > 60]
    found.sort(key=lambda piece: (piece[0].stop // 20, piece[1].start))
    return [page.crop((c.start, r.start, c.stop, r.stop)) for r, c in found]


def test_pictures_stand_upright_on_the_page_for_every_orientation(
    safelight, turned: Path, tmp_path: Path
) -> None:
    code, out, err = safelight("proof", "--png", cwd=turned)
    assert (code, err) == (0, "")
    assert out.startswith("8 frames on 1 page in ")
    [page] = pages_of(turned / "reports/contact.pdf")
    assert_in_order([f"T{number}" for number in range(1, 9)], page.extract_text())
    [drawn] = (turned / "reports/contact").iterdir()
    assert drawn.name == "page-001.png"
    theirs = drawn_by_poppler((turned / "reports/contact.pdf").read_bytes(), 1, tmp_path)
    for picture in (Image.open(drawn), Image.fromarray(theirs.astype(np.uint8))):
        shown = pictures_on(picture)
        assert len(shown) == 8
        assert [each.width > each.height for each in shown] == [True] * 4 + [False] * 4
        for each in shown:
            assert corners_of(each) == list(CORNERS)


# --- the command ---


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six raws without a preview, three of them in a setup, two developed."""
    job = make_job(tmp_path_factory.mktemp("made") / "job", selects=2)
    (job / "recipes/look.yaml").write_text("recipe: look\nlook:\n  - mono: {}\n")
    assert run(job, engine=InProcess()).exit_code == 0
    return job


def colourful(image) -> bool:
    pixels = np.asarray(Image.open(io.BytesIO(image.data)).convert("RGB")).astype(int)
    return bool((pixels.max(axis=2) - pixels.min(axis=2)).mean() > 12)


def test_current_masters_are_shown_and_others_as_shot(job: Path) -> None:
    done = contact(job, engine=InProcess())
    assert (done.pages, done.frames, done.exit_code) == (1, 6, 0)
    [page] = pages_of(done.pdf)
    # the recipe makes black and white of the two that are developed
    assert [colourful(image) for image in page.images] == [False] * 2 + [True] * 4
    text = page.extract_text()
    assert_in_order(
        ["daylight", "3 frames, 2024-10-03, 09:00 to 09:02", "F0001", "rated 4, 09:00:00", "v1",
         "F0002", "F0003", "unrated, 09:02:00", "no exposure noted", "F0004", "F0006"],
        text,
    )  # fmt: skip
    recipe = job / "recipes/look.yaml"
    before = recipe.read_text()
    recipe.write_text(f"{before}  - expose: {{stops: 0.5}}\n")
    try:
        [page] = pages_of(contact(job, engine=InProcess()).pdf)
    finally:
        recipe.write_text(before)
    assert [colourful(image) for image in page.images] == [True] * 6
    assert "v1" not in page.extract_text()


def test_what_an_assessment_suggests_is_said(job: Path) -> None:
    with Manifest.open(job, write=True) as manifest:
        reasons = ("the sharpest of three",)
        manifest.record_assessed([Assessed("F0003", "key", 1, {}, reasons, suggested=True)])
    done = contact(job, ["F00[03-04]"], to=job / "reports/some.pdf", engine=InProcess())
    text = text_of(done.pdf)
    assert "suggested: the sharpest of three" in text
    assert "F0002" not in text
    assert done.frames == 2


def test_a_frame_that_cannot_be_read_is_named_and_has_a_box(
    safelight, job: Path, monkeypatch
) -> None:
    monkeypatch.setattr("pipeline.workplace.here", InProcess())
    original = job / "originals/F0005.dng"
    whole = original.read_bytes()
    try:
        original.chmod(0o644)
        original.write_bytes(whole[:5000])
        (job / "originals/F0006.dng").rename(job / "aside.dng")
        code, out, err = safelight("proof", "--to", "reports/some.pdf", "--json", cwd=job)
    finally:
        original.write_bytes(whole)
        (job / "aside.dng").rename(job / "originals/F0006.dng")
    said = json.loads(out)
    assert (code, err) == (1, "")
    assert (said["pages"], said["frames"]) == (1, 6)
    assert [each["frame"] for each in said["failed"]] == ["F0005", "F0006"]
    [page] = pages_of(job / "reports/some.pdf")
    assert len(page.images) == 4
    text = page.extract_text().replace("\n", " ")
    for each in said["failed"]:
        assert each["reason"] in text
    assert_in_order(["F0005", "F0006"], text)


def test_pages_of_a_longer_sheet_before_do_not_stay(job: Path) -> None:
    left = job / "reports/short/page-002.png"
    left.parent.mkdir(parents=True)
    left.write_bytes(b"an earlier page")
    (left.parent / "mine.png").write_bytes(b"mine")
    done = contact(job, ["F0001"], to=job / "reports/short.pdf", png=True, engine=InProcess())
    assert sorted(path.name for path in left.parent.iterdir()) == ["mine.png", "page-001.png"]
    width, height = Image.open(done.png[0]).size
    assert width == pytest.approx(210 / 25.4 * PPI, abs=1)
    assert height == pytest.approx(279.4 / 25.4 * PPI, abs=1)


def test_only_those_that_a_condition_holds_for(job: Path) -> None:
    done = contact(
        job, ["F00[02-06]"], where="rating >= 4", to=job / "reports/some.pdf", engine=InProcess()
    )
    assert done.frames == 1
    assert "F0002" in text_of(done.pdf)


@pytest.mark.parametrize(
    ("where", "said"),
    [
        ("rating > 4", "--where: it is true of none of these frames\n"),
        ("ratng > 4", "--where: column 1: "),
    ],
)
def test_a_condition_that_means_nothing(safelight, job: Path, where: str, said: str) -> None:
    code, out, err = safelight("proof", "--where", where, cwd=job)
    assert (code, out) == (2, "")
    assert err.startswith(said)


@pytest.mark.parametrize("name", ["contact.txt", "reports"])
def test_only_a_sheet_is_written_over(safelight, job: Path, name: str) -> None:
    code, out, err = safelight("proof", "--to", name, cwd=job)
    assert (code, out) == (2, "")
    assert err == f'--to: the name "{name}"; allowed: a file that ends in .pdf\n'


def test_a_frame_that_is_not_there_is_named(safelight, job: Path) -> None:
    code, _, err = safelight("proof", "X0001", cwd=job)
    assert code == 2
    assert err.startswith("X0001: no such frame in this job")
