"""The whole path of a colour: a chart and unseen surfaces photographed as raws, developed by the
chart, delivered, and read back from disk.

Raws are rendered from spectra: CIE illuminants, measured sensitivities of two cameras, the average
chart of 30 that were measured, photon noise of a full well of 40,000 electrons. What is judged no
fit has seen, as far as sRGB holds it: the 30 paints of another chart (Luo 2024, preferred memory
colours), for which the project set itself goals, and the 99 samples of CIE 224:2017, dyes, plastics
and leaves whose spectra are further from any chart's. All spectra are carried by colour-science.
Files are read with tifffile and Pillow and interpreted by colour-science, so that nothing of ours
judges itself; LibRaw renders the same raws by the colour matrices in them.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import colour
import numpy as np
import pytest
import rawpy
import tifffile
from colour.quality.cfi2017 import load_TCS_CIE2017
from PIL import Image

from pipeline.ingest import ingest
from pipeline.rating import rate
from pipeline.run import run
from tests.dng import STANDARD_LIGHT_A, mosaic_of, write_dng
from tests.job_for_tests import InProcess

SHAPE = colour.SpectralShape(380, 780, 5)
NIKON, SIGMA = "Nikon 5100 (NPL)", "Sigma SDMerill (NPL)"
D50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
BLACK, WHITE = 512, 15871
FULL_WELL = 40_000
CELL = 64

# the goals that the project set itself, mean ΔE00 on unseen paints
GOALS = {
    (NIKON, "D50"): 0.8,
    (NIKON, "D65"): 0.8,
    (NIKON, "A"): 1.5,
    (SIGMA, "D50"): 1.4,
    (SIGMA, "D65"): 1.4,
    (SIGMA, "A"): 2.2,
}

JOB = """\
job: proof
client: nobody
recipe: recipes/proof.yaml
selects: rating >= 1
deliveries:
  tiff: {format: tiff, space: adobe-rgb, scale: 1}
  jpeg: {format: jpeg, quality: 95, space: srgb, scale: 1}
"""
PROOF = "recipe: proof\nlook:\n  - balance: {from: chart}\n"
SETUP = "setup: bench\nframes: [chart, unseen]\nchart: {frame: chart, edition: average}\n"


def sampled(spectra, zero_outside=False):
    outside = {"method": "Constant", "left": 0, "right": 0} if zero_outside else None
    return np.asarray(spectra.copy().align(SHAPE, extrapolator_kwargs=outside).values)


@cache
def observer():
    return sampled(colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"])


@cache
def sensitivities(camera):
    return np.maximum(sampled(colour.MSDS_CAMERA_SENSITIVITIES[camera], zero_outside=True), 0)


def illuminant(name):
    return sampled(colour.SDS_ILLUMINANTS[name])


@cache
def chart():
    spectra = colour.SDS_COLOURCHECKERS["BabelColor Average"]
    return np.clip([sampled(spectrum) for spectrum in spectra.values()], 0, 1)


@cache
def unseen():
    """The surfaces that sRGB holds, their Lab under D50, and which of them are the paints."""
    paints = [sampled(spectrum) for spectrum in colour.SDS_COLOURCHECKERS["PMC"].values()]
    samples = np.clip([*paints, *np.asarray(load_TCS_CIE2017(SHAPE).values).T], 0, 1)
    d50 = illuminant("D50")[:, None] * observer()
    xyz = samples @ d50 / d50[:, 1].sum()
    srgb = colour.XYZ_to_RGB(xyz, "sRGB", D50, "Bradford", apply_cctf_encoding=False)
    inside = ((srgb > 0.001) & (srgb < 0.98)).all(axis=1)
    is_paint = np.arange(len(samples)) < len(paints)
    return samples[inside], colour.XYZ_to_Lab(xyz[inside], D50), is_paint[inside]


def seen(reflectance, camera, light):
    """Camera RGB; a perfect diffuser has 1 in the channel that sees most."""
    weights = illuminant(light)[:, None] * sensitivities(camera)
    return reflectance @ weights / weights.sum(axis=0).max()


def colour_matrix(camera, light):
    """XYZ to camera RGB by least squares over the other chart, as a maker would calibrate it."""
    spectra = colour.SDS_COLOURCHECKERS["ISO 17321-1"].values()
    patches = np.array([sampled(spectrum) for spectrum in spectra])
    weights = illuminant(light)[:, None] * observer()
    xyz = patches @ weights / weights[:, 1].sum()
    return np.linalg.lstsq(xyz, seen(patches, camera, light), rcond=None)[0].T


def expose(path, rgb, camera, light, draw):
    """A raw of a linear picture (h, w, 3)."""
    electrons = draw.poisson(np.clip(rgb, 0, None) * 0.8 * FULL_WELL)
    levels = np.clip(BLACK + electrons / FULL_WELL * (WHITE - BLACK), 0, WHITE)
    neutral = seen(np.ones(SHAPE.range().size), camera, light)
    return write_dng(
        path,
        mosaic_of(np.round(levels).astype(np.uint16)),
        black=BLACK,
        white=WHITE,
        color_matrix1=colour_matrix(camera, "A"),
        color_matrix2=colour_matrix(camera, "D65"),
        illuminant1=STANDARD_LIGHT_A,
        illuminant2=21,
        as_shot_neutral=neutral / neutral.max(),
    )


def chart_picture(camera, light):
    """The chart, square patches on a dark board before a grey wall."""
    rgb = np.empty((800, 1200, 3))
    rgb[:] = seen(np.full(SHAPE.range().size, 0.25), camera, light)
    rgb[150:650, 225:975] = seen(np.full(SHAPE.range().size, 0.04), camera, light)
    for index, patch in enumerate(seen(chart(), camera, light)):
        top, left = 165 + 120 * (index // 6), 240 + 122 * (index % 6)
        rgb[top : top + 105, left : left + 105] = patch
    return rgb


def cells(count):
    """The middle of each cell of the picture of unseen surfaces, as slices."""
    edge = CELL // 4
    for index in range(count):
        top, left = CELL * (index // 10), CELL * (index % 10)
        yield np.s_[top + edge : top + CELL - edge, left + edge : left + CELL - edge]


def unseen_picture(camera, light):
    patches = seen(unseen()[0], camera, light)
    rows = -(-len(patches) // 10)
    rgb = np.full((CELL * rows, CELL * 10, 3), 0.05)
    for index, patch in enumerate(patches):
        top, left = CELL * (index // 10), CELL * (index % 10)
        rgb[top : top + CELL, left : left + CELL] = patch
    return rgb


def delta(linear, space):
    """ΔE00 of every unseen surface in linear pixels of one of colour-science's RGB spaces."""
    means = np.array([linear[cell].reshape(-1, 3).mean(0) for cell in cells(len(unseen()[0]))])
    xyz = colour.RGB_to_XYZ(means, space, D50, "Bradford", apply_cctf_decoding=False)
    return colour.delta_E(unseen()[1], colour.XYZ_to_Lab(xyz, D50), method="CIE 2000")


def decoded(codes, space):
    return colour.RGB_COLOURSPACES[space].cctf_decoding(codes)


def by_libraw(path, chart_path):
    """The same raw by LibRaw's matrices, brought to the exposure of the chart's greys."""

    def render(raw_path):
        with rawpy.imread(str(raw_path)) as raw:
            return (
                raw.postprocess(
                    output_bps=16,
                    gamma=(1, 1),
                    no_auto_bright=True,
                    use_camera_wb=True,
                    user_flip=0,
                    adjust_maximum_thr=0.0,
                )
                / 65535
            )

    picture = render(chart_path)
    greys = [picture[550:600, 265 + 122 * i : 320 + 122 * i].mean() for i in range(1, 4)]
    d50 = illuminant("D50") * observer()[:, 1]
    expected = [chart()[19 + i] @ d50 / d50.sum() for i in range(3)]
    return render(path) * np.mean(np.divide(expected, greys))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("camera", "light"), [*GOALS, (NIKON, "LED-B3"), (SIGMA, "LED-B3"), (NIKON, "LED-RGB1")]
)
def test_unseen_surfaces_have_their_colour_in_the_files(tmp_path: Path, camera, light) -> None:
    draw = np.random.default_rng(11)
    card = tmp_path / "card"
    card.mkdir()
    expose(card / "chart.dng", chart_picture(camera, light), camera, light, draw)
    expose(card / "unseen.dng", unseen_picture(camera, light), camera, light, draw)
    job = tmp_path / "job"
    for name, text in {
        "job.yaml": JOB,
        "recipes/proof.yaml": PROOF,
        "setups/bench.yaml": SETUP,
    }.items():
        (job / name).parent.mkdir(parents=True, exist_ok=True)
        (job / name).write_text(text)
    assert ingest(job, [card]).failed == {}
    rate(job, 3, ["unseen"])
    report = run(job, deliveries=["tiff", "jpeg"], engine=InProcess())
    assert report.exit_code == 0, report.failed

    tiff = tifffile.imread(job / "deliveries/tiff/unseen.tif") / 65535
    tiff_delta = delta(decoded(tiff, "Adobe RGB (1998)"), "Adobe RGB (1998)")
    jpeg = np.asarray(Image.open(job / "deliveries/jpeg/unseen.jpg")) / 255
    jpeg_delta = delta(decoded(jpeg, "sRGB"), "sRGB")
    libraw_delta = delta(by_libraw(card / "unseen.dng", card / "chart.dng"), "sRGB")
    paint = unseen()[2]
    for name, which in (("paints", paint), ("CIE 224", ~paint)):
        ours, others = tiff_delta[which], libraw_delta[which]
        print(
            f"{camera} {light}, {name}: TIFF {ours.mean():.2f} mean, {np.percentile(ours, 90):.2f} "
            f"90th percentile, {ours.max():.2f} max; JPEG {jpeg_delta[which].mean():.2f} mean; "
            f"LibRaw {others.mean():.2f} mean"
        )
        assert ours.mean() < others.mean()
        assert abs(jpeg_delta[which].mean() - ours.mean()) <= 0.5
    assert tiff_delta[paint].mean() <= GOALS.get((camera, light), np.inf)
