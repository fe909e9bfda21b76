"""Subjects cut out of a box: against the demo shoot's truth, and mattes that are known."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data
from scipy import ndimage

from examples.shoot import make_shoot
from pipeline.chain import densities
from pipeline.develop import master_pixels
from pipeline.files.raw import open_original
from pipeline.kernels.subject import Strokes, cut_out
from pipeline.masking import Mask
from tests.test_local_edits import local
from tests.test_texture import Reduced, photograph

FRAMES = ("QL0002", "QL0004", "QL0013")
HIDDEN = ("QL0013", "teal-lamp")
"""Half of it is behind the red one, which the box holds too: that takes a stroke."""


@pytest.fixture(scope="module")
def shoot(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("shoot")
    make_shoot(folder, megapixels=3, frames=list(FRAMES))
    return folder


def truths(shoot, frame):
    """Each lamp of a frame by its name, (h, w) bool."""
    names = json.loads((shoot / "truth" / "truth.json").read_text())["parts"]
    parts = np.load(shoot / "truth" / f"{frame}.npz")["parts"]
    for lamp in ("red-lamp", "teal-lamp", "cream-lamp", "blue-lamp"):
        ids = [int(i) for i, part in names.items() if part["object"] == lamp]
        seen = np.isin(parts, ids)
        if seen.mean() > 0.003:
            yield lamp, seen


def loose_box(seen, rng):
    """The box around what is seen, each side 6 to 15 % of its size too far out."""
    rows, columns = np.nonzero(seen)
    low = np.array([columns.min() / seen.shape[1], rows.min() / seen.shape[0]])
    high = np.array([columns.max() / seen.shape[1], rows.max() / seen.shape[0]])
    size = high - low
    low, high = low - rng.uniform(0.06, 0.15, 2) * size, high + rng.uniform(0.06, 0.15, 2) * size
    return np.clip(low, 0, 1).tolist(), np.clip(high, 0, 1).tolist()


def overlap(one, other):
    return (one & other).sum() / (one | other).sum()


@pytest.mark.slow
def test_lamps_are_cut_out_of_loose_boxes(shoot, rng):
    found = {}
    for frame in FRAMES:
        source = open_original(shoot / "card" / f"{frame}.dng")
        lamps = [item for item in truths(shoot, frame) if (frame, item[0]) != HIDDEN]
        masks = [
            Mask.model_validate({"subject": {"box": loose_box(seen, rng)}})
            for _, seen in lamps
            for _ in range(2)
        ]
        drawn = densities(masks, lamps[0][1].shape, [], source)
        for index, density in enumerate(drawn):
            lamp, seen = lamps[index // 2]
            found[frame, lamp, index % 2] = overlap(density > 0.5, seen)
    print({key: round(float(value), 3) for key, value in found.items()})
    assert len(found) == 16
    assert min(found.values()) >= 0.95


@pytest.mark.slow
def test_a_stroke_says_which_of_two_is_meant(shoot, rng):
    frame, lamp = HIDDEN
    seen = dict(truths(shoot, frame))
    source = open_original(shoot / "card" / f"{frame}.dng")
    box = loose_box(seen[lamp], rng)
    rows, columns = np.nonzero(seen["red-lamp"])
    x = float(np.median(columns)) / seen[lamp].shape[1]
    down = np.linspace(rows.min() / seen[lamp].shape[0] + 0.01, box[1][1], 4)
    thing = {"box": box, "outside": [[[x, float(y)] for y in down]]}
    masks = [Mask.model_validate({"subject": value}) for value in ({"box": box}, thing)]
    alone, told = densities(masks, seen[lamp].shape, [], source)
    assert overlap(told > 0.5, seen[lamp]) > 0.8
    assert overlap(told > 0.5, seen[lamp]) > overlap(alone > 0.5, seen[lamp]) + 0.2


def composite():
    """Grass over gravel (scikit-image) through a soft blob: the picture and its true matte."""
    front, back = (getattr(skimage.data, name)()[:256, :320] / 255 for name in ("grass", "gravel"))
    y, x = np.mgrid[:256, :320]
    angle = np.arctan2(y - 128, x - 160)
    reach = 70 + 12 * np.sin(3 * angle) + 6 * np.cos(7 * angle)
    matte = ndimage.gaussian_filter((np.hypot(y - 128, x - 160) < reach).astype(float), 2.5)
    colours = np.array([0.35, 0.55, 0.12]), np.array([0.5, 0.42, 0.38])
    light = [
        (0.6 + 0.4 * front[..., None]) * colours[0],
        (0.6 + 0.4 * back[..., None]) * colours[1],
    ]
    mixed = matte[..., None] * light[0] + (1 - matte[..., None]) * light[1]
    return mixed.astype(np.float32), matte


def test_the_matte_is_nearer_to_the_truth_than_the_cut():
    picture, matte = composite()
    box = [[0.2, 0.12], [0.8, 0.88]]
    mask = Mask.model_validate({"subject": {"box": box}})

    class Whole(Reduced):
        def preview(self):
            return self.pixels

    (found,) = densities([mask], matte.shape, [], Whole(picture, camera=np.eye(3)))
    cut = cut_out(picture.transpose(2, 0, 1), tuple(map(tuple, box)), Strokes()).values
    band = (matte > 0.02) & (matte < 0.98)
    errors = {
        "matte": np.square(found - matte)[band].mean(),
        "cut": np.square((cut > 0.5) - matte)[band].mean(),
    }
    print({key: round(float(value), 4) for key, value in errors.items()})
    assert errors["matte"] < errors["cut"]
    assert overlap(found > 0.5, matte > 0.5) > 0.95


def test_the_same_cut_every_time_and_for_any_threads():
    picture = photograph("astronaut").transpose(2, 0, 1)
    box = ((0.15, 0.05), (0.6, 0.6))
    threads = cv2.getNumThreads()
    try:
        cuts = []
        for count in (1, 2, 1):
            cv2.setNumThreads(count)
            cuts.append(cut_out(picture, box, Strokes()).values)
    finally:
        cv2.setNumThreads(threads)
    assert cuts[0].any()
    np.testing.assert_array_equal(cuts[0], cuts[1])
    np.testing.assert_array_equal(cuts[0], cuts[2])


def test_nothing_to_be_told_apart_is_said():
    flat = np.full((80, 120, 3), 0.2, np.float32)
    said = []
    dodge = local("dodge", {"subject": {"box": [[0.3, 0.3], [0.6, 0.7]]}}, 1.0, "pot")
    plain = master_pixels(Reduced(flat), [])
    out = master_pixels(Reduced(flat), [dodge], say=said.append)
    assert said == ["pot: its mask selects nothing in this frame"]
    np.testing.assert_array_equal(out, plain)


@pytest.mark.parametrize(
    ("written", "problem"),
    [
        ({}, "give a box around it, or strokes inside"),
        ({"box": [[0.5, 0.2], [0.1, 0.9]]}, "upper left corner, then the lower right"),
        ({"box": [[0, 0], [1, 1]]}, "leaves nothing of the background"),
        ({"outside": [[[0.1, 0.1]]]}, "give a box around it, or strokes inside"),
    ],
)
def test_what_cannot_be_cut_is_refused(written, problem):
    with pytest.raises(ValueError, match=problem):
        Mask.model_validate({"subject": written})


def test_strokes_alone_are_enough():
    picture = photograph("coffee")[60:340, 150:550]
    mask = {"subject": {"inside": [[[0.35, 0.5], [0.65, 0.5]]], "width": 3}}
    plain = master_pixels(Reduced(picture), [])
    out = master_pixels(Reduced(picture), [local("dodge", mask, 1.0)])
    changed = (out != plain).any(axis=2)
    assert changed[130:150, 150:250].mean() > 0.9
    assert changed[:20].mean() < 0.5
