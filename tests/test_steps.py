"""Steps: neutral settings, published values, the float64 reference, and hostile numbers."""

from __future__ import annotations

import colour
import numpy as np
import pytest

from pipeline.frame import Light
from pipeline.kernels.spaces import D65
from pipeline.step import Context
from pipeline.steps import STEPS
from tests import reference

LANES = 64


def context(light=None, preview=None, files=None):
    light = light or Light(as_shot=D65, to_working=lambda _xy: np.eye(3), white_of=lambda _rgb: D65)
    return Context(light=light, preview=lambda: preview, files=files or {})


def run(name, rgb, settings, **given):
    """A step on working pixels (n, 3), as the pass would run it: planar float32, whole lanes."""
    n = -(-len(rgb) // LANES) * LANES
    planes = np.zeros((3, n), np.float32)
    planes[:, : len(rgb)] = np.asarray(rgb, np.float32).T
    parameters = STEPS[name].parameters.model_validate(settings)
    with np.errstate(all="ignore"):
        for kernel, arguments in STEPS[name].operations(parameters, context(**given)):
            field = [np.full(n, 0.7, np.float32)] if STEPS[name].field else []
            kernel(*planes, *field, *arguments)
    return planes[:, : len(rgb)].T


@pytest.fixture
def scene(rng):
    """Scene light from deep shadow to far above white, saturated, some of it out of gamut."""
    level = np.exp2(rng.uniform(-9, 3.5, (5000, 1))) * 0.18
    return (level * rng.uniform(-0.05, 1.6, (5000, 3))).astype(np.float32)


@pytest.mark.parametrize("name", sorted(STEPS))
def test_every_step_explains_itself_and_its_neutral_setting_changes_no_bit(name, scene):
    step = STEPS[name]
    assert step.name == name
    assert step.about.endswith(".")
    assert step.version >= 1
    fields = step.parameters.model_fields
    assert all(f.description for key, f in fields.items() if key != "bands")
    before = scene.copy()
    settings = step.neutral.model_dump(by_alias=True, exclude_none=True)
    np.testing.assert_array_equal(run(name, scene, settings), before)
    np.testing.assert_array_equal(scene, before)


def test_every_working_step_has_a_float64_reference():
    # some are no functions of one pixel: see test_heal, test_deblur, test_grain
    missing = {n for n, s in STEPS.items() if n not in reference.STEPS}
    missing -= {"balance", "table", "spotting", "deblur", "grain"}
    assert not missing


@pytest.mark.parametrize("name", sorted(STEPS))
def test_no_pixels_and_hostile_pixels_do_not_stop_a_step(name, tmp_path):
    cube = tmp_path / "any.cube"
    cube.write_text(
        "LUT_3D_SIZE 2\n"
        + "".join(f"{r} {g} {b}\n" for b in (0, 1) for g in (0, 1) for r in (0, 1))
    )
    settings = {
        "balance": {"kelvin": 4000},
        "expose": {"stops": 1},
        "tone": {"contrast": 1.3, "toe": 0.3, "shoulder": 0.5},
        "primaries": {"power": [1.1, 0.9, 1.2], "saturation": 1.2},
        "hue": [{"at": 30, "turn": 10, "chroma": 1.2}],
        "mono": {"red": 1, "green": 1, "blue": 0},
        "table": {"file": "any.cube"},
        "spotting": {"spots": [{"at": [0.5, 0.5], "radius": 1}]},
        "deblur": {"sigma_px": 0.7},
        "grain": {"strength": 0.1},
    }[name]
    given = {"files": {"any.cube": cube}}
    assert run(name, np.zeros((0, 3), np.float32), settings, **given).shape == (0, 3)
    bad = np.array([[np.nan, 0.2, 0.2], [np.inf, 1, 1], [-np.inf, 0, 0], [0.18] * 3], np.float32)
    out = run(name, bad, settings, **given)
    alone = run(name, bad[3:], settings, **given)
    np.testing.assert_array_equal(out[3], alone[0])  # a bad pixel spoils no other
    assert np.isfinite(out[3]).all()


# --- exposure and balance -------------------------------------------------------------------------


def test_a_stop_is_a_doubling(scene):
    np.testing.assert_array_equal(run("expose", scene, {"stops": 1}), scene * 2)
    np.testing.assert_array_equal(run("expose", scene, {"stops": -2}), scene / 4)


def test_balance_by_kelvin_asks_for_the_white_on_the_locus():
    asked = []
    light = Light(D65, lambda xy: asked.append(xy) or np.eye(3), lambda _rgb: D65)
    run("balance", np.ones((1, 3)), {"kelvin": 2855.5}, light=light)
    # CIE illuminant A is a black body: CIE 15:2018, x = 0.44758, y = 0.40745
    assert asked[0] == pytest.approx((0.44758, 0.40745), abs=2e-4)


def test_balance_reads_its_neutral_spot_from_the_upright_preview():
    preview = np.ones((40, 60, 3), np.float32)
    preview[8:14, 43:50] = (0.5, 0.4, 0.2)
    seen = []
    light = Light(D65, lambda _xy: np.eye(3), lambda rgb: seen.append(rgb) or D65)
    run("balance", np.ones((1, 3)), {"neutral": [0.77, 0.27]}, light=light, preview=preview)
    assert seen == [pytest.approx((0.5, 0.4, 0.2))]


@pytest.mark.parametrize("bad", [
    {"from": "as-shot", "kelvin": 5000}, {"duv": 0.01}, {"kelvin": 500}, {"neutral": [0.5, 1.5]},
    {"neutral": [0.5]}, {"from": "memory"}, {"kelvin": "5000"}, {"kelvin": float("nan")},
])  # fmt: skip
def test_balance_refuses(bad):
    with pytest.raises(ValueError):
        STEPS["balance"].parameters.model_validate(bad)


# --- tone -----------------------------------------------------------------------------------------


def grey(values):
    return np.repeat(np.asarray(values, np.float64)[:, None], 3, axis=1)


CURVES = [
    {"contrast": 1.12, "toe": 0.2, "shoulder": 0.35},
    {"contrast": 0.8, "toe": 0.9, "shoulder": 1.0},
    {"contrast": 2.5, "toe": 0.0, "shoulder": 0.6, "pivot": 0.1},
    {"contrast": 1.0, "toe": 0.4, "shoulder": 0.0},
]


@pytest.mark.parametrize("curve", CURVES)
def test_tone_keeps_its_pivot_grey_and_has_the_stated_slope_there(curve):
    pivot = curve.get("pivot", 0.18)
    step = 0.05
    levels = grey([pivot * 2**-step, pivot, pivot * 2**step])
    out = run("tone", levels, curve)[:, 0].astype(float)
    if curve["shoulder"] < 1:
        assert out[1] == pytest.approx(pivot, rel=1e-5)
        slope = np.log2(out[2] / out[0]) / (2 * step)
        assert slope == pytest.approx(curve["contrast"], rel=1e-3)


@pytest.mark.parametrize("curve", CURVES)
def test_tone_is_monotone_smooth_and_never_passes_white(curve):
    x = np.linspace(-14, 8, 20_001)
    level = 0.18 * 2**x
    out = run("tone", grey(level), curve)[:, 0].astype(float)
    assert (np.diff(out) >= -1.5e-6 * out[1:]).all()  # float32: a tenth of a 16-bit code
    slope = np.diff(np.log2(out)) / np.diff(x)
    coarse = slope[:20_000].reshape(-1, 100).mean(axis=1)
    assert np.abs(np.diff(coarse)).max() < 0.35 * curve["contrast"]  # per 0.11 stop: no corner
    if curve["shoulder"]:
        assert out.max() <= 1 + 1e-5


def test_tone_keeps_black_black_and_mirrors_nothing():
    out = run("tone", grey([0.0, -0.001]), CURVES[0])
    assert (out[0] == 0).all()
    assert (out[1] < 0).all()


def test_no_light_is_so_bright_that_it_turns_dark():
    """Within what may be written, what is white stays white, up to the largest float."""
    light = np.repeat(np.float32(2.0) ** np.arange(-8, 128, dtype=np.float32)[:, None], 3, axis=1)
    light[:, 1:] *= np.float32(0.9)
    steep = {"slope": [16] * 3, "offset": [0] * 3, "power": [16] * 3, "saturation": 4}
    out = run("primaries", light, steep)
    out = run("tone", out, {"contrast": 4})
    out = run("hue", out, [{"at": 0, "width": 180, "turn": 20, "lightness": 1.5}])
    out = run("tone", out, {"contrast": 4, "toe": 0.2, "shoulder": 0.35})
    assert np.isfinite(out).all()
    white = out.min(axis=1) > 0.99
    assert white[-80:].all()
    assert (np.diff(white.astype(int)) >= 0).all()


def test_tone_moves_no_hue_on_saturated_colours(rng):
    """Hue in OKLCh (colour-science's) before and after; the scaling keeps it by construction."""
    srgb_corners = np.array(
        [[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 0], [0, 1, 1], [1, 0, 1]], float
    )
    srgb = np.concatenate([srgb_corners, rng.uniform(0, 1, (500, 3)) ** 3])
    m = (
        np.linalg.inv(reference.BT2020.matrix_RGB_to_XYZ)
        @ reference.colourspace("srgb").matrix_RGB_to_XYZ
    )
    for exposure in (0.05, 0.5, 2.0, 6.0):
        working = srgb @ m.T * exposure
        out = run("tone", working, CURVES[0])
        first, second = (
            colour.XYZ_to_Oklab(v @ reference.BT2020.matrix_RGB_to_XYZ.T) for v in (working, out)
        )
        chromatic = np.hypot(first[:, 1], first[:, 2]) > 0.02
        turn = np.degrees(
            np.arctan2(first[:, 2], first[:, 1]) - np.arctan2(second[:, 2], second[:, 1])
        )
        turn = (turn + 180) % 360 - 180
        assert np.abs(turn[chromatic]).max() < 0.1


def test_tone_does_not_bleach_bright_colours():
    """A red two stops over: chroma over lightness in OKLab stays, since the curve scales."""
    red = np.array([[0.9, 0.08, 0.05]]) * 4
    out = run("tone", red, CURVES[0])
    before, after = reference.oklab(red)[0], reference.oklab(out.astype(float))[0]
    ratio = lambda v: np.hypot(v[1], v[2]) / v[0]  # noqa: E731
    assert ratio(after) == pytest.approx(ratio(before), rel=1e-4)


# --- primaries ------------------------------------------------------------------------------------

CDL = {
    "slope": [1.35, 1.1, 0.071],
    "offset": [0.05, -0.23, 0.11],
    "power": [0.93, 0.81, 1.27],
    "saturation": 1.23,
}
# OpenColorIO, tests/cpu/ops/cdl/CDLOp_tests.cpp (BSD-3-Clause), forward without clamping
CDL_VECTORS = [
    ((0.3278, 0.01, 1.0), (0.645424, -0.260548, 0.149154)),
    ((0.25, 0.5, 0.75), (0.422056, 0.401466, 0.035820)),
    ((1.25, 1.5, 1.75), (1.753162, 1.331130, -0.108181)),
]


@pytest.mark.parametrize(("given", "expected"), CDL_VECTORS)
def test_primaries_match_the_published_vectors(given, expected):
    # 2e-5 is the tolerance that the publishing project itself allows its vectorised code
    np.testing.assert_allclose(run("primaries", [given], CDL)[0], expected, atol=2e-5)


def test_primaries_clamped_match_opencolorio(scene):
    import PyOpenColorIO as ocio  # noqa: N813

    transform = ocio.CDLTransform()
    transform.setSlope(CDL["slope"])
    transform.setOffset(CDL["offset"])
    transform.setPower(CDL["power"])
    transform.setSat(CDL["saturation"])
    transform.setStyle(ocio.CDL_ASC)
    processor = ocio.Config.CreateRaw().getProcessor(transform)
    expected = scene.copy()
    processor.getOptimizedCPUProcessor(ocio.OPTIMIZATION_NONE).applyRGB(expected)
    out = run("primaries", scene, {**CDL, "clamp": True})
    np.testing.assert_allclose(out, expected, atol=2e-5)


# --- hue ------------------------------------------------------------------------------------------

BANDS = [
    {"at": 30, "width": 40, "turn": 8, "chroma": 1.2, "lightness": 0.95},
    {"at": 70, "width": 40, "turn": -12, "chroma": 0.7, "lightness": 1.1},
    {"at": 250, "width": 60, "turn": 0, "chroma": 1.5, "lightness": 1.0},
]


def test_hue_leaves_greys_and_other_hues():
    greys = grey(np.exp2(np.linspace(-10, 3, 500))).astype(np.float32)
    out = run("hue", greys, BANDS)
    np.testing.assert_allclose(out, greys, rtol=2e-6)
    outside = run("hue", reference.from_oklab(np.array([[0.6, -0.1, 0.02]])), BANDS)
    expected = reference.from_oklab(np.array([[0.6, -0.1, 0.02]])).astype(np.float32)
    np.testing.assert_array_equal(outside, expected)  # 169 degrees: in no band


def test_hue_turns_the_middle_of_a_band_by_what_it_says():
    lab = np.array([[0.6, 0.15 * np.cos(np.radians(30)), 0.15 * np.sin(np.radians(30))]])
    out = run("hue", reference.from_oklab(lab), [{"at": 30, "width": 40, "turn": 8, "chroma": 1.2}])
    after = reference.oklab(out.astype(float))[0]
    share = 0.15**2 / (0.15**2 + 0.02**2)  # the fade towards grey
    assert np.degrees(np.arctan2(after[2], after[1])) == pytest.approx(30 + 8 * share, abs=0.01)
    assert np.hypot(after[1], after[2]) == pytest.approx(0.15 * (1 + 0.2 * share), rel=1e-4)


def test_hue_bands_over_each_other_add_up_their_turns():
    """The hue angle in colour-science's OKLab moves by the sum, beyond a full circle too."""
    band = {"at": 90, "width": 60, "turn": 45}
    full = 0.1**2 / (0.1**2 + 0.02**2)  # what the fade to grey leaves at this chroma
    for count in (1, 2, 3, 4, 7, 8, 16):
        out = run("hue", reference.from_oklab(np.array([[0.6, 0.0, 0.1]])), [band] * count)
        turned = colour.XYZ_to_Oklab(out @ reference.BT2020.matrix_RGB_to_XYZ.T)[0]
        angle = np.radians(90 + 45 * count * full)
        expected = [0.6, 0.1 * np.cos(angle), 0.1 * np.sin(angle)]
        np.testing.assert_allclose(turned, expected, atol=2e-4)


def test_hue_bands_have_no_edge():
    """A ring of hues: the shift changes by little from one tenth of a degree to the next."""
    angle = np.radians(np.arange(0, 360, 0.1))
    ring = np.stack([np.full_like(angle, 0.6), 0.12 * np.cos(angle), 0.12 * np.sin(angle)], -1)
    after = reference.oklab(run("hue", reference.from_oklab(ring), BANDS).astype(float))
    shift = after - ring
    first = np.diff(shift, axis=0, append=shift[:1])
    second = np.diff(first, axis=0, append=first[:1])
    assert np.abs(first).max() < 5e-4
    assert np.abs(second).max() < 4e-5  # a corner of slope would stand out here


# --- mono and table -------------------------------------------------------------------------------


def test_mono_is_grey_and_keeps_grey(scene):
    out = run("mono", scene, {"red": 0.5, "green": 0.3, "blue": 0.2})
    np.testing.assert_allclose(out[:, 0], scene @ [0.5, 0.3, 0.2], atol=1e-5)
    np.testing.assert_allclose(out[:, 0], out[:, 2], atol=3e-6)
    level = grey([0.18, 0.9])
    np.testing.assert_allclose(
        run("mono", level, {"red": 2, "green": 1, "blue": 1}), level, rtol=1e-6
    )


def write_cube(path, lattice):
    size = lattice.shape[0]
    rows = lattice.transpose(2, 1, 0, 3).reshape(-1, 3)  # red runs fastest
    text = "\n".join(" ".join(f"{v:.7f}" for v in row) for row in rows)
    path.write_text(f"LUT_3D_SIZE {size}\n{text}\n")


def warped(size):
    axis = np.linspace(0, 1, size)
    r, g, b = np.meshgrid(axis, axis, axis, indexing="ij")
    return np.stack([r**1.2 * 0.9 + 0.05 * g, 0.95 * g**0.9 + 0.02 * b, b * 0.8 + 0.15 * r * g], -1)


def test_table_equals_opencolorio_and_the_reference(tmp_path, rng):
    import PyOpenColorIO as ocio  # noqa: N813

    path = tmp_path / "warm.cube"
    lattice = warped(17)
    write_cube(path, lattice)
    working = rng.uniform(0, 0.9, (2000, 3))
    out = run(
        "table", working, {"file": "warm.cube", "space": "working"}, files={"warm.cube": path}
    )
    file = ocio.FileTransform(str(path), interpolation=ocio.INTERP_TETRAHEDRAL)
    expected = working.astype(np.float32)
    ocio.Config.CreateRaw().getProcessor(file).getDefaultCPUProcessor().applyRGB(expected)
    np.testing.assert_allclose(out, expected, atol=2e-6)
    coded = run("table", working, {"file": "warm.cube", "amount": 0.6}, files={"warm.cube": path})
    plain = reference.table(working, lattice.round(7), "srgb", 0.6)
    np.testing.assert_allclose(coded, plain, atol=1e-4)


def test_table_takes_a_clf_of_several_parts(tmp_path, rng):
    path = tmp_path / "mixed.clf"
    path.write_text(
        '<?xml version="1.0"?><ProcessList xmlns="urn:AMPAS:CLF:v3.0" id="a" compCLFversion="3">'
        '<Matrix inBitDepth="32f" outBitDepth="32f"><Array dim="3 3">'
        "0.5 0.5 0 0 1 0 0.1 0 0.9</Array>"
        '</Matrix><ASC_CDL inBitDepth="32f" outBitDepth="32f" style="FwdNoClamp"><SOPNode>'
        "<Slope>2 1 1</Slope><Offset>0 0 0.1</Offset><Power>1 1 1</Power></SOPNode></ASC_CDL>"
        "</ProcessList>"
    )
    working = rng.uniform(0, 1, (100, 3))
    out = run(
        "table", working, {"file": "mixed.clf", "space": "working"}, files={"mixed.clf": path}
    )
    expected = working @ np.array([[0.5, 0.5, 0], [0, 1, 0], [0.1, 0, 0.9]]).T
    np.testing.assert_allclose(out, expected * [2, 1, 1] + [0, 0, 0.1], atol=1e-5)


def test_table_that_is_none_says_so(tmp_path):
    path = tmp_path / "shopping.cube"
    path.write_text("two lamps\n")
    with pytest.raises(ValueError, match=r"shopping.cube cannot be read as a table"):
        run("table", np.zeros((1, 3)), {"file": "shopping.cube"}, files={"shopping.cube": path})
