"""Masks against analytic truth, colour-science and brute force, and however they are cut."""

from __future__ import annotations

import math

import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter
from scipy.special import erf

from pipeline.kernels import masks
from pipeline.kernels.masks import Box, Grid
from tests import reference

GRID = Grid.over(400, 600)
TRIANGLE = [(0.1, 0.1), (0.43, 0.2), (0.22, 0.77)]
BEAN = [(0.2, 0.2), (0.7, 0.15), (0.9, 0.5), (0.62, 0.45), (0.5, 0.8), (0.12, 0.66)]
# The handle length that makes four cubic curves follow a circle within 2.7e-4 of its radius
# (Goldapp, Computer Aided Geometric Design 8, 1991; from memory).
CIRCLE_HANDLE = 0.5522847498


def everything(density, scene=None):
    return density.at(density.grid.box, scene)


def scene_of(planes):
    def scene(window):
        return planes[:, window.top : window.bottom, window.left : window.right]

    return scene


def moments(values):
    """Area, centroid (x, y) and central second moments (xx, yy, xy), in pixels."""
    v = values.astype(np.float64)
    y, x = np.mgrid[0 : v.shape[0], 0 : v.shape[1]] + 0.5
    area = v.sum()
    cx, cy = (v * x).sum() / area, (v * y).sum() / area
    x, y = x - cx, y - cy
    second = [(v * a * b).sum() / area for a, b in ((x, x), (y, y), (x, y))]
    return area, (cx, cy), second


# --- shapes ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("angle_deg", [0, 20, 90, -130])
@pytest.mark.parametrize("feather", [0, 0.15, 1.0])
def test_an_ellipse_has_the_area_place_and_turn_that_geometry_gives(angle_deg, feather):
    a, b = 0.15 * 600, 0.1 * 400
    values = everything(masks.ellipse(GRID, (0.41, 0.52), (0.15, 0.1), angle_deg, feather))
    area, centroid, second = moments(values)
    # The fade's slope is 30 t² (1 - t)², a beta(3, 3) density of variance 1/28, about the outline;
    # so the area is π a b E[(1 + τ)²] with τ of variance feather² / 28.
    assert area == pytest.approx(math.pi * a * b * (1 + feather**2 / 28), rel=2e-4)
    assert centroid == pytest.approx((0.41 * 600, 0.52 * 400), abs=0.01)
    # a filled ellipse's second moments are a²/4 and b²/4; turned clockwise with y downwards
    cosine, sine = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    if feather == 0:
        assert second[0] == pytest.approx(((a * cosine) ** 2 + (b * sine) ** 2) / 4, rel=1e-3)
        assert second[1] == pytest.approx(((a * sine) ** 2 + (b * cosine) ** 2) / 4, rel=1e-3)
        assert second[2] == pytest.approx((a * a - b * b) * cosine * sine / 4, abs=0.5)


def test_the_outline_of_an_ellipse_is_where_the_density_is_one_half():
    grid = Grid.over(401, 601)
    for feather in (0.0, 0.3, 2.0):
        row = masks.ellipse(grid, (0.5, 0.5), (0.25, 0.25), 0, feather).at(Box(200, 201, 0, 601))[0]
        x = np.arange(601) + 0.5
        outline = np.interp(0.5, row[300:][::-1], x[300:][::-1])
        # an edge of a pixel and a half is no straight line between two pixels
        assert outline == pytest.approx(0.75 * 601, abs=0.02 if feather else 0.15)
    assert row[300] == 1.0


def test_a_gradient_runs_at_right_angles_to_its_line_and_smoothly():
    grid = Grid.over(400, 600)
    values = everything(masks.gradient(grid, (0.2, 0.1), (0.7, 0.9))).astype(np.float64)
    start, end = np.array([120.0, 40.0]), np.array([420.0, 360.0])
    y, x = np.mgrid[0:400, 0:600] + 0.5
    t = ((x - start[0]) * (end - start)[0] + (y - start[1]) * (end - start)[1]) / 192_400.0
    t = np.clip(t, 0, 1)
    # Perlin 2002
    np.testing.assert_allclose(values, 6 * t**5 - 15 * t**4 + 10 * t**3, atol=1e-6)


def test_a_long_gradient_has_no_bands():
    """Over 7000 pixels no two neighbours differ by more than the steepest slope says."""
    values = masks.gradient(Grid.over(4, 7008), (0.0, 0.5), (1.0, 0.5)).at(Box(1, 2, 0, 7008))[0]
    steps = np.diff(values.astype(np.float64))
    # the slope of the fade is at most 1.875; float32 near 1 has steps of 6e-8
    assert steps.min() >= -1e-7
    assert steps.max() < 1.875 / 7008 + 2e-7
    bends = np.abs(np.diff(steps))
    assert bends.max() < 5.78 / 7008**2 + 4e-7  # its bend at most 10/√3


def shoelace(points):
    x, y = np.asarray(points).T
    cross = x * np.roll(y, -1) - np.roll(x, -1) * y
    area = cross.sum() / 2
    cx = ((x + np.roll(x, -1)) * cross).sum() / (6 * area)
    cy = ((y + np.roll(y, -1)) * cross).sum() / (6 * area)
    return abs(area), (cx, cy)


@pytest.mark.parametrize("points", [TRIANGLE, TRIANGLE[::-1], BEAN])
def test_a_polygon_has_exactly_its_area_and_centroid(points):
    values = everything(masks.polygon(GRID, points))
    area, centroid, _ = moments(values)
    true_area, true_centroid = shoelace(np.array(points) * [600, 400])
    assert area == pytest.approx(true_area, rel=1e-7)
    assert centroid == pytest.approx(true_centroid, abs=2e-3)
    assert values.min() == 0 and values.max() == 1


def inside_by_ray(points, x, y):
    """Whether places lie in a polygon: a ray to the right crosses it an odd number of times."""
    odd = np.zeros(x.shape, bool)
    for (x0, y0), (x1, y1) in zip(points, np.roll(points, -1, axis=0), strict=True):
        crosses = (y0 > y) != (y1 > y)
        with np.errstate(divide="ignore", invalid="ignore"):
            at = x0 + (y - y0) * (x1 - x0) / (y1 - y0)
        odd ^= crosses & (x < at)
    return odd


def test_each_sample_of_a_polygon_is_the_share_that_is_covered():
    grid, fine = Grid.over(40, 60), 32
    points = np.array([*BEAN, (-0.3, 0.4)]) * [60, 40]
    y, x = (np.mgrid[0 : 40 * fine, 0 : 60 * fine] + 0.5) / fine
    brute = inside_by_ray(points, x, y).reshape(40, fine, 60, fine).mean(axis=(1, 3))
    values = everything(masks.polygon(grid, points / [60, 40]))
    assert np.abs(values - brute).max() < 0.02
    assert np.abs(values - brute).mean() < 1e-3


def test_four_curves_make_a_circle():
    k, r = CIRCLE_HANDLE * 0.2, 0.2
    square = Grid.over(500, 500)
    curves = [
        [(0.7, 0.5 + k), (0.5 + k, 0.7), (0.5, 0.7)],
        [(0.5 - k, 0.7), (0.3, 0.5 + k), (0.3, 0.5)],
        [(0.3, 0.5 - k), (0.5 - k, 0.3), (0.5, 0.3)],
        [(0.5 + k, 0.3), (0.7, 0.5 - k), (0.7, 0.5)],
    ]
    points = masks.flattened((0.7, 0.5), curves)
    radius = np.hypot(*(points - 0.5).T)
    assert np.abs(radius - r).max() < 3e-4 * r
    middles = (points + np.roll(points, -1, axis=0)) / 2
    assert np.abs(np.hypot(*(middles - 0.5).T) - r).max() < 3e-4 * r + masks.FLATNESS
    area, centroid, _ = moments(everything(masks.polygon(square, points)))
    assert area == pytest.approx(math.pi * 100**2, rel=5e-4)
    assert centroid == pytest.approx((250, 250), abs=1e-3)


def test_the_whole_is_one_everywhere_and_a_shape_beside_the_frame_is_nowhere():
    assert everything(masks.whole(GRID)).min() == 1
    for density in (
        masks.ellipse(GRID, (1.5, 0.5), (0.1, 0.1), 0, 0.5),
        masks.polygon(GRID, np.array(TRIANGLE) + 1),
        masks.gradient(GRID, (1.1, 0.5), (1.4, 0.5)),
    ):
        assert density.box.empty
        assert not everything(density).any()


# --- painted --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "top"), [(np.uint8, 255), (np.uint16, 65535)])
def test_a_painted_mask_of_the_frames_size_counts_code_by_code(rng, kind, top):
    codes = rng.integers(0, top + 1, (400, 600)).astype(kind)
    codes[:40] = 0
    before = codes.copy()
    density = masks.painted(GRID, codes)
    np.testing.assert_allclose(everything(density), codes / top, atol=1e-7)
    assert density.box.top == 40
    np.testing.assert_array_equal(codes, before)


def test_a_smaller_painted_mask_is_interpolated_without_steps_or_overshoot():
    small = np.zeros((50, 75), np.uint8)
    small[10:30, 20:50] = 255
    values = everything(masks.painted(GRID, small))
    assert values.min() == 0 and values.max() == 1
    area, centroid, _ = moments(values)
    # eight pixels of the frame for each of the mask
    assert area == pytest.approx(20 * 30 * 64, rel=1e-4)
    assert centroid == pytest.approx((35 * 8, 20 * 8), abs=1e-2)
    # a step becomes the integral of the spline's own slope, at most 3/4 a sample
    assert np.abs(np.diff(values, axis=1)).max() <= 3 / 4 / 8


def test_a_larger_painted_mask_is_averaged(rng):
    large = rng.integers(0, 256, (1600, 2400)).astype(np.uint8)
    values = everything(masks.painted(GRID, large))
    blocks = large.reshape(400, 4, 600, 4).mean(axis=(1, 3)) / 255
    # the spline's own weights at a sample: 1/6, 2/3, 1/6 along each side (de Boor)
    edged = np.pad(blocks, 1, mode="edge")
    down = (edged[:-2] + 4 * edged[1:-1] + edged[2:]) / 6
    np.testing.assert_allclose(values, (down[:, :-2] + 4 * down[:, 1:-1] + down[:, 2:]) / 6,
                               atol=1e-6)  # fmt: skip


def test_a_painted_mask_that_touches_the_frames_edge_stays_full_there():
    small = np.zeros((50, 75), np.uint8)
    small[:, 60:] = 255
    values = everything(masks.painted(GRID, small))
    assert values[:, -1].min() == pytest.approx(1, abs=1e-6)
    assert values[0, 560] == pytest.approx(1, abs=1e-6)


# --- tones and colours ----------------------------------------------------------------------------


def test_tones_are_half_at_the_ends_of_the_band_and_full_inside():
    stops = np.linspace(-8, 4, 1201)
    grey = np.repeat((0.18 * 2**stops)[None, None], 3, axis=0).astype(np.float32)
    grid = Grid.over(1, 1201)
    values = everything(masks.tones(grid, -3, -1, 1.0), scene_of(grey))[0]
    at = dict(zip(np.round(stops, 2), values, strict=True))
    assert at[-3.0] == pytest.approx(0.5, abs=1e-4) == at[-1.0]
    assert [at[s] for s in (-3.5, -2.5, -1.5, -0.5)] == pytest.approx([0, 1, 1, 0], abs=1e-5)
    open_ended = everything(masks.tones(grid, None, -1, 1.0), scene_of(grey))[0]
    assert open_ended[0] == 1
    assert everything(masks.tones(grid, 1, None, 0.0), scene_of(grey))[0][-1] == 1


def test_tones_weigh_luminance_as_the_standard_does():
    # ITU-R BT.2020: Y = 0.2627 R + 0.6780 G + 0.0593 B
    weights = np.array([0.2627, 0.6780, 0.0593])
    pure = np.zeros((3, 1, 3), np.float32)
    pure[[0, 1, 2], 0, [0, 1, 2]] = (0.18 / weights).astype(np.float32)
    values = masks.tones(Grid.over(1, 3), 0, None, 1.0).at(Box(0, 1, 0, 3), scene_of(pure))[0]
    np.testing.assert_allclose(values, 0.5, atol=1e-3)


LABS = [(42.4, 51.0, 28.6), (50, 0, 0), (92, -1, 3), (28.4, 15.4, -49.8), (55, -38, 31), (3, 1, -2)]


@pytest.mark.parametrize("lab", LABS)
@pytest.mark.parametrize(("within", "soft"), [(2, 1), (8, 4), (25, 10)])
def test_a_colour_selects_by_the_difference_that_colour_science_finds(rng, lab, within, soft):
    others = rng.normal(lab, (12, 18, 18), (6000, 3))
    others[:2000] = rng.normal(lab, within / 2, (2000, 3))
    others[4000:] = rng.uniform((0, -110, -110), (100, 110, 110), (2000, 3))
    others[:, 0] = np.clip(others[:, 0], 0, 110)
    xyz = colour.Lab_to_XYZ(others, reference.D50_PCS_XY)
    to_d65 = reference.adaptation(reference.D50_PCS_XY, reference.D65)
    rgb = xyz @ to_d65.T @ np.linalg.inv(reference.BT2020.matrix_RGB_to_XYZ).T
    planes = np.ascontiguousarray(rgb.T[:, None].astype(np.float32))
    values = everything(masks.colour(Grid.over(1, 6000), lab, within, soft), scene_of(planes))[0]
    away = colour.delta_E(np.broadcast_to(lab, others.shape), others, method="CIE 2000")
    t = np.clip((within + soft / 2 - away) / soft, 0, 1)
    np.testing.assert_allclose(values, 6 * t**5 - 15 * t**4 + 10 * t**3, atol=6e-3)
    assert values.max() > 0.99 and values.min() == 0


def test_pixels_that_are_no_numbers_are_no_tone_and_no_colour():
    planes = np.full((3, 1, 4), 0.18, np.float32)
    planes[0, 0, :3] = np.nan, np.inf, -np.inf
    for density in (
        masks.tones(Grid.over(1, 4), -1, 1, 0.5),
        masks.colour(Grid.over(1, 4), (49.5, 0, 0), 5, 2),
    ):
        with np.errstate(all="ignore"):
            values = everything(density, scene_of(planes))[0]
        np.testing.assert_array_equal(values, [0, 0, 0, 1])


# --- combined -------------------------------------------------------------------------------------


def fields():
    one = masks.ellipse(GRID, (0.4, 0.5), (0.2, 0.3), 30, 0.8)
    two = masks.gradient(GRID, (0.2, 0.5), (0.8, 0.4))
    return one, two, everything(one), everything(two)


def test_combining_follows_the_laws_of_sets():
    one, two, a, b = fields()
    np.testing.assert_array_equal(everything(masks.all_of([one, two])), np.minimum(a, b))
    np.testing.assert_array_equal(everything(masks.any_of([one, two])), np.maximum(a, b))
    np.testing.assert_array_equal(everything(masks.inverse(one)), 1 - a)
    np.testing.assert_array_equal(everything(masks.product([one, two])), a * b)
    np.testing.assert_array_equal(everything(masks.minus(one, two)), np.minimum(a, 1 - b))
    # De Morgan; a mask and itself is that mask, a mask without itself is at most its own fade
    both = masks.inverse(masks.any_of([masks.inverse(one), masks.inverse(two)]))
    np.testing.assert_allclose(everything(both), np.minimum(a, b), atol=1e-7)
    np.testing.assert_array_equal(everything(masks.all_of([one, one])), a)
    assert everything(masks.minus(one, one)).max() <= 0.5


def test_combining_leaves_its_parts_as_they_were():
    one, two, a, b = fields()
    for combined in (masks.all_of([one, two]), masks.any_of([one, two]), masks.inverse(one)):
        everything(combined)
        np.testing.assert_array_equal(everything(one), a)
        np.testing.assert_array_equal(everything(two), b)


def test_what_cannot_be_selected_is_not_looked_at(rng):
    """A tone inside an ellipse asks for the scene inside the ellipse's box only."""
    planes = rng.uniform(0, 1, (3, 400, 600)).astype(np.float32)
    asked = []

    def scene(window):
        asked.append(window)
        return scene_of(planes)(window)

    disc = masks.ellipse(GRID, (0.5, 0.5), (0.1, 0.1))
    density = masks.all_of([masks.tones(GRID, -2, None, 1), disc])
    values = everything(density, scene)
    assert density.box == disc.box
    assert asked == [disc.box]
    expected = np.minimum(
        everything(disc), everything(masks.tones(GRID, -2, None, 1), scene_of(planes))
    )
    np.testing.assert_array_equal(values, expected)
    density.at(Box(0, 20, 0, 600), scene)
    assert len(asked) == 1


# --- feather --------------------------------------------------------------------------------------


@pytest.mark.parametrize("width_px", [6, 12, 20, 30, 60, 150])
def test_a_feathered_edge_is_the_step_response_of_a_gaussian(width_px):
    grid = Grid.over(64, 601)
    half = [(0, -1), (0.5, -1), (0.5, 2), (0, 2)]
    density = masks.feathered(lambda g: masks.polygon(g, half), grid, width_px)
    row = density.at(Box(31, 32, 0, 601))[0].astype(np.float64)
    x = np.arange(601) + 0.5 - 300.5
    sigma = width_px / 6
    truth = 0.5 * (1 - erf(x / sigma / math.sqrt(2)))
    assert np.abs(row - truth).max() < 0.015
    # within its width, and rather more than nothing at half of it
    assert row[x > width_px / 2 + width_px / 8 + 1].max() == 0
    assert row[x < -(width_px / 2 + width_px / 8 + 1)].min() == pytest.approx(1, abs=1e-6)


@pytest.mark.parametrize("width_px", [10, 40, 90])
def test_a_feathered_polygon_equals_the_polygon_after_a_true_gaussian(width_px):
    density = masks.feathered(lambda g: masks.polygon(g, BEAN), GRID, width_px)
    sharp = everything(masks.polygon(GRID, BEAN)).astype(np.float64)
    truth = gaussian_filter(sharp, width_px / 6, mode="nearest", truncate=6)
    values = everything(density)
    assert np.abs(values - truth).max() < 0.015
    assert values.sum() == pytest.approx(sharp.sum(), rel=1e-3)


def test_a_feather_does_not_fade_towards_the_frames_own_edge():
    strip = [(-0.1, -0.1), (1.1, -0.1), (1.1, 0.4), (-0.1, 0.4)]
    for width_px in (15, 120):
        values = everything(masks.feathered(lambda g: masks.polygon(g, strip), GRID, width_px))
        np.testing.assert_allclose(values[0], 1, atol=1e-5)
        np.testing.assert_allclose(values[:, 0], values[:, 300], atol=1e-5)


def test_tones_are_feathered_on_the_reduced_scene(rng):
    grid = Grid.over(160, 240)
    small = np.full((3, 40, 60), 0.02, np.float32)
    small[:, 10:30, 20:40] = 0.4
    density = masks.feathered(lambda g: masks.tones(g, -1, None, 1), grid, 24, small)
    assert not density.reads_scene
    values = everything(density)
    assert values.sum() == pytest.approx(80 * 80, rel=1e-3)
    assert values[80, 120] == pytest.approx(1, abs=1e-6)
    assert values[80, 80] == pytest.approx(0.5, abs=0.07)
    assert values[10, 10] == 0


# --- grow, shrink, snap ---------------------------------------------------------------------------


def perimeter(points):
    points = np.asarray(points)
    return np.hypot(*(np.roll(points, -1, axis=0) - points).T).sum()


@pytest.mark.parametrize("radius", [0.5, 3, 8, 20, 40])
def test_growing_a_convex_outline_adds_what_steiner_says(radius):
    """Area of a convex body grown by a disc: A + r P + π r² (Steiner, 1840)."""
    corners = np.array([(0.3, 0.3), (0.62, 0.36), (0.45, 0.7)])
    density = masks.grown(lambda g: masks.polygon(g, corners), GRID, radius)
    pixels = corners * [600, 400]
    truth = shoelace(pixels)[0] + radius * perimeter(pixels) + math.pi * radius**2
    # an edge lies within a third of a sample of where it should; 40 pixels are worked by fours
    off = abs(everything(density).sum() - truth) / perimeter(pixels)
    assert off < (0.35 if radius < 12 else 1.4)


@pytest.mark.parametrize("radius", [0.5, 3, 8, 20])
def test_shrinking_a_triangle_leaves_its_smaller_likeness(radius):
    """What is further than r from every side: the triangle with r taken off its inscribed circle's
    radius, which is twice the area over the perimeter."""
    corners = np.array([(0.2, 0.2), (0.8, 0.3), (0.4, 0.9)])
    pixels = corners * [600, 400]
    area = shoelace(pixels)[0]
    inscribed = 2 * area / perimeter(pixels)
    density = masks.grown(lambda g: masks.polygon(g, corners), GRID, -radius)
    truth = area * (1 - radius / inscribed) ** 2
    assert everything(density).sum() == pytest.approx(truth, rel=0.01)


def test_growing_keeps_the_softness_of_an_edge_and_its_place():
    grid = Grid.over(40, 601)
    half = [(0, -1), (0.5, -1), (0.5, 2), (0, 2)]

    def soft(g):
        return masks.feathered(lambda h: masks.polygon(h, half), g, 18)

    before = soft(grid).at(Box(20, 21, 0, 601))[0]
    after = masks.grown(soft, grid, 7).at(Box(20, 21, 0, 601))[0]
    np.testing.assert_allclose(after[7:], before[:-7], atol=1e-6)
    back = masks.grown(soft, grid, -7).at(Box(20, 21, 0, 601))[0]
    np.testing.assert_allclose(back[:-7], before[7:], atol=1e-6)


def test_nothing_shrinks_from_the_frames_own_edge():
    strip = [(-0.1, -0.1), (1.1, -0.1), (1.1, 0.4), (-0.1, 0.4)]
    for radius in (-5, -40):
        values = everything(masks.grown(lambda g: masks.polygon(g, strip), GRID, radius))
        np.testing.assert_allclose(values[0], 1, atol=1e-6)
        assert np.interp(-0.5, -values[:, 300], np.arange(400) + 0.5) == pytest.approx(
            160 + radius, abs=0.6
        )


def guided_by_definition(guide, target, radius, epsilon):
    """He, Sun and Tang 2013, equations 14, 15 and 16 (a guide of colours), window by window."""
    _, height, width = guide.shape
    a, b = np.zeros_like(guide), np.zeros((height, width))

    def window(y, x):
        return (
            slice(max(y - radius, 0), y + radius + 1),
            slice(max(x - radius, 0), x + radius + 1),
        )

    for y in range(height):
        for x in range(width):
            i = guide[(slice(None), *window(y, x))].reshape(3, -1)
            p = target[window(y, x)].ravel()
            sigma = np.cov(i, bias=True) + epsilon * np.eye(3)
            a[:, y, x] = np.linalg.solve(sigma, (i * p).mean(axis=1) - i.mean(axis=1) * p.mean())
            b[y, x] = p.mean() - a[:, y, x] @ i.mean(axis=1)
    out = np.zeros((height, width))
    for y in range(height):
        for x in range(width):
            mean = a[(slice(None), *window(y, x))].reshape(3, -1).mean(axis=1)
            out[y, x] = mean @ guide[:, y, x] + b[window(y, x)].mean()
    return out


def guided(guide, target, radius, epsilon):
    fitted = masks.Guided(guide.astype(np.float32), radius, epsilon)
    a, b = fitted.fit(target.astype(np.float32))
    return (a * guide).sum(axis=0) + b


@pytest.mark.parametrize(("radius", "epsilon"), [(1, 1e-3), (3, 1e-2), (6, 1.0)])
def test_the_guided_filter_equals_its_definition(rng, radius, epsilon):
    guide = rng.uniform(0, 1, (3, 23, 31))
    target = (guide[1] + rng.normal(0, 0.2, (23, 31))).clip(0, 1)
    truth = guided_by_definition(guide, target, radius, epsilon)
    np.testing.assert_allclose(guided(guide, target, radius, epsilon), truth, atol=2e-5)


def test_the_guided_filter_has_its_published_properties(rng):
    """He et al.: a constant stays; a huge epsilon is two box filters; I = p and none is p."""
    guide = rng.uniform(0, 1, (3, 40, 50)).astype(np.float32)
    target = rng.uniform(0, 1, (40, 50)).astype(np.float32)
    constant = guided(guide, np.full((40, 50), 0.3), 4, 1e-4)
    np.testing.assert_allclose(constant, 0.3, atol=1e-6)
    box = masks.box_mean(target.astype(float), 4)
    np.testing.assert_allclose(guided(guide, target, 4, 1e9), masks.box_mean(box, 4), atol=1e-5)
    np.testing.assert_allclose(guided(guide, guide[2], 4, 1e-12), guide[2], atol=1e-4)


def test_the_mean_of_a_box_is_of_what_there_is_of_it(rng):
    values = rng.uniform(0, 1, (13, 17))
    for radius in (1, 4, 30):
        edged = np.pad(values, radius, constant_values=np.nan)
        windows = np.lib.stride_tricks.sliding_window_view(edged, (2 * radius + 1,) * 2)
        truth = np.nanmean(windows, axis=(2, 3))
        np.testing.assert_allclose(masks.box_mean(values, radius), truth, atol=1e-12)


@pytest.mark.parametrize("ground", [(0.06, 0.06, 0.06), (0.1, 0.2, 0.45)])
def test_a_rough_mask_snaps_to_the_edge_of_what_the_picture_shows(rng, ground):
    """A disc drawn a tenth too large and beside its place: on a dark ground, and on a blue one of
    its own luminance."""
    grid = Grid.over(800, 1200)
    y, x = np.mgrid[0:800, 0:1200] + 0.5
    true = np.hypot(x - 600, y - 400) < 200
    disc = np.array([0.45, 0.08, 0.05] if ground[2] > ground[0] else [0.35, 0.35, 0.35])
    planes = np.where(true, disc[:, None, None], np.array(ground)[:, None, None])
    planes = (planes * rng.normal(1, 0.03, planes.shape)).astype(np.float32)
    small = planes.reshape(3, 200, 4, 300, 4).mean(axis=(2, 4))

    def rough(g):
        return masks.ellipse(g, (0.505, 0.49), (0.185, 0.275))

    def overlap(mask):
        chosen = mask > 0.5
        return (chosen & true).sum() / (chosen | true).sum()

    before = everything(rough(grid))
    density = masks.snapped(masks.snapped_fit(rough, grid, 36, small), grid)
    after = everything(density, scene_of(planes))
    assert overlap(before) < 0.82
    assert overlap(after) > 0.985
    # as sharp as the picture's own edge, at full size, though found at a quarter of it
    row = after[400, 380:420]
    assert np.abs(np.diff(row)).max() > 0.25


# --- however it is cut ----------------------------------------------------------------------------

CODES = np.random.default_rng(5).integers(0, 65536, (37, 51)).astype(np.uint16)
FULL_CODES = np.random.default_rng(6).integers(0, 256, (90, 130)).astype(np.uint8)
PLANES = np.exp2(np.random.default_rng(7).uniform(-7, 1, (3, 90, 130))).astype(np.float32)
SMALL = np.random.default_rng(8).uniform(0, 1, (3, 22, 32)).astype(np.float32)
CUT = Grid.over(90, 130)


def kinds():
    disc = masks.ellipse(CUT, (0.4, 0.5), (0.3, 0.2), 35, 0.4)
    slope = masks.gradient(CUT, (0.3, 0.9), (0.6, 0.1))
    bean = masks.polygon(CUT, BEAN)
    shade = masks.tones(CUT, -4, -1, 1.5)
    return {
        "whole": masks.whole(CUT),
        "ellipse": disc,
        "hard ellipse": masks.ellipse(CUT, (0.9, 0.1), (0.3, 0.2), 35),
        "gradient": slope,
        "polygon": bean,
        "painted": masks.painted(CUT, CODES),
        "painted at full size": masks.painted(CUT, FULL_CODES),
        "tones": shade,
        "colour": masks.colour(CUT, (55, 20, 10), 20, 10),
        "feathered": masks.feathered(lambda g: masks.polygon(g, BEAN), CUT, 14),
        "widely feathered": masks.feathered(lambda g: masks.polygon(g, BEAN), CUT, 60),
        "grown": masks.grown(lambda g: masks.polygon(g, BEAN), CUT, 3.3),
        "widely grown": masks.grown(lambda g: masks.polygon(g, BEAN), CUT, 14),
        "shrunk": masks.grown(lambda g: masks.polygon(g, BEAN), CUT, -4),
        "snapped": masks.snapped(
            masks.snapped_fit(lambda g: masks.polygon(g, BEAN), CUT, 9, SMALL), CUT
        ),
        "grown tones": masks.grown(lambda g: masks.tones(g, -2, 0, 1), CUT, 8, SMALL),
        "feathered tones": masks.feathered(lambda g: masks.tones(g, -2, 0, 1), CUT, 20, SMALL),
        "all": masks.all_of([disc, shade]),
        "any": masks.any_of([disc, bean, shade]),
        "not": masks.inverse(bean),
        "minus": masks.minus(bean, disc),
        "times": masks.product([slope, disc]),
    }


KINDS = kinds()


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_any_window_gives_the_same_bits(kind, data):
    density = KINDS[kind]
    whole = everything(density, scene_of(PLANES))
    top, left = data.draw(st.integers(0, 89)), data.draw(st.integers(0, 129))
    bottom, right = data.draw(st.integers(top, 90)), data.draw(st.integers(left, 130))
    window = Box(top, bottom, left, right)
    part = density.at(window, scene_of(PLANES))
    assert part.dtype == np.float32
    np.testing.assert_array_equal(part, whole[top:bottom, left:right])


@pytest.mark.parametrize("kind", KINDS)
def test_values_lie_between_nothing_and_full_and_the_box_cuts_nothing_off(kind):
    density = KINDS[kind]
    values = everything(density, scene_of(PLANES))
    assert values.min() >= 0 and values.max() <= 1 and np.isfinite(values).all()
    if kind not in ("polygon", "feathered", "painted at full size", "all", "minus", "times",
                    "grown", "shrunk"):  # fmt: skip
        # asked beyond its box, the same arithmetic finds nothing more
        beyond = density.inside(CUT.box, scene_of(PLANES))
        np.testing.assert_array_equal(values, beyond)
    before = PLANES.copy()
    everything(density, scene_of(PLANES))
    np.testing.assert_array_equal(PLANES, before)


@pytest.mark.parametrize("kind", ["ellipse", "gradient", "polygon", "painted", "feathered",
                                  "widely feathered", "minus", "times"])  # fmt: skip
def test_a_coarser_grid_sees_the_same_mask(kind):
    """A quarter of the size gives the means of blocks, within what an edge leaves open."""
    grid = Grid.over(400, 600)
    coarse = Grid.over(400, 600, (100, 150))

    def build(g):
        disc = masks.ellipse(g, (0.4, 0.5), (0.3, 0.2), 35, 0.4)
        slope = masks.gradient(g, (0.3, 0.9), (0.6, 0.1))
        bean = masks.polygon(g, BEAN)
        return {
            "ellipse": disc,
            "gradient": slope,
            "polygon": bean,
            "painted": masks.painted(g, CODES[:36, :50] // 16 * 16),
            "feathered": masks.feathered(lambda h: masks.polygon(h, BEAN), g, 40),
            "widely feathered": masks.feathered(lambda h: masks.polygon(h, BEAN), g, 120),
            "minus": masks.minus(slope, disc),
            "times": masks.product([slope, disc]),
        }[kind]

    blocks = everything(build(grid)).reshape(100, 4, 150, 4).mean(axis=(1, 3))
    assert np.abs(everything(build(coarse)) - blocks).max() < 0.03
