"""The fused pass against the plain reference, and its promise: the same bits however it is cut."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.chain import compiled
from pipeline.develop import master_pixels
from pipeline.frame import Light
from pipeline.kernels.orient import upright, upright_shape
from pipeline.kernels.spaces import D65, between_matrix
from pipeline.records import ResolvedStep
from pipeline.steps import STEPS
from tests import reference

CAMERA = np.array([[0.9, 0.15, -0.05], [0.1, 1.0, -0.1], [0.02, -0.2, 1.18]])


class PictureInMemory:
    """A source whose linear values are known."""

    def __init__(self, pixels, orientation=1, camera=CAMERA):
        self.pixels = pixels
        self.height, self.width = pixels.shape[:2]
        self.orientation = orientation
        self.light = Light(D65, lambda _xy: camera, lambda _rgb: D65)

    def strip(self, top, bottom, out):
        out[:, :, : self.width] = self.pixels[top:bottom].transpose(2, 0, 1)

    def preview(self):
        return upright(self.pixels, self.orientation)[::4, ::4]


def steps_of(chain):
    return [
        ResolvedStep("look", name, name, STEPS[name].version, written) for name, written in chain
    ]


@pytest.fixture
def picture(rng):
    level = np.exp2(rng.uniform(-8, 2.5, (61, 83, 1))) * 0.18
    return (level * rng.uniform(0.05, 1.5, (61, 83, 3))).astype(np.float32)


LOOK = [
    ("balance", {"from": "as-shot"}),
    ("expose", {"stops": 0.15}),
    ("tone", {"contrast": 1.12, "toe": 0.2, "shoulder": 0.35}),
    ("primaries", {"slope": [1.02, 1, 0.97], "power": [1.0, 0.98, 1.03], "saturation": 1.04}),
    ("hue", [{"at": 40, "width": 25, "turn": 2, "chroma": 1.05}]),
]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_threads_and_strips_change_no_bit(picture, orientation):
    source = PictureInMemory(picture, orientation)
    first = master_pixels(source, steps_of(LOOK))
    assert first.shape == (*upright_shape(61, 83, orientation), 3)
    for threads, rows in ((2, 96), (1, 1), (3, 7), (2, 61), (4, 1000)):
        again = master_pixels(source, steps_of(LOOK), threads=threads, strip_rows=rows)
        np.testing.assert_array_equal(again, first)
    plain = master_pixels(PictureInMemory(picture, 1), steps_of(LOOK))
    np.testing.assert_array_equal(first, upright(plain, orientation))


def floats(low, high):
    return st.floats(low, high, allow_nan=False)


def three(low, high):
    return st.lists(floats(low, high), min_size=3, max_size=3)


BANDS = st.lists(
    st.fixed_dictionaries({
        "at": floats(0, 359), "width": floats(10, 120), "turn": floats(-20, 20),
        "chroma": floats(0.5, 1.6), "lightness": floats(0.8, 1.2),
    }),
    max_size=6,
)  # fmt: skip
WORKING = {
    "tone": st.fixed_dictionaries({
        "contrast": floats(0.6, 1.8), "toe": floats(0, 0.875),
        "shoulder": st.just(0.0) | floats(0.01, 1), "pivot": floats(0.09375, 0.25),
    }),
    "primaries": st.fixed_dictionaries({
        "slope": three(0.7, 1.4), "offset": three(-0.03, 0.03), "power": three(0.7, 1.4),
        "saturation": floats(0.5, 1.5), "clamp": st.booleans(),
    }),
    "hue": BANDS,
    "mono": st.fixed_dictionaries({
        "red": floats(0, 1), "green": floats(0.25, 1), "blue": floats(0, 1), "amount": floats(0, 1),
    }),
}  # fmt: skip
RECIPES = st.tuples(
    floats(-2, 2),
    st.lists(
        st.sampled_from(sorted(WORKING)).flatmap(
            lambda name: st.tuples(st.just(name), WORKING[name])
        ),
        max_size=5,
        unique_by=lambda pair: pair[0],
    ),
)


def by_reference(pixels, stops, chain):
    """Scene light through the plain float64 steps, still linear working RGB."""
    rgb = reference.expose(pixels.astype(float) @ CAMERA.T, stops)
    for name, written in chain:
        rgb = (
            reference.hue(rgb, written) if name == "hue" else reference.STEPS[name](rgb, **written)
        )
    return rgb


@settings(max_examples=60, deadline=None)
@given(recipe=RECIPES, seed=st.integers(0, 1000))
def test_random_recipes_equal_the_reference(recipe, seed):
    """Within 1e-4, before encoding, over whatever a recipe may ask."""
    stops, chain = recipe
    rng = np.random.default_rng(seed)
    level = np.exp2(rng.uniform(-7, 2, (640, 1))) * 0.18
    pixels = (level * rng.uniform(0.2, 1.5, (640, 3))).astype(np.float32)
    source = PictureInMemory(pixels[None])
    written = [("balance", {"from": "as-shot"}), ("expose", {"stops": stops}), *chain]
    planes = pixels.T.copy()
    operations = compiled(steps_of(written), source)
    for kernel, arguments in (*operations.scene, *operations.rest):
        kernel(*planes, *arguments)
    expected = by_reference(pixels, stops, chain)
    scale = np.maximum(np.abs(expected).max(axis=1, keepdims=True), 1)
    error = np.abs(planes.T - expected) / scale
    assert error.max() < 1e-4


def test_the_master_holds_what_the_steps_made(picture):
    """Codes read back as ROMM RGB by colour-science equal the reference, where nothing clips."""
    import colour

    look = [pair for pair in LOOK if pair[0] in ("balance", "tone")]
    codes = master_pixels(PictureInMemory(picture, camera=np.eye(3)), steps_of(look)) / 65535
    romm = reference.colourspace("romm-rgb")
    tone = {"contrast": 1.12, "toe": 0.2, "shoulder": 0.35}
    expected = reference.tone(picture.astype(float), **tone)
    linear = colour.RGB_to_RGB(expected, reference.BT2020, romm, "Bradford")
    inside = ((linear >= 0) & (linear <= 1)).all(axis=-1)
    assert inside.mean() > 0.6
    encoded = romm.cctf_encoding(linear[inside])
    assert np.abs(codes[inside] - encoded).max() < 1e-4


def test_without_a_curve_the_master_is_colorimetric():
    """18 % grey and an sRGB red keep their colour: ROMM codes from the standard's own numbers."""
    pixels = np.full((4, 70, 3), 0.18, np.float32)
    red = between_matrix("srgb", "working") @ [0.5, 0.05, 0.05]
    pixels[:, 35:] = red
    codes = master_pixels(PictureInMemory(pixels, camera=np.eye(3)), [])
    # ISO 22028-2: 0.18 ** (1 / 1.8) = 0.385711
    np.testing.assert_allclose(codes[0, 0] / 65535, 0.385711, atol=1.1e-5)
    romm = reference.colourspace("romm-rgb")
    import colour

    lab = colour.XYZ_to_Lab(
        colour.RGB_to_XYZ(codes[0, 60] / 65535, romm, apply_cctf_decoding=True), romm.whitepoint
    )
    srgb = reference.colourspace("srgb")
    xyz = colour.RGB_to_XYZ([0.5, 0.05, 0.05], srgb)
    adapted = xyz @ reference.adaptation(srgb.whitepoint, romm.whitepoint).T
    np.testing.assert_allclose(lab, colour.XYZ_to_Lab(adapted, romm.whitepoint), atol=5e-3)


def test_exposure_of_a_frame_comes_before_the_curve_of_the_look(picture):
    """A frame's ``adjust`` follows the look; its exposure must roll off in the shoulder."""
    late = master_pixels(PictureInMemory(picture), steps_of([*LOOK[2:], ("expose", {"stops": 1})]))
    early = master_pixels(PictureInMemory(picture), steps_of([("expose", {"stops": 1}), *LOOK[2:]]))
    np.testing.assert_array_equal(late, early)
