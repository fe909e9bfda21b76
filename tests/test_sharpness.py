"""What deliveries and masters show of a slanted edge, measured by e-SFR (ISO 12233)."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.develop import master_pixels
from pipeline.files.raw import open_original
from pipeline.framing import Size
from pipeline.kernels.medium import wanted_gain
from pipeline.kernels.resize import lanczos_transfer
from pipeline.kernels.spaces import SPACES
from pipeline.rendition import RenditionSpec, render
from pipeline.viewing import USUAL, Viewing
from tests.dng import mosaic_of, write_dng
from tests.slanted_edge import BRIGHT, DARK, edge, mtf50, sfr

UP_TO = 0.30
"""Cycles a pixel up to which a delivery's SFR is within 5 % of its target."""

HALF = Size(scale=0.5)


# MTF50 of a square pixel and a Gaussian: sin(pi f) / (pi f) exp(-2 pi^2 s^2 f^2) = 0.5, solved
@pytest.mark.parametrize(
    ("blur_px", "at"), [(0.5, 0.3231), (0.8, 0.2202), (1.0, 0.1800), (1.5, 0.1227)]
)
def test_the_measurement_finds_a_blur_that_is_known(blur_px, at):
    frequency, modulation = sfr(edge(160, 80, blur_px))
    assert abs(mtf50(frequency, modulation) / at - 1) < 0.02
    known = np.sinc(frequency) * np.exp(-2 * (np.pi * blur_px * frequency) ** 2)
    assert np.abs(modulation - known).max() < 0.01


def codes_of(linear):
    """A grey ROMM master of linear light."""
    codes = np.round(SPACES["romm-rgb"].transfer.encode(linear) * 65535)
    return codes.astype(np.uint16)[..., None].repeat(3, 2)


def light_of(codes, space="srgb"):
    return SPACES[space].transfer.decode(codes[..., 1] / 65535)


@pytest.fixture(scope="module")
def master():
    return codes_of(edge(480, 380))


SEEN = [*USUAL.values(), Viewing("screen", 220, 500.0), Viewing("matte", 200, 600.0)]


@pytest.mark.parametrize("viewing", SEEN, ids=str)
@pytest.mark.parametrize("scale", [1, 0.4])
def test_a_delivered_edge_has_the_transfer_that_its_medium_asks_for(master, viewing, scale):
    # at full size a part will do
    source = master if scale < 1 else master[:200, 90:-90]
    spec = RenditionSpec("srgb", 16, size=Size(scale=scale), sharpen_for=viewing)
    light = light_of(render(source, [spec])[0])
    ratio = source.shape[1] / light.shape[1]
    frequency, modulation = sfr(light)
    # the master's own pixels, then what resizing keeps, then what the medium wants
    target = np.sinc(frequency / ratio) * lanczos_transfer(frequency, ratio)
    target *= wanted_gain(frequency, viewing, ratio)
    within = frequency <= UP_TO
    assert np.abs(modulation / target - 1)[within].max() < 0.05
    # and that is more than without it
    plain = light_of(render(source, [RenditionSpec("srgb", 16, size=Size(scale=scale))])[0])
    assert modulation[within][-1] > sfr(plain)[1][within][-1] * 1.04
    # beyond what resizing itself overshoots, about 5 L* and no more: common practice, no source
    assert light.max() <= plain.max() * 1.12 + 1e-4
    assert light.min() >= plain.min() * 0.78 - 1e-4


def test_what_resizing_takes_is_given_back_too(master):
    """The finest detail gains more where Lanczos' kernel took of it: half at 0.5 cycles a pixel."""
    gained = []
    for scale in (0.4, 1):
        spec = RenditionSpec("srgb", 16, size=Size(scale=scale), sharpen_for=USUAL["screen"])
        sharp = sfr(light_of(render(master, [spec])[0]))[1]
        plain = sfr(
            light_of(render(master, [RenditionSpec("srgb", 16, size=Size(scale=scale))])[0])
        )[1]
        gained.append(sharp[-1] / plain[-1])
    assert gained[0] > gained[1] + 0.03


@pytest.mark.parametrize("medium", USUAL)
def test_as_seen_an_edge_is_nearer_to_the_scene_where_the_eye_is_sharpest(master, medium):
    """Through the medium as modelled, at 8 cycles a degree (Mannos and Sakrison's peak)."""
    from pipeline.kernels.medium import medium_transfer

    viewing = USUAL[medium]
    at = 8 / viewing.pixels_a_degree
    seen = {}
    for sharpen_for in (viewing, None):
        spec = RenditionSpec("srgb", 16, size=Size(scale=0.5), sharpen_for=sharpen_for)
        frequency, modulation = sfr(light_of(render(master, [spec])[0]))
        seen[sharpen_for] = np.interp(at, frequency, modulation) * medium_transfer(at, viewing)
    assert abs(seen[viewing] - 1) < 0.03
    assert abs(seen[viewing] - 1) < abs(seen[None] - 1)


@pytest.mark.parametrize("medium", USUAL)
def test_noise_of_flat_areas_stays_within_its_bound(medium, rng):
    noisy = codes_of(0.3 * (1 + rng.normal(0, 0.02, (400, 400))))
    noise = [
        light_of(
            render(noisy, [RenditionSpec("srgb", 16, size=Size(scale=0.5), sharpen_for=seen)])[0]
        ).std()
        for seen in (USUAL[medium], None)
    ]
    assert 1.02 < noise[0] / noise[1] < 1.4


def test_hue_and_chroma_of_an_edge_stay(rng):
    colours = np.array([[0.30, 0.12, 0.05], [0.10, 0.35, 0.50]])
    linear = np.empty((200, 200, 3))
    linear[:, :100], linear[:, 100:] = colours
    codes = np.round(SPACES["romm-rgb"].transfer.encode(linear) * 65535).astype(np.uint16)
    space = "romm-rgb"
    sharp, plain = (
        SPACES[space].transfer.decode(codes / 65535)
        for codes in render(
            codes,
            [
                RenditionSpec(space, 16, size=Size(scale=0.5), sharpen_for=m)
                for m in (USUAL["matte"], None)
            ],
        )
    )
    share = sharp / sharp.sum(axis=2, keepdims=True)
    assert np.abs(share - plain / plain.sum(axis=2, keepdims=True)).max() < 2e-4
    assert np.abs(sharp / plain - 1).max() > 0.05


@pytest.mark.parametrize("blur_px", [0.0, 0.5])
def test_masters_are_not_sharpened(tmp_path, blur_px):
    """Max modulation at most 1.05: FADGI Technical Guidelines (2023), 3 stars; Metamorfoze 2.0.

    From a raw's mosaic, through the whole of developing, with no step.
    """
    neutral = (0.5, 1.0, 0.6)
    scene = edge(200, 140, blur_px)[..., None] * np.array(neutral)
    cfa = np.round(mosaic_of(scene) * 60000).astype(np.uint16)
    path = write_dng(tmp_path / "edge.dng", cfa, as_shot_neutral=neutral)
    light = light_of(master_pixels(open_original(path), []), "romm-rgb")
    assert light.min() == pytest.approx(DARK * 60000 / 65535, rel=0.03)
    assert light.max() == pytest.approx(BRIGHT * 60000 / 65535, rel=0.03)
    frequency, modulation = sfr(light)
    assert modulation.max() <= 1.05
    # and what the lens and the pixels drew is still there
    known = np.sinc(frequency) * np.exp(-2 * (np.pi * blur_px * frequency) ** 2)
    assert np.abs(modulation - known)[frequency < 0.35].max() < 0.05
