"""Local edits in the fused pass: against the plain reference, and what must not change."""

from __future__ import annotations

import itertools

import colour
import numpy as np
import pytest

from pipeline.chain import compiled, densities_of
from pipeline.develop import master_pixels
from pipeline.edits import EDITS
from pipeline.kernels.masks import Box
from pipeline.kernels.orient import upright
from pipeline.records import ResolvedStep
from tests import reference
from tests.test_develop import CAMERA, LOOK, PictureInMemory, steps_of

DISC = {"ellipse": {"centre": [0.4, 0.5], "radii": [0.35, 0.3], "feather": 0.5}}
SLOPE = {"gradient": {"from": [0.2, 0.3], "to": [0.9, 0.6]}}
WHOLE = {"whole": True}
VALUES = {
    "balance": {"mired": 25.0, "duv": -0.004},
    "dodge": 0.7,
    "burn": 0.4,
    "contrast": 1.3,
    "saturation": 1.4,
    "hue": 12.0,
    "tint": {"hue": 60.0, "chroma": 0.03},
}


def local(edit, mask, value=None, name="edit", **more):
    """A local edit as the plan hands it over."""
    value = VALUES[edit] if value is None else value
    parameters = {"name": name, "mask": mask, edit: value, **more}
    return ResolvedStep("local", name, edit, EDITS[edit].version, parameters)


def scene(rng, height=61, width=83):
    level = np.exp2(rng.uniform(-6, 1.5, (height, width, 1))) * 0.18
    return (level * rng.uniform(0.2, 1.5, (height, width, 3))).astype(np.float32)


def linear(picture, steps, camera=CAMERA):
    """What a chain makes of a picture before it is encoded: (h, w, 3) working RGB."""
    source = PictureInMemory(picture, camera=camera)
    chain = compiled(steps, source)
    height, width = picture.shape[:2]
    count = -(-height * width // 64) * 64
    planes = np.zeros((3, count), np.float32)
    planes[:, : height * width] = picture.reshape(-1, 3).T
    for kernel, arguments in chain.scene:
        kernel(*planes, *arguments)
    seen = planes[:, : height * width].reshape(3, height, width).copy()

    def at(window):
        part = seen[:, window.top : window.bottom, window.left : window.right]
        return np.ascontiguousarray(part)

    for item in chain.rest:
        if len(item) == 2 and hasattr(item, "density"):
            density = np.zeros(count, np.float32)
            density[: height * width] = item.density.at(Box(0, height, 0, width), at).ravel()
            item.operation.kernel(*planes, density, *item.operation.arguments)
        else:
            item.kernel(*planes, *item.arguments)
    return planes[:, : height * width].T.reshape(height, width, 3)


# --- each edit ------------------------------------------------------------------------------------


def test_every_edit_explains_itself_and_has_a_reference():
    # those that look around a pixel are tested in test_heal and test_texture
    around = {"heal", "soften", "local_contrast", "sharpen"}
    assert set(EDITS) - {"match"} - around == set(reference.EDITS) == set(VALUES)
    for name, edit in EDITS.items():
        assert edit.name == name
        assert edit.about.endswith(".")
        assert edit.version >= 1
    assert len({edit.order for edit in EDITS.values()}) == len(EDITS)


@pytest.mark.parametrize("edit", VALUES)
def test_an_edit_equals_the_reference_at_every_density(rng, edit):
    picture = scene(rng)
    # contrast turns about the mean of the reduced picture: here that is every fourth pixel
    source = PictureInMemory(picture, camera=np.eye(3))
    source.preview = lambda: picture
    density = reference.ellipse(61, 83, (0.4, 0.5), (0.35, 0.3), 0.5)
    value = VALUES[edit]
    settings = value if isinstance(value, dict) else {_only(edit): value}
    expected = reference.EDITS[edit](picture.astype(float), density, **settings)
    chain = compiled([local(edit, DISC)], source)
    (masked,) = (item for item in chain.rest if hasattr(item, "density"))
    planes = np.zeros((3, 5120), np.float32)
    planes[:, : 61 * 83] = picture.reshape(-1, 3).T
    flat = np.zeros(5120, np.float32)
    flat[: 61 * 83] = masked.density.at(Box(0, 61, 0, 83)).ravel()
    masked.operation.kernel(*planes, flat, *masked.operation.arguments)
    found = planes[:, : 61 * 83].T.reshape(61, 83, 3)
    error = np.abs(found - expected) / np.maximum(np.abs(expected).max(-1, keepdims=True), 1e-2)
    # temperatures along the locus by another method agree within a kelvin or two
    assert error.max() < (2e-3 if edit == "balance" else 1e-4)
    outside = density == 0
    np.testing.assert_array_equal(found[outside], picture[outside])


def _only(edit):
    return {"dodge": "stops", "burn": "stops", "contrast": "slope", "saturation": "factor",
            "hue": "degrees"}[edit]  # fmt: skip


@pytest.mark.parametrize("edit", VALUES)
def test_where_the_density_is_zero_no_bit_changes_even_of_hostile_pixels(edit):
    chain = compiled([local(edit, WHOLE)], PictureInMemory(np.full((8, 64, 3), 0.18, np.float32)))
    (masked,) = (item for item in chain.rest if hasattr(item, "density"))
    bad = [np.nan, np.inf, -np.inf, -0.5, 0.0, 1e30, 1e-30, 0.18]
    pixels = np.array(list(itertools.product(bad, repeat=3))[:512], np.float32).T.copy()
    before = pixels.copy()
    with np.errstate(all="ignore"):
        masked.operation.kernel(*pixels, np.zeros(512, np.float32), *masked.operation.arguments)
    np.testing.assert_array_equal(pixels, before)
    nothing = np.zeros((4, 0), np.float32)
    masked.operation.kernel(*nothing, *masked.operation.arguments)


def test_a_filter_makes_grey_warmer_at_the_same_luminance():
    from pipeline.kernels.temperature import cct_of_xy, filter_matrix

    xyz = reference.BT2020.matrix_RGB_to_XYZ @ filter_matrix(30, 0.0) @ np.ones(3)
    assert xyz[1] == pytest.approx(1, abs=1e-9)
    kelvin, duv = cct_of_xy((xyz[0] / xyz.sum(), xyz[1] / xyz.sum()))
    # CIE 15: D65 has 6504 K, 153.8 mired
    assert 1e6 / kelvin == pytest.approx(153.8 + 30, abs=0.2)
    assert duv == pytest.approx(0.0032, abs=2e-4)
    green = filter_matrix(0, 0.01) @ np.ones(3)
    assert green[1] > green[0] and green[1] > green[2]
    assert np.allclose(filter_matrix(20, 0.003) @ filter_matrix(-15, -0.001),
                       filter_matrix(-15, -0.001) @ filter_matrix(20, 0.003))  # fmt: skip


@pytest.mark.parametrize("duv", [-0.03, 0.0, 0.02, 0.03])
@pytest.mark.parametrize("mired", [-100, 150, 250])
def test_no_filter_turns_light_negative(mired, duv):
    """A filter only takes light away: in cone responses (Bradford, from colour-science) it is a
    factor each, and none of them can be below 0."""
    from pipeline.kernels.temperature import filter_matrix

    to_cones = colour.adaptation.CAT_BRADFORD @ reference.BT2020.matrix_RGB_to_XYZ
    factors = to_cones @ filter_matrix(mired, duv) @ np.linalg.inv(to_cones)
    np.testing.assert_allclose(factors, np.diag(np.diag(factors)), atol=1e-6)
    assert np.diag(factors).min() > 0.015


def test_a_dodge_of_a_stop_doubles_the_light_and_rolls_off_in_the_shoulder(rng):
    picture = scene(rng)
    look = steps_of([("tone", {"contrast": 1.1, "shoulder": 0.6})])
    dodged = linear(picture, [*look, local("dodge", WHOLE, 1.0)])
    exposed = linear(picture, [*look, *steps_of([("expose", {"stops": 1})])])
    np.testing.assert_allclose(dodged, exposed, rtol=1e-5, atol=1e-6)


def test_contrast_keeps_the_regions_own_grey():
    ramp = np.exp2(np.linspace(-3, 1, 64))[None, :, None] * np.ones((16, 1, 3)) * 0.18
    picture = ramp.astype(np.float32)
    out = linear(picture, [local("contrast", WHOLE, 1.5)], camera=np.eye(3))
    before, after = np.log2(picture[0, :, 0]), np.log2(out[0, :, 0])
    slope = np.diff(after) / np.diff(before)
    np.testing.assert_allclose(slope, 1.5, atol=2e-3)
    # the preview takes every fourth column
    middle = before[::4].mean()
    assert np.interp(middle, before, after) == pytest.approx(middle, abs=2e-3)


# --- in the pass ----------------------------------------------------------------------------------

ALL_EDITS = [
    local("dodge", DISC, name="one"),
    local("balance", SLOPE, name="two"),
    local("contrast", {"not": DISC, "feather": 6.0}, name="three"),
    local("saturation", {"times": [DISC, SLOPE]}, name="four"),
    local("hue", {"tones": {"from": -4.0, "to": -0.5, "soft": 1.5}}, name="five"),
    local("tint", {"any": [{"polygon": [[0.5, 0.1], [0.9, 0.2], [0.6, 0.8]], "feather": 3.0},
                           {"all": [DISC, {"colour": {"lab": [40, 20, 20], "within": 25.0}}]}]},
          name="six"),
    local("burn", {"painted": "m.png"}, name="seven"),
    local("saturation", {"tones": {"from": -3.0}, "feather": 4.0}, 0.6, name="eight"),
    local("dodge", {"polygon": [[0.2, 0.2], [0.5, 0.3], [0.3, 0.7]], "snap": 3.0, "grow": 2.0,
                    "feather": 5.0}, 0.5, name="nine"),
    local("burn", {"polygon": [[0.2, 0.2], [0.5, 0.3], [0.3, 0.7]], "shrink": 2.0}, name="ten"),
    local("hue", {"all": [DISC, {"tones": {"to": 0.0}}], "snap": 2.0}, name="eleven"),
]  # fmt: skip
PAINT = np.random.default_rng(3).integers(0, 256, (30, 41)).astype(np.uint8)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_threads_and_strips_change_no_bit_of_any_mask(rng, orientation):
    picture = scene(rng)
    steps = [*steps_of(LOOK), *ALL_EDITS]
    source = PictureInMemory(picture, orientation)
    painted = {"m.png": PAINT.T.copy() if orientation >= 5 else PAINT}
    first = master_pixels(source, steps, painted=painted)
    plain = master_pixels(source, steps_of(LOOK))
    assert (first != plain).any(axis=-1).mean() > 0.5
    for threads, rows in ((2, 96), (1, 1), (3, 7), (2, 61), (4, 1000)):
        again = master_pixels(source, steps, painted=painted, threads=threads, strip_rows=rows)
        np.testing.assert_array_equal(again, first)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_masks_stand_upright_whatever_way_the_camera_was_held(rng, orientation):
    """A mask by geometry lies in the upright picture: the same marks for every orientation."""
    flat = np.full((61, 83, 3), 0.18, np.float32)
    shape = {"polygon": [[0.1, 0.1], [0.6, 0.2], [0.3, 0.9]]}
    master = master_pixels(PictureInMemory(flat, orientation), [local("dodge", shape)])
    height, width = master.shape[:2]
    upright_flat = np.full((height, width, 3), 0.18, np.float32)
    expected = master_pixels(PictureInMemory(upright_flat, 1), [local("dodge", shape)])
    np.testing.assert_array_equal(master, expected)
    assert upright(flat, orientation).shape == master.shape


def test_a_mask_that_begins_or_ends_inside_a_strip_is_applied_once(rng):
    """Strips are worked through a few rows at a time, and a mask may lie beside those."""
    picture = scene(rng, 300, 700)
    inner = {"ellipse": {"centre": [0.5, 0.5], "radii": [0.1, 0.1]}}
    steps = [local("dodge", inner, 1.0, name="a"), local("hue", SLOPE, name="b")]
    source = PictureInMemory(picture, camera=np.eye(3))
    first = master_pixels(source, steps)
    for rows in (300, 150, 17, 1):
        np.testing.assert_array_equal(master_pixels(source, steps, strip_rows=rows), first)
    doubled = master_pixels(source, [steps[1]]).astype(float)[150, 350]
    assert first[150, 350] / doubled == pytest.approx(2 ** (1 / 1.8), rel=1e-3)  # ISO 22028-2


def test_outside_its_mask_an_edit_changes_no_code(rng):
    picture = scene(rng)
    density = reference.ellipse(61, 83, (0.4, 0.5), (0.35, 0.3), 0.5)
    for edit in VALUES:
        plain = master_pixels(PictureInMemory(picture), steps_of(LOOK))
        edited = master_pixels(PictureInMemory(picture), [*steps_of(LOOK), local(edit, DISC)])
        np.testing.assert_array_equal(edited[density == 0], plain[density == 0])
        assert (edited[density > 0.5] != plain[density > 0.5]).any(axis=-1).mean() > 0.95


def test_edits_that_commute_give_the_same_picture_in_any_order(rng):
    """Light edits are gains of cone responses: the order in which they are done is rounding."""
    picture = scene(rng)
    three = [local("dodge", DISC, name="a"), local("balance", SLOPE, name="b"),
             local("burn", {"tones": {"to": -2.0}}, name="c")]  # fmt: skip
    results = [
        linear(picture, [*steps_of(LOOK), *order]) for order in itertools.permutations(three)
    ]
    for other in results[1:]:
        np.testing.assert_allclose(other, results[0], rtol=2e-5, atol=1e-6)


def test_a_mask_sees_the_scene_before_any_edit_and_before_the_look(rng):
    picture = scene(rng)
    band = {"tones": {"from": -2.0, "to": 0.0, "soft": 0.5}}
    alone = linear(picture, [*steps_of(LOOK), local("saturation", band, 0.0)])
    after = linear(
        picture, [*steps_of(LOOK), local("dodge", WHOLE, 3.0), local("saturation", band, 0.0)]
    )

    def greyed(rgb):
        return np.ptp(rgb, axis=-1) / rgb.max(-1) < 1e-3

    # eight times the light moves none of them in or out, but for the very edge of the fade
    assert (greyed(alone) != greyed(after)).mean() < 0.002
    assert 0.1 < greyed(after).mean() < 0.9


def test_neutral_and_empty_edits_leave_the_pass_as_it_is(rng):
    picture = scene(rng)
    source = PictureInMemory(picture)
    source.preview = lambda: pytest.fail("nobody may ask for the reduced picture")
    beside = {"polygon": [[1.1, 0.1], [1.4, 0.1], [1.2, 0.5]]}
    neutral = [local(name, DISC, EDITS[name].plain(EDITS[name].neutral)) for name in VALUES]
    said = []
    steps = [*steps_of(LOOK), *neutral, local("dodge", beside, name="off")]
    chain = compiled(steps, source, say=said.append)
    assert densities_of(chain.rest) == []
    assert said == ["off: its mask selects nothing in this frame"]


def test_what_only_pixels_tell_is_said(rng):
    picture = scene(rng)
    said = []
    steps = [
        local("dodge", {"tones": {"from": 9.0}}, name="sun"),
        local("saturation", {"tones": {"from": 9.0}}, name="sun"),
        local("burn", {"tones": {"from": -15.0}}, name="all"),
        local("burn", {"painted": "black.png"}, name="paint"),
    ]
    black = {"black.png": np.zeros((61, 83), np.uint8)}
    chain = compiled(steps, PictureInMemory(picture), painted=black, say=said.append)
    assert said == [
        "sun: its mask selects nothing in this frame",
        "all: its mask selects everything in this frame",
        "paint: its mask selects nothing in this frame",
    ]
    assert len(densities_of(chain.rest)) == 1


def test_one_mask_used_twice_is_evaluated_once():
    picture = np.full((20, 30, 3), 0.18, np.float32)
    chain = compiled([local("dodge", DISC), local("hue", DISC)], PictureInMemory(picture))
    assert len(densities_of(chain.rest)) == 1
    assert sum(hasattr(item, "density") for item in chain.rest) == 2


def test_a_painted_mask_of_another_shape_stops_the_frame_in_words():
    picture = np.full((20, 30, 3), 0.18, np.float32)
    painted = {"m.png": np.zeros((30, 20), np.uint8)}
    with pytest.raises(ValueError, match=r"20 × 30 pixels, another aspect ratio than .* 30 × 20"):
        compiled([local("burn", {"painted": "m.png"})], PictureInMemory(picture), painted=painted)
