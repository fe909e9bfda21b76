"""Crops, sizes and borders, by properties that hold for any picture."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from pipeline.framing import Border, Box, Print, Size, cut, inner_size, parsed_aspect, shape_of

EDGES = some.integers(40, 9000)
SHAPES = some.floats(0.2, 5)


@some.composite
def cases(draw):
    """A part of a picture, a shape, a focal point in it, and a box in it to keep."""
    left, top = draw(some.integers(0, 500)), draw(some.integers(0, 500))
    part = Box(left, top, left + draw(EDGES), top + draw(EDGES))
    across = sorted(draw(some.tuples(*[some.integers(part.left, part.right)] * 2)))
    down = sorted(draw(some.tuples(*[some.integers(part.top, part.bottom)] * 2)))
    focal = draw(some.floats(part.left, part.right)), draw(some.floats(part.top, part.bottom))
    return part, draw(SHAPES), focal, Box(across[0], down[0], across[1], down[1])


@settings(max_examples=200, deadline=None)
@given(cases())
def test_a_crop_is_the_largest_of_its_shape_and_keeps_what_it_can(case) -> None:
    part, shape, focal, keep = case
    box = cut(part, shape, focal, [keep])
    assert part.left <= box.left < box.right <= part.right
    assert part.top <= box.top < box.bottom <= part.bottom
    assert box.width == part.width or box.height == part.height
    assert abs(box.width - box.height * shape) <= max(0.51 * shape, 0.51) + 0.5
    for low, high, first, last in (
        (box.left, box.right, keep.left, keep.right),
        (box.top, box.bottom, keep.top, keep.bottom),
    ):
        if last - first <= high - low:
            assert low <= first
            assert last <= high
        else:
            assert low <= (first + last) / 2 <= high


@settings(max_examples=100, deadline=None)
@given(cases())
def test_a_crop_moves_from_its_focal_point_no_farther_than_it_must(case) -> None:
    part, shape, focal, keep = case
    free, held = cut(part, shape, focal), cut(part, shape, focal, [keep])
    for near, far, first, last in (
        (free.left, held.left, keep.left, keep.right - held.width),
        (free.top, held.top, keep.top, keep.bottom - held.height),
    ):
        if near != far and first >= last:  # it was moved: then one side of what is kept is its edge
            assert far in (first, last)


@settings(max_examples=200, deadline=None)
@given(EDGES, EDGES, some.integers(16, 5000), some.floats(0.005, 0.2), some.booleans())
def test_the_long_edge_is_what_was_asked_border_included(
    width, height, long_edge, share, bordered
) -> None:
    border = Border(share, "white") if bordered else None
    across, down, around = inner_size(
        width, height, Size(long_edge=long_edge, enlarge=True), border
    )
    assert max(across, down) + 2 * around == long_edge or min(across, down) == 1
    if bordered:
        assert abs(around - share * long_edge) <= 0.51
    if min(across, down) > 40:
        assert across / down == pytest.approx(width / height, rel=0.03)


def test_sizes_of_a_frame_of_3000_by_2000() -> None:
    for size, expected in (
        (Size(), (3000, 2000, 0)),
        (Size(short_edge=500), (750, 500, 0)),
        (Size(width=900), (900, 600, 0)),
        (Size(height=300), (450, 300, 0)),
        (Size(width=900, height=300), (450, 300, 0)),
        (Size(scale=0.25), (750, 500, 0)),
        (Size(long_edge=6000), (3000, 2000, 0)),
        (Size(long_edge=6000, enlarge=True), (6000, 4000, 0)),
        # 100 mm at 254 ppi are 1000 pixels
        (Size(print=Print(100, None, 254)), (1000, 667, 0)),
        (Size(print=Print(None, 40, 254)), (600, 400, 0)),
    ):
        assert inner_size(3000, 2000, size) == expected
    across, down, _ = inner_size(3000, 2000, Size(megapixels=1.5))
    assert across * down == pytest.approx(1.5e6, rel=0.002)


def test_a_print_of_both_edges_is_cut_to_them_and_turned_as_the_picture_is() -> None:
    size = Size(print=Print(100, 150, 254))
    for width, height, expected in ((3000, 1900, (1500, 1000, 0)), (1900, 3000, (1000, 1500, 0))):
        part = Box(0, 0, width, height)
        shape = shape_of(size, None, None, part)
        box = cut(part, shape, (width / 2, height / 2))
        assert inner_size(box.width, box.height, size) == expected
    border = Border(0.1, "black")
    shape = shape_of(size, None, border, Box(0, 0, 3000, 1900))
    assert shape == pytest.approx(1200 / 700)
    box = cut(Box(0, 0, 3000, 1900), shape, (1500, 950))
    assert inner_size(box.width, box.height, size, border) == (1200, 700, 150)
    assert shape_of(size, 1.0, None, Box(0, 0, 10, 10)) == 1.0
    assert shape_of(Size(long_edge=5), None, None, Box(0, 0, 10, 10)) is None


def test_the_first_of_what_is_kept_comes_first() -> None:
    part = Box(0, 0, 3000, 1000)
    left, right = Box(0, 0, 300, 100), Box(2700, 0, 3000, 100)
    assert cut(part, 1, (1500, 500), [left, right]).left == 0
    assert cut(part, 1, (1500, 500), [right, left]).right == 3000


def test_shapes_as_people_write_them() -> None:
    assert parsed_aspect("4:5") == 0.8
    assert parsed_aspect("1.91:1") == 1.91
    for wrong in ("4x5", "4:", "0:3", "1:0", "50:1", "a:b", "-4:5"):
        with pytest.raises(ValueError):
            parsed_aspect(wrong)
