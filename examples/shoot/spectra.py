"""The light, the paints and the camera of the demo shoot: spectra in, camera RGB and truth out.

Everything is measured data that colour-science carries; nothing here knows scenes or pixels.
"""

from __future__ import annotations

import functools
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Float64 = NDArray[np.float64]

WAVELENGTHS_NM: Float64 = np.arange(380.0, 781.0, 5.0)
"""Where every spectrum is sampled; sums over it stand for integrals."""

CHART = "BabelColor Average"
CAMERA = "Nikon 5100 (NPL)"

PATCHES = (
    *("dark skin", "light skin", "blue sky", "foliage", "blue flower", "bluish green"),
    *("orange", "purplish blue", "moderate red", "purple", "yellow green", "orange yellow"),
    *("blue", "green", "red", "yellow", "magenta", "cyan"),
    *("white 9.5 (.05 D)", "neutral 8 (.23 D)", "neutral 6.5 (.44 D)"),
    *("neutral 5 (.70 D)", "neutral 3.5 (1.05 D)", "black 2 (1.5 D)"),
)
"""The 24 patches in the order of the chart: four rows of six, from the upper left."""

WHITE, GREY, DARK = "white 9.5 (.05 D)", "neutral 5 (.70 D)", "black 2 (1.5 D)"

MIXTURES: dict[str, dict[str, float]] = {
    # products: glossy enamel
    "red enamel": {"red": 1.0},
    "teal enamel": {"cyan": 0.30, "bluish green": 0.22, "green": 0.18, DARK: 0.30},
    "cream enamel": {WHITE: 0.78, "orange yellow": 0.14, "light skin": 0.08},
    "blue enamel": {"blue": 0.72, "purplish blue": 0.10, DARK: 0.18},
    "white enamel": {WHITE: 0.94, "neutral 8 (.23 D)": 0.06},
    "black enamel": {DARK: 1.0},
    "brass": {"orange yellow": 0.34, "yellow": 0.16, "dark skin": 0.50},
    # what a retoucher takes away, and what holds the patches
    "sticker": {"yellow": 0.55, WHITE: 0.45},
    "chart frame": {DARK: 0.80, "neutral 3.5 (1.05 D)": 0.20},
    "cable": {DARK: 0.85, "dark skin": 0.15},
    # the quay
    "light stone": {"neutral 6.5 (.44 D)": 0.62, "neutral 8 (.23 D)": 0.30, "orange yellow": 0.08},
    "dark stone": {"neutral 3.5 (1.05 D)": 0.82, "dark skin": 0.12, "foliage": 0.06},
    "pale plank": {"neutral 6.5 (.44 D)": 0.56, "orange yellow": 0.18, "dark skin": 0.26},
    "dark plank": {"dark skin": 0.55, "foliage": 0.15, DARK: 0.30},
    "lime wash": {WHITE: 0.60, "neutral 8 (.23 D)": 0.33, "orange yellow": 0.07},
    "worn lime wash": {
        "neutral 6.5 (.44 D)": 0.72,
        "orange yellow": 0.12,
        "neutral 5 (.70 D)": 0.16,
    },
    "rope": {"light skin": 0.45, "orange yellow": 0.15, "dark skin": 0.40},
    "cast iron": {DARK: 0.80, "neutral 3.5 (1.05 D)": 0.20},
    # the jumper
    "skin": {"light skin": 0.85, "dark skin": 0.15},
    "jacket": {"orange yellow": 0.75, "dark skin": 0.25},
    "trousers": {"purplish blue": 0.20, "neutral 3.5 (1.05 D)": 0.80},
    "shoes": {WHITE: 0.7, "light skin": 0.3},
    "hair": {DARK: 0.7, "dark skin": 0.3},
    # far away
    "headland": {"foliage": 0.45, "blue sky": 0.35, "neutral 6.5 (.44 D)": 0.20},
    "sea": {"blue sky": 0.35, "foliage": 0.20, DARK: 0.45},
    "zenith": {"blue sky": 0.85, "purplish blue": 0.15},
    "haze": {WHITE: 0.80, "blue sky": 0.20},
}
"""Surfaces as mixtures of patch reflectances; the weights are shares of area and sum to 1."""

ILLUMINANTS: dict[str, dict[str, float]] = {
    "daylight": {"D55": 1.0},
    "dusk": {"A": 1.0},
    "mixed": {"LED-B3": 0.75, "D65": 0.25},
}
"""The light of each setup: shares of luminance of CIE illuminants."""

SKYLIGHT: dict[str, dict[str, float]] = {
    "daylight": {"D65": 1.0},
    "dusk": {"D65": 0.70, "A": 0.30},
    "mixed": {"D65": 1.0},
}
"""What the sky itself, seen behind the quay or mirrored in gloss, is lit by. It is kept off the
matt part of things, so that a setup has one light and a chart can correct it."""


@functools.cache
def _colour() -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its plotting part is optional and not wanted
        import colour
    return colour


def _sampled(spectra: Any, outside: str | None = None) -> Float64:
    """Values at ``WAVELENGTHS_NM``; beyond the measured range the last value, or zero."""
    colour = _colour()
    extrapolator = {"method": "Constant", "left": 0, "right": 0} if outside == "zero" else None
    shape = colour.SpectralShape(380, 780, 5)
    aligned = spectra.copy().align(shape, extrapolator_kwargs=extrapolator)
    return np.asarray(aligned.values, np.float64)


@functools.cache
def observer() -> Float64:
    """CIE 1931 2 degree colour matching functions, shape (81, 3)."""
    return _sampled(_colour().MSDS_CMFS["CIE 1931 2 Degree Standard Observer"])


@functools.cache
def sensitivities() -> Float64:
    """The camera's spectral sensitivities, shape (81, 3), red green blue; relative."""
    return np.maximum(_sampled(_colour().MSDS_CAMERA_SENSITIVITIES[CAMERA], "zero"), 0)


@functools.cache
def patches() -> dict[str, Float64]:
    """Reflectance of each chart patch, by name."""
    chart = _colour().SDS_COLOURCHECKERS[CHART]
    return {name: np.clip(_sampled(chart[name]), 0, 1) for name in PATCHES}


@functools.cache
def reflectances() -> dict[str, Float64]:
    """Reflectance of every surface of the shoot: the patches and the mixtures of them."""
    surfaces = dict(patches())
    for name, shares in MIXTURES.items():
        if abs(sum(shares.values()) - 1) > 1e-9:
            raise ValueError(f"the shares of {name} do not sum to 1")
        surfaces[name] = np.sum([s * surfaces[part] for part, s in shares.items()], axis=0)
    return surfaces


def illuminant(shares: Mapping[str, float]) -> Float64:
    """A mixture of CIE illuminants, its luminance 1."""
    colour = _colour()
    total = np.zeros(len(WAVELENGTHS_NM))
    for name, share in shares.items():
        power = _sampled(colour.SDS_ILLUMINANTS[name])
        total += share * power / (power @ observer()[:, 1])
    return total


def xyz(reflectance: Float64, light: Float64) -> Float64:
    """CIE XYZ of reflectances (..., 81) under a light; a perfect diffuser has Y = 1."""
    weights = light[:, None] * observer()
    return np.asarray(reflectance @ weights / weights[:, 1].sum(), np.float64)


def chromaticity(light: Float64) -> tuple[float, float]:
    """CIE 1931 (x, y) of a light."""
    x, y, z = light @ observer()
    return float(x / (x + y + z)), float(y / (x + y + z))


def lab_d50(reflectance: Float64) -> Float64:
    """CIE L*a*b* (CIE 15:2018, 8.2.1) of reflectances under D50, 2 degree observer."""
    d50 = illuminant({"D50": 1.0})
    ratio = xyz(reflectance, d50) / xyz(np.ones(len(WAVELENGTHS_NM)), d50)
    cut = 6 / 29
    f = np.where(ratio > cut**3, np.cbrt(ratio), ratio / (3 * cut**2) + 4 / 29)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])],
        axis=-1,
    )


def camera_rgb(reflectance: Float64, light: Float64) -> Float64:
    """What the camera sees of reflectances (..., 81); a perfect diffuser has green = 1."""
    weights = light[:, None] * sensitivities()
    return np.asarray(reflectance @ weights / weights[:, 1].sum(), np.float64)


def emitted_rgb(reflectance: Float64, light: Float64, white: Float64) -> Float64:
    """Camera RGB of a second light (through a reflectance), scaled so that a perfect diffuser in it
    is as luminous as one in ``white``; for skies and lamps seen beside a setup's own light."""
    weights = (light / (light @ observer()[:, 1]))[:, None] * sensitivities()
    reference = (white / (white @ observer()[:, 1])) @ sensitivities()[:, 1]
    return reflectance @ weights / reference


@functools.cache
def _training_set() -> Float64:
    """Reflectances that the camera's matrices are fitted on: CIE 224:2017 samples and charts."""
    colour = _colour()
    from colour.quality.cfi2017 import load_TCS_CIE2017

    samples = np.asarray(load_TCS_CIE2017(colour.SpectralShape(380, 780, 5)).values, np.float64).T
    other = colour.SDS_COLOURCHECKERS["ISO 17321-1"]
    chart = np.array([_sampled(spectrum) for spectrum in other.values()])
    return np.vstack([samples, chart, *patches().values()])


def colour_matrix(shares: Mapping[str, float]) -> Float64:
    """DNG ColorMatrix for one calibration illuminant: XYZ to camera native RGB, shape (3, 3).

    Least squares over the training set, dark colours weighted up as lightness does, and the
    illuminant itself held exactly (a heavy row), so that a neutral gives back its chromaticity.
    Scaled so that the larger response to the D50 of the profile connection space is 1, as DNG
    writers do (Digital Negative Specification 1.7, chapter 6).
    """
    light = illuminant(shares)
    training = _training_set()
    source, target = xyz(training, light), camera_rgb(training, light)
    weight = np.maximum(source[:, 1:2], 0.01) ** (-2 / 3)
    white = np.ones((1, len(WAVELENGTHS_NM)))
    source = np.vstack([source * weight, 1e4 * xyz(white, light)])
    target = np.vstack([target * weight, 1e4 * camera_rgb(white, light)])
    matrix = np.linalg.lstsq(source, target, rcond=None)[0].T
    pcs_white = np.array([0.9642, 1.0, 0.8249])
    return np.asarray(matrix / (matrix @ pcs_white).max(), np.float64)


@dataclass(frozen=True, slots=True)
class Palette:
    """One setup's light, as the camera sees it.

    ``surface`` maps a surface's name to the camera RGB of its matt part at unit illumination (a
    perfect diffuser has green 1); ``light`` is the camera RGB of a mirrored or emitted unit of the
    setup's own light; ``sky`` maps the parts of the sky. ``neutral`` is DNG's AsShotNeutral.
    """

    setup: str
    surface: dict[str, Float64]
    light: Float64
    sky: dict[str, Float64]
    neutral: Float64
    xy: tuple[float, float]


SKY_PARTS = ("zenith", "haze", "sea", "headland")


@functools.cache
def palette(setup: str) -> Palette:
    """The camera RGB of everything under one setup's light."""
    light = illuminant(ILLUMINANTS[setup])
    skylight = illuminant(SKYLIGHT[setup])
    every = reflectances()
    white = camera_rgb(np.ones(len(WAVELENGTHS_NM)), light)
    return Palette(
        setup=setup,
        surface={name: camera_rgb(reflectance, light) for name, reflectance in every.items()},
        light=white,
        sky={part: emitted_rgb(every[part], skylight, light) for part in SKY_PARTS},
        neutral=white / white.max(),
        xy=chromaticity(light),
    )
