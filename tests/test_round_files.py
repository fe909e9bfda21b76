"""What is in a round's folder, read by other software than ours.

exiftool for tags and identity; OpenCV, tifffile, libvips and Pillow for pixels; littlecms for the
profile; pypdf for the request sheet; sha256sum for the list.
"""

from __future__ import annotations

import io
import json
import shutil
import subprocess
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from pipeline.engines import Task
from pipeline.files.encode import tiff
from pipeline.files.identity import identity_of, xmp_of
from pipeline.handoff import hand_off
from pipeline.hashing import digest_file
from pipeline.ingest import ingest
from pipeline.outlines import numbered
from pipeline.rating import rate
from pipeline.records import Artifact, Request, Round
from pipeline.request_sheet import MUST, as_pdf, as_text
from pipeline.round_files import pack, write_sheets
from pipeline.rounds import Identity, Packed, PackWork, Retouched, SheetFrame, SheetWork
from tests.dng import mosaic_of, write_dng
from tests.job_for_tests import InProcess, write_job

cv2 = pytest.importorskip("cv2")
pyvips = pytest.importorskip("pyvips")
pypdf = pytest.importorskip("pypdf")

WIDTH, HEIGHT = 320, 224
CABLE = "take out the cable, уберите провод"
# a bright square on the right in the upper part of the upright scene, as shares
SQUARE = (0.7, 0.15, 0.85, 0.35)
ORIENTATIONS = {"F0001": 1, "F0002": 6, "F0003": 8}
ASKS = f"""\
retouch:
  due: 2124-10-20
  ask:
    - {{what: "{CABLE}", where: {{tones: {{from: 1, soft: 0.5}}}}, must: true}}
    - {{what: "mind the corner", where: {{polygon: [[0, 0], [0.5, 0], [0.5, 0.25], [0, 0.25]]}}}}
    - {{what: "what was painted", where: {{painted: masks/FRAME.png}}}}
    - {{what: "keep the grain 🙂"}}
    - {{what: "nothing is there", where: {{tones: {{from: 9, soft: 0.5}}}}}}
"""


class _Recording(InProcess):
    """Works in this process and keeps what it was given."""

    def __init__(self) -> None:
        super().__init__()
        self.works: list = []

    def run(self, tasks: Iterable[Task]):
        for task in tasks:
            self.works.append(task.work)
            yield from super().run([task])

    def packing(self, frame: str) -> PackWork:
        return next(w for w in self.works if isinstance(w, PackWork) and w.frame == frame)


@pytest.fixture(scope="module")
def round_(tmp_path_factory) -> tuple[Path, _Recording]:
    """A round of three frames, one for each way to hold a camera; and what the workers got."""
    folder = tmp_path_factory.mktemp("round")
    job = folder / "job"
    for name, orientation in ORIENTATIONS.items():
        _write_raw(folder / "card" / f"{name}.dng", orientation)
    write_job(job)
    (job / "masks").mkdir()
    (job / "frames").mkdir()
    for name, orientation in ORIENTATIONS.items():
        (job / f"frames/{name}.yaml").write_text(f"frame: {name}\n" + ASKS.replace("FRAME", name))
        width, height = (HEIGHT, WIDTH) if orientation >= 5 else (WIDTH, HEIGHT)
        painted = np.zeros((height, width), np.uint8)
        painted[10:20, 30:60] = 255
        Image.fromarray(painted).save(job / f"masks/{name}.png")
    assert ingest(job, [folder / "card"]).failed == {}
    rate(job, 4, list(ORIENTATIONS))
    engine = _Recording()
    done = hand_off(job, [], "Mira Sønderby", engine=engine)
    assert done.failed == {}
    assert sorted(done.notes)[0].startswith(
        "F0001: request 5 (nothing is there): its mask selects nothing"
    )
    return job / "retouch/round-01/out", engine


def _write_raw(path: Path, orientation: int) -> None:
    """A grey scene, brighter downwards, with a bright square; the sensor is held as told."""
    width, height = (HEIGHT, WIDTH) if orientation >= 5 else (WIDTH, HEIGHT)
    scene = (
        np.full((height, width, 3), 300.0)
        + 200 * np.mgrid[0:height, 0:width][0][..., None] / height
    )
    left, top, right, bottom = SQUARE
    scene[int(top * height) : int(bottom * height), int(left * width) : int(right * width)] = 2600
    # Exif 2.32: 6 is shown upright by turning it 90° clockwise, 8 by turning it 270° clockwise
    stored = np.rot90(scene, {1: 0, 6: 1, 8: -1}[orientation])
    noise = np.random.default_rng(3).normal(0, 4, stored.shape)
    path.parent.mkdir(exist_ok=True)
    codes = (stored * (0.5, 1.0, 0.6) + noise + 256).clip(0, 4095).astype(np.uint16)
    write_dng(path, mosaic_of(codes), black=256, white=4095, orientation=orientation)


def _tags(path: Path) -> dict[str, object]:
    found = subprocess.run(
        ["exiftool", "-json", "-G1", "-a", "-n", str(path)],
        capture_output=True, check=True, text=True,
    )  # fmt: skip
    (row,) = json.loads(found.stdout)
    return row


def _vips(path: Path) -> np.ndarray:
    return np.asarray(pyvips.Image.new_from_file(str(path)))


# --- the TIFF ---


def test_the_folder_holds_what_it_should(round_) -> None:
    out, _ = round_
    of_each = [
        ".tif",
        "_mask-1.png",
        "_mask-2.png",
        "_mask-3.png",
        "_reference.jpg",
        "_requests.jpg",
    ]
    expected = {f"{name}_round-01_v1{ending}" for name in ORIENTATIONS for ending in of_each}
    names = {path.name for path in out.iterdir()}
    assert names == expected | {"requests.pdf", "requests.txt", "SHA256SUMS"}


def test_tags_and_identity_read_by_exiftool(round_) -> None:
    out, engine = round_
    tags = _tags(out / "F0002_round-01_v1.tif")
    assert (tags["IFD0:ImageWidth"], tags["IFD0:ImageHeight"]) == (HEIGHT, WIDTH)
    assert tags["IFD0:BitsPerSample"] == "16 16 16"
    # TIFF 6.0 and the Technical Notes of 2002: 8 deflate, 2 horizontal differences, 2 inch
    assert (tags["IFD0:Compression"], tags["IFD0:Predictor"]) == (8, 2)
    assert (tags["IFD0:XResolution"], tags["IFD0:YResolution"]) == (300, 300)
    assert (tags["IFD0:ResolutionUnit"], tags["IFD0:Orientation"]) == (2, 1)
    identity = engine.packing("F0002").identity
    assert tags["XMP-xmpMM:DocumentID"] == identity.document_id
    assert tags["XMP-xmpMM:InstanceID"] == identity.instance_id
    assert tags["XMP-xmpMM:DerivedFromInstanceID"] == identity.derived_from
    ours = {key: value for key, value in tags.items() if key.startswith("XMP-safelight:")}
    assert ours == {
        "XMP-safelight:Job": "small",
        "XMP-safelight:Frame": "F0002",
        "XMP-safelight:Round": 1,
        "XMP-safelight:Version": 1,
        "XMP-safelight:Key": identity.key,
    }
    groups = {key.split(":")[0] for key in tags} - {"SourceFile"}
    private = groups - {"ExifTool", "System", "File", "IFD0", "Composite", "XMP-xmpMM",
                        "XMP-safelight", "ICC-header", "ICC_Profile"}  # fmt: skip
    assert private == set(), "nothing of camera, place or people"
    assert not {"IFD0:Make", "IFD0:Model", "IFD0:Artist", "IFD0:Software"} & set(tags)


@pytest.mark.parametrize("frame", ORIENTATIONS)
def test_every_reader_sees_the_same_pixels(round_, frame: str) -> None:
    out, _ = round_
    path = out / f"{frame}_round-01_v1.tif"
    master = tifffile.imread(out.parents[2] / f"masters/{frame}_v1.tif")
    assert (tifffile.imread(path) == master).all()
    assert (cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1] == master).all()
    assert (_vips(path) == master).all()
    with Image.open(path) as picture:  # Pillow has no colour pictures of 16 bits: the upper 8
        assert np.abs(np.asarray(picture).astype(int) - (master >> 8)).max() <= 1
    if convert := shutil.which("convert") or shutil.which("magick"):
        raw = subprocess.run(
            [convert, str(path), "-depth", "16", "-endian", "LSB", "rgb:-"],
            capture_output=True, check=True,
        ).stdout  # fmt: skip
        assert (np.frombuffer(raw, "<u2").reshape(master.shape) == master).all()


@pytest.mark.parametrize("size", [(1, 1), (7, 3), (33, 5461), (300, 700)])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_deflated_strips_of_any_size_are_read_back(tmp_path, rng, size, dtype) -> None:
    pixels = rng.integers(0, np.iinfo(dtype).max + 1, (*size, 3)).astype(dtype)
    contents = []
    for threads in (1, 3):
        path = tmp_path / f"{threads}.tif"
        with path.open("wb") as stream:
            tiff(pixels, "romm-rgb", deflated=True, threads=threads)(stream)
        contents.append(path.read_bytes())
        assert (tifffile.imread(path) == pixels).all()
        assert (cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1] == pixels).all()
        assert (_vips(path) == pixels).all()
    assert contents[0] == contents[1]
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        assert page.rowsperstrip * size[1] * 3 * pixels.itemsize <= 1 << 20


def _lab(path: Path, pixels: np.ndarray) -> np.ndarray:
    """L*a*b* of 8-bit codes through a file's own profile, by littlecms."""
    with Image.open(path) as picture:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(picture.info["icc_profile"]))
    to_lab = ImageCms.buildTransform(profile, ImageCms.createProfile("LAB"), "RGB", "LAB")
    lab = np.asarray(ImageCms.applyTransform(Image.fromarray(pixels), to_lab)).astype(int)
    return np.stack([lab[..., 0], *(lab[..., k].astype(np.int8).astype(int) for k in (1, 2))], -1)


def test_the_profile_is_one_that_littlecms_opens(round_) -> None:
    out, _ = round_
    path = out / "F0001_round-01_v1.tif"
    with Image.open(path) as picture:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(picture.info["icc_profile"]))
    assert ImageCms.getProfileDescription(profile).strip() == "ROMM RGB"
    white, grey = _lab(path, np.array([[[255] * 3, [128] * 3]], np.uint8))[0]
    # ISO 22028-2: its white is that of the connection space; L* of (128 / 255) ^ 1.8
    assert abs(white - (255, 0, 0)).max() <= 1
    luminance = (128 / 255) ** 1.8
    assert abs(grey[0] - (116 * luminance ** (1 / 3) - 16) * 2.55) <= 1.5


def test_what_came_back_in_another_space_is_sent_on_and_not_lost(round_, tmp_path) -> None:
    _, engine = round_
    work = engine.packing("F0001")
    colours = np.zeros((HEIGHT, WIDTH, 3), np.uint16)
    colours[:, : WIDTH // 2] = (52000, 20000, 30000)
    colours[:, WIDTH // 2 :] = (9000, 30000, 41000)
    back = tmp_path / "back.tif"
    with back.open("wb") as stream:
        tiff(colours, "adobe-rgb")(stream)
    base = Retouched(back, digest_file(back), "adobe-rgb")
    sent = pack(replace(work, base=base, folder=work.job / "again")).sent
    path = work.job / sent.path
    after = tifffile.imread(path)
    assert after.shape == colours.shape
    labs = [
        _lab(file, (pixels[:1, [5, -5]] / 257).round().astype(np.uint8))
        for file, pixels in ((back, colours), (path, after))
    ]
    assert np.abs(labs[0] - labs[1]).max() <= 2, "of 255, through the profiles of both files"
    kept = pack(replace(work, base=base, folder=work.job / "kept", space="adobe-rgb")).sent
    assert (tifffile.imread(work.job / kept.path) == colours).all()


def test_a_repeated_attempt_gives_the_same_bytes(round_) -> None:
    out, engine = round_
    work = engine.packing("F0003")
    again = pack(replace(work, folder=work.job / "repeated"))
    assert len(again.sha256) == 6
    for name in again.sha256:
        assert (work.job / "repeated" / name).read_bytes() == (out / name).read_bytes()


# --- the reference, the places ---


@pytest.mark.parametrize("frame", ORIENTATIONS)
def test_masks_lie_over_what_they_are_about(round_, frame: str) -> None:
    out, _ = round_
    stem = f"{frame}_round-01_v1"
    picture = tifffile.imread(out / f"{stem}.tif")
    height, width = picture.shape[:2]
    assert (width > height) == (frame == "F0001"), "upright"
    masks = {}
    for number in (1, 2, 3):
        with Image.open(out / f"{stem}_mask-{number}.png") as mask:
            assert (mask.mode, mask.size) == ("L", (width, height))
            masks[number] = np.asarray(mask)
    left, top, right, bottom = SQUARE
    square = (
        slice(int(top * height), int(bottom * height)),
        slice(int(left * width), int(right * width)),
    )
    bright = picture[..., 1] > 30000
    assert bright[square].mean() > 0.95
    assert bright.sum() < 1.1 * bright[square].size
    found = masks[1] > 127
    assert (found & bright).sum() / (found | bright).sum() > 0.8
    corner = masks[2] > 127
    assert corner[: height // 4, : width // 2].mean() > 0.97
    assert not corner[height // 4 + 2 :].any()
    assert not corner[:, width // 2 + 2 :].any()
    assert (masks[3][10:20, 30:60] > 127).mean() > 0.9
    assert (masks[3] > 127).sum() <= 12 * 32


def test_pictures_to_look_at_are_srgb_and_show_the_frame(round_) -> None:
    out, _ = round_
    with Image.open(out / "F0001_round-01_v1_reference.jpg") as reference:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(reference.info["icc_profile"]))
        seen = np.asarray(reference.convert("L")).astype(int)
    assert ImageCms.getProfileDescription(profile).strip() == "sRGB"
    with Image.open(out / "F0001_round-01_v1_requests.jpg") as overview:
        assert overview.size == (WIDTH, HEIGHT)
        drawn = np.asarray(overview).astype(int)
    # but for single pixels, where the encoder's own colour noise meets an edge
    chroma = np.percentile(np.ptp(drawn, axis=2), 99.9)
    assert chroma < 15, "lines in grey over a grey picture"
    changed = np.abs(drawn[..., 1] - seen) > 60
    assert 0.005 < changed.mean() < 0.2


def test_the_reference_has_the_finish_and_the_tiff_has_not(tmp_path) -> None:
    job = tmp_path / "job"
    _write_raw(tmp_path / "card/F0001.dng", 1)
    write_job(job)
    recipe = (job / "recipes/look.yaml").read_text().replace("{from: as-shot}", "{kelvin: 3000}")
    (job / "recipes/look.yaml").write_text(recipe + "finish: [mono: {}]\n")
    (job / "frames").mkdir()
    ask = "frame: F0001\nretouch: {ask: [{what: warm it}]}\n"
    (job / "frames/F0001.yaml").write_text(ask)
    assert ingest(job, [tmp_path / "card"]).failed == {}
    assert hand_off(job, ["F0001"], "Mira", engine=InProcess()).failed == {}
    out = job / "retouch/round-01/out"
    assert np.ptp(tifffile.imread(out / "F0001_round-01_v1.tif").astype(int), axis=2).max() > 5000
    with Image.open(out / "F0001_round-01_v1_reference.jpg") as reference:
        assert np.ptp(np.asarray(reference).astype(int), axis=2).max() < 4
    assert not list(out.glob("*_requests.jpg")), "no request has a place"


# --- outlines ---


def _disc(y: float, x: float, radius: float, size=(600, 900)) -> np.ndarray:
    rows, columns = np.ogrid[0 : size[0], 0 : size[1]]
    return (np.hypot(rows - y, columns - x) <= radius).astype(np.float32)


@pytest.mark.parametrize("shade", [0, 128, 255])
def test_outlines_show_on_any_ground_and_leave_the_region_itself(shade: int) -> None:
    ground = np.full((600, 900, 3), shade, np.uint8)
    regions = {1: _disc(200, 300, 60), 2: _disc(420, 700, 9), 12: _disc(300, 5, 40)}
    drawn = numbered(ground, regions)
    assert (np.ptp(drawn.astype(int), axis=2) == 0).all(), "neutral"
    for number in (1, 2):
        inside = regions[number] > 0
        assert (drawn[inside] == shade).all(), "neither line nor number covers it"
        around = cv2.dilate(inside.astype(np.uint8), np.ones((13, 13), np.uint8)) > 0
        ring = drawn[around & ~inside].astype(int)
        assert np.abs(ring - shade).max() > 100, "a line that contrasts"
    assert np.ptp(drawn[:, :60].astype(int)) > 100, "what reaches the edge is closed inside it"


def test_numbers_stand_apart(rng) -> None:
    regions = {n: _disc(*rng.uniform((50, 50), (550, 850)), 12) for n in range(1, 31)}
    ground = np.full((600, 900, 3), 200, np.uint8)
    drawn = numbered(ground, regions)
    # the discs' dark middles, told from the lines by their width
    dark = (drawn[..., 0] < 60).astype(np.uint8)
    middles = cv2.morphologyEx(dark, cv2.MORPH_OPEN, np.ones((4, 4), np.uint8))
    closed = cv2.morphologyEx(middles, cv2.MORPH_CLOSE, np.ones((7, 7), np.uint8))
    count = cv2.connectedComponents(closed)[0] - 1
    assert count == 30
    for region in regions.values():
        assert (drawn[region > 0] == 200).all(axis=1).mean() > 0.5


def test_what_fills_the_frame_or_selects_nothing() -> None:
    ground = np.full((300, 400, 3), 90, np.uint8)
    assert (numbered(ground, {1: np.zeros((300, 400), np.float32)}) == ground).all()
    whole = numbered(ground, {1: np.ones((300, 400), np.float32)})
    assert (whole[60:-20, 60:-20] == 90).all()
    assert (whole != ground).any(axis=2)[:30, :30].any()
    faint = numbered(ground, {1: 0.3 * _disc(150, 200, 50, (300, 400))})
    assert (faint != ground).any(), "half of what it reaches"


# --- identity ---

IDENTITY = Identity("quay & lamps <1>", "QL0004-ä", 12, 3, "k" * 64, "xmp.did:a", "xmp.iid:b", "c")


def test_an_identity_survives_what_other_programs_make_of_the_packet(tmp_path) -> None:
    packet = xmp_of(IDENTITY)
    assert identity_of(packet) == IDENTITY
    path = tmp_path / "x.tif"
    with path.open("wb") as stream:
        from pipeline.files.metadata import Blocks

        tiff(np.zeros((4, 4, 3), np.uint16), "srgb", blocks=Blocks(xmp=packet))(stream)
    changes = ["-XMP-dc:Title=retouched", "-XMP-xmpMM:InstanceID=xmp.iid:new", "-q"]
    for compact in ("NoPadding", "Shorthand"):
        options = ["-overwrite_original", "-api", f"Compact={compact}"]
        subprocess.run(["exiftool", *options, *changes, str(path)], check=True)
        with tifffile.TiffFile(path) as file:
            written = bytes(file.pages[0].tags[700].value)
        assert written != packet
        assert identity_of(written) == replace(IDENTITY, instance_id="xmp.iid:new")


@pytest.mark.parametrize(
    "packet",
    [
        b"",
        b"<x",
        b"\xff\xfe\x00",
        xmp_of(IDENTITY).replace(b":Round>12<", b":Round>twelve<"),
        xmp_of(IDENTITY).replace(b"safelight:Frame", b"safelight:Other"),
        b'<!DOCTYPE a [<!ENTITY b "c">]>' + xmp_of(IDENTITY),
        xmp_of(IDENTITY).replace(b"urn:x-safelight", b"urn:x-another"),
    ],
)
def test_other_packets_have_no_identity(packet: bytes) -> None:
    assert identity_of(packet) is None


# --- the request sheet, the checksums ---


def _page_texts(pdf: Path | bytes) -> list[str]:
    reader = pypdf.PdfReader(io.BytesIO(pdf) if isinstance(pdf, bytes) else str(pdf))
    return [page.extract_text() for page in reader.pages]


def _words(text: str) -> str:
    return " ".join(text.split())


def test_sha256sum_agrees_about_every_file(round_) -> None:
    out, _ = round_
    done = subprocess.run(
        ["sha256sum", "--strict", "-c", "SHA256SUMS"],
        cwd=out, capture_output=True, check=False, text=True,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    names = {line.removesuffix(": OK") for line in done.stdout.splitlines()}
    assert names == {path.name for path in out.iterdir()} - {"SHA256SUMS"}


def test_both_sheets_say_all_that_a_stranger_needs(round_) -> None:
    out, _ = round_
    text = (out / "requests.txt").read_text("utf-8")
    pages = _page_texts(out / "requests.pdf")
    for said in (_words(text), _words(" ".join(pages))):
        for needed in (
            "small", "Ferrow Enamelware", "Ines Tolland", "Mira Sønderby", "2124-10-20", CABLE,
            MUST, "F0002_round-01_v1.tif", "F0003_round-01_v1_mask-2.png", "ROMM RGB",
            f"{WIDTH} × {HEIGHT} pixels", f"{HEIGHT} × {WIDTH} pixels", "sha256sum -c SHA256SUMS",
            "one TIFF for each frame", "size in pixels", "16 bits", "ICC profile", "layers",
        ):  # fmt: skip
            assert needed in said, needed
        assert said.count(CABLE) == 3
    assert "keep the grain 🙂" in text
    assert "keep the grain [slightly smiling face]" in _words(" ".join(pages))
    assert "In square brackets" in pages[0]
    assert max(map(len, text.splitlines())) <= 78


def _sheet(count: int, asks: list[str]) -> tuple[SheetWork, dict[str, bytes]]:
    jpeg = io.BytesIO()
    Image.new("RGB", (300, 200), (120, 130, 140)).save(jpeg, "JPEG")
    frames = []
    for index in range(count):
        name = f"QL{index:04}"
        requests = tuple(Request(n, f"{ask} {name}.{n}") for n, ask in enumerate(asks, 1))
        packed = Packed(name, Artifact(f"r/{name}_v1.tif", "", 1), {}, (), {}, 300, 200)
        frames.append(SheetFrame(packed, 1, None, requests))
    round_ = Round(2, "Mira", "2026-05-01T10:00:00+00:00", "2026-05-20")
    work = SheetWork(Path("/"), Path("/"), "quay-lamps", "Ferrow", round_, "srgb", tuple(frames))
    return work, {frame.packed.frame: jpeg.getvalue() for frame in frames}


def test_nothing_is_lost_over_many_pages() -> None:
    long = "the enamel near the rim has chips " * 60
    work, pictures = _sheet(6, ["take out the cable", long, "warm the glass"])
    pages = _page_texts(as_pdf(work, pictures))
    said = _words(" ".join(pages))
    for index in range(6):
        for number in (1, 2, 3):
            assert said.count(f" QL{index:04}.{number}") == 1
        (opening,) = (page for page in pages if f"QL{index:04}_v1.tif" in page)
        assert f"take out the cable QL{index:04}.1" in _words(opening), "beside its picture"
    assert said.count("enamel") == said.count("chips") == 6 * 60
    for number, page in enumerate(pages, 1):
        assert f"page {number} of {len(pages)}" in page
    assert len(pages) > 3


@pytest.mark.parametrize(
    "text",
    [
        "Κάθαρσε τη σκόνη",
        "уберите провод",
        "ランプの後ろ",
        "请去掉电缆",
        "케이블을 지워",
        "ướt ęđ ₽ →",
    ],
)
def test_other_scripts_are_set_and_can_be_copied(text: str) -> None:
    work, pictures = _sheet(1, [text])
    pdf = as_pdf(work, pictures)
    assert text in _words(" ".join(_page_texts(pdf)))
    assert b".notdef" not in pdf
    assert "In square brackets" not in _page_texts(pdf)[0]


def test_what_no_typeface_has_is_spelt_and_said() -> None:
    work, pictures = _sheet(1, ["mind \U0001f642 \ue123 and \U00013080"])
    pages = _page_texts(as_pdf(work, pictures))
    said = _words(" ".join(pages))
    # Unicode's own names for them
    assert "mind [slightly smiling face] [U+E123] and [egyptian hieroglyph d010]" in said
    assert "In square brackets" in pages[0]
    assert "mind \U0001f642 \ue123 and \U00013080" in as_text(work)


def test_sheets_have_the_same_bytes_each_time(round_) -> None:
    out, engine = round_
    (work,) = (w for w in engine.works if isinstance(w, SheetWork))
    pictures = work.folder
    pictures.mkdir(parents=True)
    for path in out.glob("*.jpg"):
        shutil.copy(path, pictures)
    for file in write_sheets(work):
        path = work.job / file.path
        assert path.read_bytes() == (out / path.name).read_bytes()
