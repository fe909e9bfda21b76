"""What ``safelight assess`` measures, beside photographs that were blurred, moved and turned by
known amounts, the demo shoot's truth, and another reader's raw values."""

from __future__ import annotations

import json
import sys

import cv2
import imagecodecs
import numpy as np
import pytest
import rawpy
import skimage.data
import skimage.transform
from scipy.ndimage import gaussian_filter
from scipy.stats import spearmanr

import pipeline.assess as assessing
from examples.shoot import make_shoot
from pipeline.assess import assess, subject_of
from pipeline.cli import main
from pipeline.figures import AssessWork, measure
from pipeline.files.dng import read_dng
from pipeline.ingest import ingest
from pipeline.kernels.blur import Focus, focus, motion, sharpness
from pipeline.kernels.fingerprint import fingerprint, unlikeness
from pipeline.kernels.horizon import tilt
from pipeline.kernels.levels import levels
from pipeline.manifest import Manifest
from pipeline.rating import rate
from pipeline.suggest import MOST_UNLIKE, Measured, suggest
from pipeline.survey import survey
from tests.chart_pictures import Scene, draw
from tests.dng import mosaic_of, write_dng
from tests.job_for_tests import InProcess, edit, make_job, states
from tests.previews import with_preview
from tests.spectral import chart_reflectances

PHOTOGRAPHS = ("astronaut", "coffee", "chelsea", "rocket", "camera", "coins", "brick", "grass")


def photograph(name: str) -> np.ndarray:
    """A photograph that scikit-image carries, grey, 0 to 1."""
    picture = np.asarray(getattr(skimage.data, name)(), np.float32) / 255
    return picture if picture.ndim == 2 else np.ascontiguousarray(picture[..., 1])


# --- focus ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["astronaut", "coffee", "rocket", "coins", "brick"])
def test_focus_ranks_by_blur(name, rng):
    """Rank correlation (Spearman, "The proof and measurement of association between two things",
    American Journal of Psychology 15, 1904) of at least 0.95, each with a noise of its own."""
    picture = photograph(name)
    blurs = np.concatenate([[0], np.geomspace(0.4, 8, 15)])
    noisy = (gaussian_filter(picture, s) + rng.normal(0, 0.01, picture.shape) for s in blurs)
    found = sharpness([focus(one.astype(np.float32)) for one in noisy])
    assert spearmanr(-blurs, found).statistic >= 0.95


def test_sharpness_is_that_of_edges_however_many_and_high():
    """An edge's first derivative is a Gaussian, of which the second is the slope: the ratio of
    their energies is 1 / (2 σ²)."""
    found = []
    for count, height, blur in ((1, 0.2, 3.0), (6, 0.8, 3.0), (3, 0.5, 6.0)):
        lines = 0.1 + height * (np.arange(1200) * 2 * count // 1200 % 2)
        picture = np.tile(gaussian_filter(lines, blur), (300, 1)).astype(np.float32)
        [one] = sharpness([focus(picture)])
        # what the kernels blur besides: a Gaussian of 0.7 pixels, differences over two
        found.append(one * 2 * (blur**2 + 0.7**2))
    assert found == pytest.approx([1, 1, 1], rel=0.05)


def test_where_nothing_is_nothing_is_sharp():
    assert sharpness([focus(np.zeros((50, 50), np.float32))]) == [0]
    assert sharpness([focus(np.full((5, 500), 0.5, np.float32))]) == [0]


# --- motion ---------------------------------------------------------------------------------------


def moved(picture: np.ndarray, length: float, angle_deg: float) -> np.ndarray:
    """A picture that moved in a straight line, evenly: the mean of many shifts of it."""
    turned, count = np.radians(angle_deg), int(8 * length)
    total = np.zeros_like(picture)
    for step in (np.arange(count) + 0.5) / count - 0.5:
        shift = np.float32([[1, 0, step * length * np.cos(turned)],
                            [0, 1, -step * length * np.sin(turned)]])  # fmt: skip
        total += cv2.warpAffine(picture, shift, picture.shape[::-1], borderMode=cv2.BORDER_REFLECT)
    return total / count


@pytest.mark.parametrize("name", ["astronaut", "coffee", "grass"])
@pytest.mark.parametrize(("length", "angle"), [(8, 0), (12, 35), (20, 90), (50, 150)])
def test_motion_is_told_by_direction_and_length(name, length, angle, rng):
    picture = moved(photograph(name), length, angle)
    found = motion((picture + rng.normal(0, 0.002, picture.shape)).astype(np.float32))
    assert found is not None
    assert found.length_px == pytest.approx(length, rel=0.2)
    assert abs((found.angle_deg - angle + 90) % 180 - 90) <= 10


def test_streaks_of_lights(rng):
    lights = np.zeros((600, 600), np.float32)
    lights[tuple(rng.integers(0, 600, (2, 300)))] = 40
    streaks = moved(gaussian_filter(lights, 1.0), 25, 120)
    found = motion((streaks + 0.1 + rng.normal(0, 0.002, lights.shape)).astype(np.float32))
    assert found is not None
    assert found.length_px == pytest.approx(25, rel=0.2)
    assert abs(found.angle_deg - 120) <= 10


@pytest.mark.parametrize("name", PHOTOGRAPHS)
@pytest.mark.parametrize("blur", [0, 3])
def test_no_motion_where_there_was_none(name, blur, rng):
    picture = gaussian_filter(photograph(name), blur) if blur else photograph(name)
    assert motion((picture + rng.normal(0, 0.002, picture.shape)).astype(np.float32)) is None


@pytest.mark.parametrize(("pitch", "blur"), [(40, 0.5), (53, 1), (60, 2), (80, 0.5)])
def test_patches_of_one_width_have_not_moved(pitch, blur, rng):
    """A chart's, which dip in the cepstrum as a motion over their width would."""
    picture = np.full((500, 750), 0.15, np.float32)
    side = int(0.87 * pitch)
    levels = chart_reflectances().mean(axis=1).reshape(4, 6)
    for (row, column), level in np.ndenumerate(levels):
        top, left = 250 + (row - 2) * pitch, 375 + (column - 3) * pitch
        picture[top : top + side, left : left + side] = level
    noisy = gaussian_filter(picture, blur) + rng.normal(0, 0.003, picture.shape)
    assert motion(noisy.astype(np.float32)) is None


def test_no_motion_in_nothing():
    assert motion(np.full((600, 600), 0.5, np.float32)) is None
    assert motion(np.zeros((50, 600), np.float32)) is None


# --- horizon --------------------------------------------------------------------------------------


@pytest.mark.parametrize("degrees", [-7.0, -2.3, -0.4, 0.0, 0.7, 1.5, 5.2, 11.0])
def test_a_drawn_horizon(degrees, rng):
    rows, columns = np.mgrid[:800, :1200]
    below = (rows - 420) - (columns - 600) * np.tan(np.radians(degrees))
    sea = 0.8 - 0.5 * np.clip(below + 0.5, 0, 1) + rng.normal(0, 0.02, rows.shape)
    assert tilt(sea.astype(np.float32)) == pytest.approx(degrees, abs=0.5)


@pytest.mark.parametrize("name", ["astronaut", "coffee", "chelsea", "coins", "grass"])
def test_no_horizon_where_lines_do_not_agree(name):
    assert tilt(photograph(name)) is None


def test_one_slanting_edge_among_level_ones_is_no_horizon():
    picture = np.full((800, 1200), 0.8, np.float32)
    for row, slope in ((150, 0.12), (300, 0.05), (450, -0.03), (600, -0.1)):
        start, end = (100, row), (1100, row + round(1000 * slope))
        cv2.line(picture, start, end, 0.2, 3, cv2.LINE_AA)
    assert tilt(picture) is None


# --- nearly the same ------------------------------------------------------------------------------


def small(picture: np.ndarray) -> np.ndarray:
    return cv2.resize(picture, (256, 200), interpolation=cv2.INTER_AREA)


def test_duplicates_and_different_pictures():
    prints = {name: fingerprint(small(photograph(name))) for name in PHOTOGRAPHS}
    for name in PHOTOGRAPHS:
        picture = photograph(name)
        height, width = picture.shape
        shifted = picture[height // 100 :, width // 100 :]  # a hand is not a tripod
        again = gaussian_filter(shifted, 1) * np.float32(0.8)
        assert unlikeness(prints[name], fingerprint(small(again))) <= MOST_UNLIKE, name
        for other in PHOTOGRAPHS:
            assert (other == name) == (unlikeness(prints[name], prints[other]) <= MOST_UNLIKE)


# --- raw values -----------------------------------------------------------------------------------


def lit_scene(pattern: str) -> tuple[np.ndarray, float]:
    """A mosaic with a clipped disc in red alone, and the disc's share of the frame."""
    rows, columns = np.mgrid[:1500, :2400]
    disc = np.hypot(rows - 700, columns - 2000) < 250
    rgb = np.full((1500, 2400, 3), 1200)
    rgb[disc, 0] = 4095
    rgb[:200, :, 2] = 256
    return mosaic_of(rgb, pattern).astype(np.uint16), np.pi * 250**2 / (1500 * 2400)


XTRANS = "GBGGRG" + "RGRBGB" + "GBGGRG" + "GRGGBG" + "BGBRGR" + "GRGGBG"


@pytest.mark.parametrize("pattern", ["RGGB", "GBRG", XTRANS])
def test_shares_are_those_of_what_was_drawn(tmp_path, pattern):
    mosaic, share = lit_scene(pattern)
    raw = write_dng(tmp_path / "a.dng", mosaic, pattern, black=256, white=4095)
    found = measure(AssessWork(raw, None))
    assert found["of"] == "raw values"
    clipped, blocked = ({c: np.array(found[what][c]) for c in found[what]}
                        for what in ("clipped", "blocked"))  # fmt: skip
    assert clipped["red"].sum() == pytest.approx(share, abs=0.005)
    assert clipped["red"][:, 2].sum() == pytest.approx(share, abs=0.005)
    assert blocked["blue"].sum() == pytest.approx(200 / 1500, abs=0.005)
    assert blocked["blue"][0].sum() == blocked["blue"].sum()
    assert clipped["green"].sum() == blocked["red"].sum() == 0
    assert found["stops"] == pytest.approx(np.log2((1200 - 256) / (4095 - 256)), abs=0.001)


def test_thirds_are_those_of_the_upright_picture(tmp_path):
    """Orientation 6 (Exif 2.32): the stored picture's left is the upright one's top."""
    mosaic, _ = lit_scene("RGGB")
    mirrored = mosaic[:, ::-1]
    raw = write_dng(tmp_path / "a.dng", mirrored, "GRBG", black=256, white=4095, orientation=6)
    found = measure(AssessWork(raw, None))
    red = np.array(found["clipped"]["red"])
    assert red[0].sum() == red.sum() > 0.04
    assert found["width_px"] < found["height_px"]


def test_a_subset_is_within_half_a_point_of_all(rng):
    """Of a picture with clipping everywhere."""
    coarse = rng.uniform(0, 4, (40, 60)).astype(np.float32)
    scene = cv2.resize(coarse, (4200, 2800), interpolation=cv2.INTER_CUBIC)
    mosaic = np.clip(256 + 1000 * scene, 0, 3000).astype(np.uint16)
    found = levels(mosaic, np.array([[1, 0], [2, 1]], np.uint8), np.full((2, 2), 256.0), 3000.0)
    red = mosaic[::2, 1::2]
    assert found.clipped[0].sum() == pytest.approx((red >= 3000).mean(), abs=0.005)
    assert found.blocked[0].sum() == pytest.approx((red <= 256).mean(), abs=0.005)
    assert found.clipped[0].sum() > 0.2


# --- what is looked at ----------------------------------------------------------------------------


def test_the_preview_is_looked_at_where_there_is_one(tmp_path):
    mosaic, share = lit_scene("RGGB")
    preview = cv2.resize(skimage.data.astronaut(), (1200, 750))
    raw = with_preview(tmp_path / "a.dng", preview, mosaic)
    data = raw.read_bytes()
    offset, count = read_dng(data).preview
    with rawpy.imread(str(raw)) as other:
        told = imagecodecs.jpeg8_decode(other.extract_thumb().data)  # with a header of LibRaw's
    assert np.array_equal(told, imagecodecs.jpeg8_decode(data[offset : offset + count]))
    found = measure(AssessWork(raw, None))
    assert (found["of"], found["width_px"], found["height_px"]) == ("preview", 1200, 750)
    sign = fingerprint(small(cv2.cvtColor(preview, cv2.COLOR_RGB2GRAY).astype(np.float32)))
    told = np.unpackbits(np.frombuffer(bytes.fromhex(found["fingerprint"]), np.uint8)).astype(bool)
    assert unlikeness(sign, told) <= 3
    assert np.sum(found["clipped"]["red"]) == pytest.approx(share, abs=0.005)


def test_a_small_preview_is_passed_over(tmp_path):
    mosaic, _ = lit_scene("RGGB")
    raw = with_preview(tmp_path / "a.dng", cv2.resize(skimage.data.astronaut(), (320, 200)), mosaic)
    assert measure(AssessWork(raw, None))["of"] == "raw values"


def test_pictures_are_measured_in_their_codes(tmp_path):
    picture = np.full((600, 900, 3), 128, np.uint8)
    picture[:, 700:] = 255
    path = tmp_path / "a.jpg"
    path.write_bytes(imagecodecs.jpeg8_encode(picture, level=95))
    found = measure(AssessWork(path, None))
    assert found["of"] == "picture"
    assert np.sum(found["clipped"]["green"]) == pytest.approx(200 / 900, abs=0.005)
    # IEC 61966-2-1: code 128 is 0.2159 of white
    assert found["stops"] == pytest.approx(np.log2(0.2159), abs=0.01)


def test_the_subjects_place_is_what_counts(tmp_path):
    """Sharp on the left, soft on the right."""
    picture = np.tile(photograph("camera"), (1, 2))
    picture[:, 512:] = gaussian_filter(picture[:, 512:], 3)
    rgb = np.repeat((256 + 3000 * picture[..., None]), 3, axis=2).astype(np.uint16)
    raw = write_dng(tmp_path / "a.dng", mosaic_of(rgb), black=256, white=4095)
    left = measure(AssessWork(raw, None, (0.0, 0.2, 0.4, 0.8)))
    right = measure(AssessWork(raw, None, (0.6, 0.2, 1.0, 0.8)))
    energies = [Focus(**one["focus"]) for one in (left, right)]
    sharp, soft = sharpness(energies)
    assert sharp > 2 * soft


# --- charts ---------------------------------------------------------------------------------------


def raw_of(path, picture: np.ndarray, *, preview: bool):
    """A picture, (h, w, 3), linear, as a raw, with or without a camera's own rendering inside."""
    light = np.clip(picture / picture.max(), 0, 1)
    mosaic = mosaic_of(256 + 3839 * light).astype(np.uint16)
    if not preview:
        return write_dng(path, mosaic, black=256, white=4095)
    shown = np.clip(light / np.percentile(light, 99.5), 0, 1) ** (1 / 2.2)
    return with_preview(path, (255 * shown).astype(np.uint8), mosaic)


def test_charts_are_recognised_and_nothing_else_of_their_scenes_is(tmp_path):
    """Each in another light on another ground, among other squares, a sixth of the frame wide."""
    found, drawn = [], []
    for seed in range(6):
        for chart in (True, False):
            picture, _ = draw(Scene(seed, chart=chart, share=0.16))
            raw = raw_of(tmp_path / "a.dng", picture, preview=seed % 2 == 0)
            found.append(measure(AssessWork(raw, None))["chart"])
            drawn.append(chart)
    assert found == drawn


@pytest.mark.parametrize("name", [*PHOTOGRAPHS, "gravel", "text", "page", "moon"])
def test_no_photograph_is_taken_for_a_chart(tmp_path, name):
    picture = cv2.resize(getattr(skimage.data, name)(), None, fx=2, fy=2)
    path = tmp_path / "a.jpg"
    path.write_bytes(imagecodecs.jpeg8_encode(picture, level=95))
    assert measure(AssessWork(path, None))["chart"] is False


# --- beside each other, in words ------------------------------------------------------------------


def figures(sharp=1.0, **other) -> dict:
    energies = {"second": sharp, "first": 1.0, "noise_second": 0.0, "noise_first": 0.0}
    nothing = {name: [[0.0] * 3] * 3 for name in ("red", "green", "blue")}
    return {
        "chart": False, "of": "preview", "width_px": 1600, "height_px": 1000, "subject": None,
        "focus": energies, "motion": None, "tilt_deg": None, "fingerprint": "0" * 16, "stops": -3.0,
        "clipped": nothing, "blocked": nothing, **other,
    }  # fmt: skip


def test_reasons_are_plain():
    right = {name: [[0.0] * 3] * 3 for name in ("red", "green", "blue")}
    right["red"] = [[0.0, 0.0, 0.02], [0.0, 0.001, 0.018], [0.0] * 3]
    streak = {"length_px": 14.2, "angle_deg": 30.0}
    told = suggest(
        [
            Measured("A1", figures(sharp=0.9, clipped=right), burst="burst-001"),
            Measured("A2", figures(sharp=0.7, stops=-4.1), burst="burst-001"),
            Measured("A3", figures(sharp=0.5, tilt_deg=-1.24), burst="burst-001"),
            Measured("A4", figures(sharp=2.0), burst="burst-001", rejected=True),
            Measured("A5", figures(sharp=3.0, tilt_deg=9.0, chart=True), burst="burst-001"),
            Measured("B1", figures(motion=streak, fingerprint="f" * 16)),
            Measured("B2", figures(fingerprint="f" * 15 + "e"), time="2024"),
        ]
    )  # fmt: skip
    assert {name: one.reasons for name, one in told.items()} == {
        "A1": (
            "sharpest of 3 in the middle",
            "right third clipped in red, 4 % of the frame",
        ),
        "A2": ("1.1 stops under the rest of burst-001",),
        "A3": ("long lines fall 1.2° to the left",),
        "A4": (),
        "A5": ("shows a chart",),
        "B1": ("blurred by motion, 14 px at 30°", "nearly the same as B2"),
        "B2": ("nearly the same as B1",),
    }
    assert [name for name, one in told.items() if one.suggested] == ["A1"]


def test_a_tie_is_said_and_unlike_pictures_are_not_compared():
    frames = [
        Measured("A1", figures(sharp=0.9, subject=[0, 0, 1, 1]), burst="b"),
        Measured("A2", figures(sharp=0.89), burst="b"),
        Measured("A3", figures(sharp=5.0, of="raw values"), burst="b"),
    ]
    told = suggest(frames)
    assert told["A1"].reasons == ("sharpest of 2 on the subject, hardly more than A2",)
    assert told["A3"].beside["place"] is None


# --- through a job --------------------------------------------------------------------------------


def test_what_was_measured_is_not_measured_again(tmp_path, monkeypatch):
    job = make_job(tmp_path / "job", frames=4)
    rate(job, -1, ["F0004"])
    engine = InProcess()
    with Manifest.open(job) as manifest:
        assert {subject_of(frame) for frame in survey(job, manifest).frames} == {None}
    first = assess(job, engine=engine)
    assert engine.worked_on == ["F0001", "F0002", "F0003"] == list(first.frames)
    with Manifest.open(job) as manifest:
        assert manifest.assessed() == first.frames
        events = len(manifest.events())
    again = assess(job, engine=engine)
    assert (len(engine.worked_on), again.measured) == (3, 0)
    with Manifest.open(job) as manifest:
        assert len(manifest.events()) == events
    assert again.frames == first.frames
    assess(job, ["F000[3-4]"], engine=engine)
    assert engine.worked_on[3:] == ["F0004"]
    edit(job / "job.yaml", "deliveries:\n", "products: {lamp: {lab: [50, 0, 0]}}\ndeliveries:\n")
    (job / "frames").mkdir()
    place = "{ellipse: {centre: [0.5, 0.5], radii: [0.2, 0.1]}}"
    (job / "frames/F0002.yaml").write_text(
        f"frame: F0002\nproducts: {{lamp: {{where: {place}}}}}\n"
    )
    told = assess(job, engine=engine)
    assert engine.worked_on[4:] == ["F0002"]
    assert told.frames["F0002"].figures["subject"] == pytest.approx([0.3, 0.4, 0.7, 0.6])
    monkeypatch.setattr(assessing, "ASSESS_VERSION", 99)
    assess(job, engine=engine)
    assert engine.worked_on[5:] == ["F0001", "F0002", "F0003"]
    assert [state.rating for state in states(job).values()] == [4, 4, 4, -1]


@pytest.fixture
def typed(monkeypatch, capsys):
    """What a command of this process says, its code, its output and its errors."""
    monkeypatch.setattr("pipeline.workplace.here", InProcess())

    def call(*arguments):
        monkeypatch.setattr(sys, "argv", ["safelight", *arguments])
        with pytest.raises(SystemExit) as end:
            main()
        return end.value.code or 0, *capsys.readouterr()

    return call


def test_a_broken_raw_is_named_and_the_others_go_on(tmp_path, typed):
    job, card = make_job(tmp_path / "job", frames=2), tmp_path / "card"
    (card / "G1.dng").write_bytes((card / "F0001.dng").read_bytes()[:9000])
    (card / "G2.dng").write_bytes(b"this is no raw file" * 50)
    ingest(job, [card])
    code, said, errors = typed("assess", "--job", str(job))
    assert code == 1
    assert errors.splitlines() == [
        "G1: it is cut short: a part of the picture is missing",
        "G2: it is not a raw file, JPEG or TIFF that can be read",
    ]
    assert said.splitlines()[-1].startswith("2 frames, 2 measured now; 2 failed")
    code, said, _ = typed("assess", "F000*", "--json", "--job", str(job))
    assert code == 0
    told = json.loads(said)
    assert (told["measured"], told["failed"]) == (0, [])
    assert [row["figures"]["of"] for row in told["frames"]] == ["raw values"] * 2
    known = json.loads(typed("status", "--json", "--job", str(job))[1])["assessed"]
    assert known == {
        row["frame"]: {"suggested": False, "reasons": row["reasons"]} for row in told["frames"]
    }


def test_a_long_burst_does_not_outvote_a_setup():
    alone = [Measured(f"A{n}", figures(stops=-3.0), setup="quay") for n in range(5)]
    burst = [
        Measured(f"B{n}", figures(stops=-2.0), setup="quay", burst="burst-001") for n in range(12)
    ]
    found = suggest([*alone, *burst])
    assert {found[frame.frame].beside["off_stops"] for frame in (*alone, *burst)} == {0.0}


@pytest.mark.slow
def test_the_demos_charts_are_recognised_and_no_other_frame(tmp_path):
    """Lamps on their own, the first of a burst, and the chart of each setup."""
    frames = [f"QL00{n:02}" for n in (1, 2, 13, 14, 27, 34, 40)]
    make_shoot(tmp_path, megapixels=0.5, frames=frames)
    truth = json.loads((tmp_path / "truth" / "truth.json").read_text())["frames"]
    found = {
        name for name in frames
        if measure(AssessWork(tmp_path / "card" / f"{name}.dng", None))["chart"]
    }  # fmt: skip
    assert found == {name for name in frames if "chart" in truth[name]} != set()


BURST = ["QL0014", "QL0018", "QL0020", "QL0022"]


@pytest.mark.slow
def test_the_sharpest_of_the_demos_burst_is_suggested(tmp_path):
    make_shoot(tmp_path, megapixels=1.0, frames=BURST)
    truth = json.loads((tmp_path / "truth" / "truth.json").read_text())["frames"]
    job = tmp_path / "job"
    job.mkdir()
    (job / "job.yaml").write_text("job: quay\nclient: Ferrow Enamelware\nrecipe: lantern\n")
    ingest(job, [tmp_path / "card"])
    found = assess(job, engine=InProcess()).frames
    blur = {name: truth[name]["burst"]["blur_px"] for name in BURST}
    best = min(blur, key=blur.__getitem__)
    assert [name for name, one in found.items() if one.suggested] == [best]
    assert found[best].reasons[0].startswith("sharpest of 4 in the middle")
    worst = max(blur, key=blur.__getitem__)
    assert found[worst].figures["beside"]["place"] == 4


@pytest.mark.slow
def test_exposure_and_clipping_of_the_demos_frames(tmp_path):
    """QL0008 shows what QL0004 shows, two stops under."""
    make_shoot(tmp_path, megapixels=0.5, frames=["QL0004", "QL0008"])
    truth = json.loads((tmp_path / "truth" / "truth.json").read_text())["frames"]
    cards = {name: tmp_path / "card" / f"{name}.dng" for name in ("QL0004", "QL0008")}
    found = {name: measure(AssessWork(path, None)) for name, path in cards.items()}
    off = found["QL0008"]["stops"] - found["QL0004"]["stops"]
    assert off == pytest.approx(truth["QL0008"]["stops"], abs=0.1)
    for name, path in cards.items():
        with rawpy.imread(str(path)) as raw:
            values, colours = raw.raw_image_visible, raw.raw_colors_visible
            for numbers, colour in (((0,), "red"), ((1, 3), "green"), ((2,), "blue")):
                share = (values[np.isin(colours, numbers)] >= raw.white_level).mean()
                told = np.sum(found[name]["clipped"][colour])
                assert told == pytest.approx(share, abs=0.005)
