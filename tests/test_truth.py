"""The demo shoot's charts, from raw to files, against the reflectances that they were made of.

Each setup's chart frame goes through the neutral house recipe into a master and a JPEG; both are
read back, and every patch is compared with its measured colour (BabelColor average of 30 charts,
carried by colour-science) in CIE Lab under D50. Only the exposure is fitted, on the grey ramp. The
camera's own two matrices are all the correction there is, so the bounds are what they can do.
"""

from __future__ import annotations

import json
from pathlib import Path

import colour
import cv2
import numpy as np
import pytest
from PIL import Image

from examples.shoot import make_shoot
from pipeline.develop import master_pixels
from pipeline.files.encode import jpeg, read_master, tiff
from pipeline.files.landing import land
from pipeline.files.raw import open_original
from pipeline.job import load_job
from pipeline.rendition import RenditionSpec, render

CHARTS = {"daylight": "QL0001", "dusk": "QL0027", "mixed": "QL0034"}
# mean ΔE00 that the two matrices reach on noise-free patches is about 1.0, 2.1 and 1.6
MEAN_BOUND = {"daylight": 1.4, "dusk": 2.6, "mixed": 2.1}
GREYS = ("white 9.5 (.05 D)", "neutral 8 (.23 D)", "neutral 6.5 (.44 D)", "neutral 5 (.70 D)")


@pytest.fixture(scope="module")
def shoot(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("shoot")
    make_shoot(folder, megapixels=1.5, frames=list(CHARTS.values()))
    return folder


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """The steps of the neutral house recipe."""
    folder = tmp_path_factory.mktemp("job")
    (folder / "job.yaml").write_text("job: proof\nclient: nobody\nrecipe: plain\n")
    return load_job(folder).resolve("QL0001").steps


def patch_means(linear, patches, exclude=()):
    """The mean of each patch's middle, (n, 3), and the patches' names."""
    rows, names = [], []
    for patch in patches:
        if patch["name"] in exclude:
            continue
        corners = np.array(patch["corners"])
        middle = corners.mean(axis=0) + 0.6 * (corners - corners.mean(axis=0))
        mask = np.zeros(linear.shape[:2], np.uint8)
        cv2.fillConvexPoly(mask, np.round(middle).astype(np.int32), 1)
        rows.append(linear[mask == 1].mean(axis=0))
        names.append(patch["name"])
    return np.array(rows), names


def differences(codes, space, truth, frame, exclude=()):
    """ΔE00 of every patch of coded pixels (0 to 1) in one of colour-science's RGB spaces."""
    patches = truth["frames"][frame]["chart"]["patches"]
    space = colour.RGB_COLOURSPACES[space]
    means, names = patch_means(space.cctf_decoding(codes), patches, exclude)
    light = {patch["name"]: patch["illumination"] for patch in patches}
    d50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    xyz = colour.RGB_to_XYZ(
        means, space, d50, chromatic_adaptation_transform="Bradford", apply_cctf_decoding=False
    )
    xyz /= np.array([light[name] for name in names])[:, None]
    expected = colour.Lab_to_XYZ([truth["surfaces"][n]["lab_d50"] for n in names], d50)
    grey = [names.index(name) for name in GREYS]
    xyz *= expected[grey, 1].sum() / xyz[grey, 1].sum()
    return dict(
        zip(
            names,
            colour.delta_E(
                colour.XYZ_to_Lab(xyz, d50), colour.XYZ_to_Lab(expected, d50), method="CIE 2000"
            ),
            strict=True,
        )
    )


def outside_srgb(codes, patches):
    """The names of patches whose mean does not fit sRGB."""
    romm, srgb = (colour.RGB_COLOURSPACES[name] for name in ("ROMM RGB", "sRGB"))
    means, names = patch_means(romm.cctf_decoding(codes), patches)
    linear = colour.RGB_to_RGB(means, romm, srgb, "Bradford")
    fits = (linear.min(axis=1) >= 0) & (linear.max(axis=1) <= 1)
    return [name for name, inside in zip(names, fits, strict=True) if not inside]


@pytest.mark.parametrize("setup", CHARTS)
def test_the_chart_comes_out_as_it_is(shoot, plain, tmp_path, setup):
    truth = json.loads((shoot / "truth" / "truth.json").read_text())
    frame = CHARTS[setup]
    pixels = master_pixels(open_original(shoot / "card" / f"{frame}.dng"), plain)
    master = land(tmp_path / "master.tif", tiff(pixels, "romm-rgb"), tmp_path)
    codes = read_master(tmp_path / "master.tif", master.digest)
    found = differences(codes / 65535, "ROMM RGB", truth, frame)
    assert len(found) == 24
    assert np.mean(list(found.values())) < MEAN_BOUND[setup], found
    assert max(found[name] for name in GREYS) < 1.0, found

    # colours that sRGB cannot hold are brought in, which moves them: cyan, perhaps two yellows
    outside = outside_srgb(codes / 65535, truth["frames"][frame]["chart"]["patches"])
    assert len(outside) <= 3
    (small,) = render(codes, [RenditionSpec()])
    path = tmp_path / "web.jpg"
    path.write_bytes(jpeg(small, "srgb", quality=95, ppi=300))
    seen = np.asarray(Image.open(path)) / 255
    delivered = differences(seen, "sRGB", truth, frame, exclude=outside)
    drift = [abs(delivered[name] - found[name]) for name in delivered]
    assert max(drift) < 0.5, sorted(zip(drift, delivered, strict=True))[-3:]


def test_the_two_stops_under_come_back(shoot, plain, tmp_path_factory):
    """A frame shot two stops under, given two stops, has the mean of the frame beside it."""
    folder = tmp_path_factory.mktemp("under")
    make_shoot(folder, megapixels=0.5, frames=["QL0004", "QL0008"])
    truth = json.loads((folder / "truth" / "truth.json").read_text())
    assert truth["frames"]["QL0008"]["stops"] == -2
    (folder / "job.yaml").write_text("job: proof\nclient: nobody\nrecipe: plain\n")
    (folder / "frames").mkdir()
    (folder / "frames" / "QL0008.yaml").write_text("frame: QL0008\nadjust: [expose: {stops: 2}]\n")
    job = load_job(folder)
    means = []
    for frame in ("QL0004", "QL0008"):
        pixels = master_pixels(
            open_original(folder / "card" / f"{frame}.dng"), job.resolve(frame).steps
        )
        lamp = np.load(folder / "truth" / f"{frame}.npz")["parts"]
        part = truth["products"]["red-lamp"]["part"]
        linear = colour.RGB_COLOURSPACES["ROMM RGB"].cctf_decoding(pixels[lamp == part] / 65535)
        means.append(linear.mean(axis=0))
    np.testing.assert_allclose(means[1], means[0], rtol=0.02)
