"""The demo shoot's raws: readable by others, honest about themselves, and the same every time."""

from __future__ import annotations

import itertools
import json
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rawpy
import tifffile

from examples.shoot import make_shoot
from examples.shoot.card import picture_size
from examples.shoot.scene import layouts, shots
from examples.shoot.shapes import PARTS

FRAMES = ["QL0001", "QL0005", "QL0008", "QL0018", "QL0029", "QL0034"]
"""A chart, portrait 6, two stops under, mid-jump, portrait 8 at dusk, a chart under mixed light."""
MEGAPIXELS = 0.3


@pytest.fixture(scope="module")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("shoot")
    make_shoot(directory, MEGAPIXELS, frames=FRAMES)
    return directory


@pytest.fixture(scope="module")
def truth(shoot: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((shoot / "truth" / "truth.json").read_text("utf-8"))
    return document


def raw_of(shoot: Path, frame: str) -> np.ndarray:
    with rawpy.imread(str(shoot / "card" / f"{frame}.dng")) as raw:
        return raw.raw_image_visible.copy()


def rotate(stored: np.ndarray, orientation: int) -> np.ndarray:
    """Exif 2.32: 6 shows the stored picture turned 90° clockwise, 8 turned 90° the other way."""
    return np.rot90(stored, {1: 0, 6: -1, 8: 1}[orientation])


@pytest.mark.parametrize("frame", FRAMES)
def test_two_other_readers_see_the_same_mosaic(
    shoot: Path, truth: dict[str, Any], frame: str
) -> None:
    path = shoot / "card" / f"{frame}.dng"
    with rawpy.imread(str(path)) as raw:
        assert raw.black_level_per_channel == [512] * 4
        assert raw.white_level == 15892
        assert raw.raw_pattern.tolist() == [[0, 1], [3, 2]]
        assert raw.color_desc == b"RGBG"
        assert raw.sizes.flip == {1: 0, 6: 6, 8: 5}[truth["frames"][frame]["orientation"]]
        mosaic = raw.raw_image_visible.copy()
        neutral = np.array(truth["setups"][truth["frames"][frame]["setup"]]["as_shot_neutral"])
        np.testing.assert_allclose(
            np.array(raw.camera_whitebalance[:3]) / raw.camera_whitebalance[1],
            neutral[1] / neutral,
            rtol=1e-5,
        )
    assert mosaic.shape == picture_size(MEGAPIXELS)
    np.testing.assert_array_equal(tifffile.imread(path), mosaic)
    assert mosaic.max() <= 15892


def test_exiftool_reads_what_was_written_and_finds_nothing_odd(
    shoot: Path, truth: dict[str, Any]
) -> None:
    paths = [str(shoot / "card" / f"{frame}.dng") for frame in FRAMES]
    ran = subprocess.run(
        ["exiftool", "-j", "-n", "-G1", "-validate", "-warning", "-a", *paths],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    for frame, read in zip(FRAMES, json.loads(ran.stdout), strict=True):
        told = truth["frames"][frame]
        assert read["ExifTool:Validate"].split() == ["0", "0", "0"]
        assert "ExifTool:Warning" not in read
    ran = subprocess.run(
        ["exiftool", "-j", "-n", "-G1", *paths], capture_output=True, text=True, check=True
    )
    for frame, read in zip(FRAMES, json.loads(ran.stdout), strict=True):
        told = truth["frames"][frame]
        assert read["IFD0:UniqueCameraModel"] == "Safelight Demo One"
        assert read["IFD0:DNGVersion"] == "1 4 0 0"
        assert read["IFD0:Orientation"] == told["orientation"]
        assert (read["IFD0:CalibrationIlluminant1"], read["IFD0:CalibrationIlluminant2"]) == (
            17,
            21,
        )
        assert read["ExifIFD:SerialNumber"] == truth["sensor"]["serial"]
        assert read["ExifIFD:LensModel"] == "SD 35-80mm F2.8"
        assert read["ExifIFD:ISO"] == told["iso"]
        assert read["ExifIFD:ExposureTime"] == pytest.approx(told["exposure_s"], rel=1e-6)
        date, clock = told["time"][:10].replace("-", ":"), told["time"][11:]
        assert read["ExifIFD:DateTimeOriginal"] == f"{date} {clock[:8]}"
        assert f"{int(read['ExifIFD:SubSecTimeOriginal']):02d}" == clock[9:11]
        assert read["ExifIFD:OffsetTimeOriginal"] == "+00:00"
        assert read["Composite:GPSLatitude"] == pytest.approx(0.0231, abs=1e-5)
        assert read["Composite:GPSLongitude"] == pytest.approx(-0.0417, abs=1e-5)


@pytest.mark.parametrize("frame", ["QL0001", "QL0034"])
def test_patches_in_the_raw_are_the_spectral_sum(
    shoot: Path, truth: dict[str, Any], frame: str
) -> None:
    """Reflectance times illuminant times sensitivity, summed here with colour-science alone."""
    import colour

    told = truth["frames"][frame]
    shape = colour.SpectralShape(380, 730, 5)
    camera = colour.MSDS_CAMERA_SENSITIVITIES["Nikon 5100 (NPL)"].copy().align(shape).values
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values
    light = np.zeros(len(camera))
    for name, share in truth["setups"][told["setup"]]["illuminant"].items():
        power = colour.SDS_ILLUMINANTS[name].copy().align(shape).values
        light += share * power / (power @ observer[:, 1])
    chart = colour.SDS_COLOURCHECKERS["BabelColor Average"]

    raw = (raw_of(shoot, frame).astype(np.float64) - 512) / (15892 - 512)
    height, width = raw.shape
    y, x = np.mgrid[0:height, 0:width] + 0.5
    r2 = ((2 * x - width) ** 2 + (2 * y - height) ** 2) / (width**2 + height**2)
    raw *= (1 + (2 ** (truth["sensor"]["corner_stops"] / 2) - 1) * r2) ** 2
    full_well = truth["sensor"]["full_well_e"] * 100 / told["iso"]
    for patch in told["chart"]["patches"]:
        reflectance = chart[patch["name"]].copy().align(shape).values
        expected = (reflectance * light) @ camera / (light @ camera[:, 1])
        expected *= told["exposure"] * patch["illumination"]
        middle = np.mean(patch["corners"], axis=0)
        reach = 0.22 * np.ptp(np.array(patch["corners"]), axis=0)
        (left, top), (right, bottom) = (middle - reach).astype(int), (middle + reach).astype(int)
        for channel, (row, column) in enumerate(((0, 0), (0, 1), (1, 1))):
            block = raw[top + (top + row) % 2 : bottom : 2, left + (left + column) % 2 : right : 2]
            noise = np.sqrt(expected[channel] / full_well / block.size)
            # 1 % for the light's slope over a patch and the sampling of the spectra
            assert block.mean() == pytest.approx(expected[channel], abs=4 * noise, rel=0.01), patch


def test_lab_is_what_the_chart_is_published_as(truth: dict[str, Any]) -> None:
    """xyY of the same average of 30 charts under D50, which colour-science carries as well."""
    import colour

    published = colour.CCS_COLOURCHECKERS["BabelColor Average"]
    for name, xyy in published.data.items():
        lab = colour.XYZ_to_Lab(colour.xyY_to_XYZ(xyy), published.illuminant)
        ours = np.array(truth["surfaces"][name]["lab_d50"])
        assert colour.delta_E(lab, ours, method="CIE 2000") < 0.25, name


@pytest.mark.parametrize("frame", ["QL0001", "QL0029"])
def test_masks_are_upright_and_lie_on_the_picture(
    shoot: Path, truth: dict[str, Any], frame: str
) -> None:
    told = truth["frames"][frame]
    parts = np.load(shoot / "truth" / f"{frame}.npz")["parts"]
    assert parts.shape == (told["height"], told["width"])
    shade = parts == truth["products"]["red-lamp"]["part"]
    assert shade.mean() > 0.01
    stored = (raw_of(shoot, frame).astype(np.float64) - 512) / (15892 - 512)
    neutral = truth["setups"][told["setup"]]["as_shot_neutral"]
    red, blue = stored[0::2, 0::2] / neutral[0], stored[1::2, 1::2] / neutral[2]
    redness = rotate(np.log(np.maximum(red, 1e-4) / np.maximum(blue, 1e-4)), told["orientation"])
    inside = shade[::2, ::2]
    x, y = told["products"]["red-lamp"]["ellipse"]["centre"]
    assert shade[int(y * told["height"]), int(x * told["width"])]
    assert np.median(redness[inside]) > np.percentile(redness[~inside], 90)


def test_under_is_two_stops_under(shoot: Path, truth: dict[str, Any]) -> None:
    told = truth["frames"]["QL0008"]
    assert told["stops"] == -2
    assert told["exposure"] == truth["setups"]["daylight"]["exposure"] / 4
    assert told["exposure_s"] == truth["frames"]["QL0001"]["exposure_s"] / 4


def test_same_arguments_same_bytes(shoot: Path, tmp_path: Path) -> None:
    make_shoot(tmp_path, MEGAPIXELS, frames=["QL0018"])
    for name in ("card/QL0018.dng", "truth/QL0018.npz"):
        assert (tmp_path / name).read_bytes() == (shoot / name).read_bytes()


def test_progress_counts_to_the_end(tmp_path: Path) -> None:
    seen: list[tuple[int, int]] = []
    make_shoot(tmp_path, 0.02, lambda done, total: seen.append((done, total)), ["QL0001", "QL0002"])
    assert seen == [(1, 2), (2, 2)]


def test_a_frame_that_does_not_exist_is_named(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no such frame: QL9999; there are QL0001 to QL0040"):
        make_shoot(tmp_path, MEGAPIXELS, frames=["QL9999"])


def test_the_card_is_a_shoot() -> None:
    every = shots()
    setups = [layouts()[shot.layout].setup for shot in every]
    assert len(every) == 40
    assert sorted(set(setups)) == ["daylight", "dusk", "mixed"]
    for setup in set(setups):
        assert every[setups.index(setup)].role == "chart"
    assert {6, 8} < {shot.orientation for shot in every}
    burst = [shot for shot in every if shot.burst >= 0]
    gaps = [(b.time - a.time).total_seconds() for a, b in itertools.pairwise(burst)]
    assert gaps == pytest.approx([0.1] * 11)
    for (before, a), (after, b) in itertools.pairwise(zip(every, setups, strict=True)):
        gap = (after.time - before.time).total_seconds()
        assert gap > 0
        assert (gap > 20 * 60) == (a != b)


def test_the_truth_knows_the_sharper_frame_of_the_burst(tmp_path: Path) -> None:
    """Squared steps of green along rows, less those of photon noise, for a length of outline."""
    frames = ["QL0014", "QL0016", "QL0020"]
    make_shoot(tmp_path, 4.0, frames=frames)
    told = json.loads((tmp_path / "truth" / "truth.json").read_text("utf-8"))["frames"]
    jumper = [i for i, part in enumerate(PARTS) if part.object == "jumper"]
    sharpness = []
    for frame in frames:
        green = (raw_of(tmp_path, frame)[0::2, 1::2].astype(np.float64) - 512) / (15892 - 512)
        figure = np.isin(np.load(tmp_path / "truth" / f"{frame}.npz")["parts"], jumper)[0::2, 1::2]
        rows, columns = np.nonzero(figure)
        box = np.s_[rows.min() : rows.max() + 1, columns.min() - 4 : columns.max() + 5]
        step = np.diff(green[box], axis=1)
        noise = 2 * green[box].mean() / (45_000 * 100 / told[frame]["iso"])
        outline = np.diff(figure[box].astype(int), axis=1) != 0
        sharpness.append(((step**2).sum() - noise * step.size) / outline.sum())
    blur = [told[frame]["burst"]["blur_px"] for frame in frames]
    assert blur == sorted(blur, reverse=True)
    assert sharpness[0] < 0.9 * sharpness[1] < 0.81 * sharpness[2], sharpness
