"""A retouch on another look of the same photograph, against the same retouch done on that look."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from pipeline.kernels import graft
from pipeline.kernels.graft import BLACK, grafted, membrane

skimage = pytest.importorskip("skimage")

REC709 = np.float32([0.2126, 0.7152, 0.0722])


def photograph() -> np.ndarray:
    """Linear light with grain, (h, w, 3)."""
    codes = skimage.data.astronaut()[:400] / 255
    linear = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)
    grain = np.random.default_rng(0).normal(0, 0.002, linear.shape)
    return (linear + grain).clip(0, 1).astype(np.float32)


def retouched(linear: np.ndarray) -> np.ndarray:
    """Something is covered, a cable is taken out, a face is lightened, a patch is darkened."""
    after = linear.copy()
    after[40:120, 330:400] = linear[40:120, 290:360]
    after[200:210, 60:250] = linear[180:190, 60:250]
    y, x = np.mgrid[:400, :512]
    bell = np.exp(-((y - 100) ** 2 + (x - 230) ** 2) / (2 * 30**2)).astype(np.float32)
    soft = bell > 0.02
    after[soft] *= 2 ** (0.4 * bell[soft][:, None])
    after[300:340, 100:160] *= 0.3
    return after.clip(0, 1)


def exposed(linear: np.ndarray) -> np.ndarray:
    return (linear * 1.3).clip(0, 1)


def balanced(linear: np.ndarray) -> np.ndarray:
    return (linear * np.float32([1.15, 1, 0.85])).clip(0, 1)


def toned(linear: np.ndarray) -> np.ndarray:
    x = linear ** (1 / 2.2)
    return (x + 0.5 * x * (1 - x) * (2 * x - 1)).clip(0, 1) ** np.float32(2.2)


def saturated(linear: np.ndarray) -> np.ndarray:
    light = (linear @ REC709)[..., None]
    return (light + 1.25 * (linear - light)).clip(0, 1)


def planes(linear: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(linear.transpose(2, 0, 1), np.float32)


def lab(linear: np.ndarray) -> np.ndarray:
    safe = linear.clip(0, 1)
    codes = np.where(safe <= 0.0031308, safe * 12.92, 1.055 * safe ** (1 / 2.4) - 0.055)
    return skimage.color.rgb2lab(codes)


@pytest.mark.parametrize(
    ("look", "mean", "high"),
    [(exposed, 0.15, 0.5), (balanced, 0.1, 0.2), (toned, 1.2, 4.5), (saturated, 0.8, 3.0)],
)
def test_it_comes_near_to_the_retouch_done_on_the_new_look(
    look: Callable, mean: float, high: float
) -> None:
    before = photograph()
    after = retouched(before)
    changed = (after != before).any(axis=2)
    new, truth = look(before), look(after)
    picture, seam = grafted(planes(new), planes(before), planes(after), changed)
    carried = picture.transpose(1, 2, 0)
    assert (carried[~changed] == new[~changed]).all(), "elsewhere it is the new look's own"
    off = skimage.color.deltaE_ciede2000(lab(carried), lab(truth))[changed]
    assert off.mean() < mean
    assert np.percentile(off, 95) < high
    # the two ways that are simpler: pixel by pixel, and to take what was painted as it is
    ratio = new * (after + BLACK) / (before + BLACK)
    for simple in (ratio, after):
        worse = skimage.color.deltaE_ciede2000(lab(simple), lab(truth))[changed]
        assert worse.mean() > 1.3 * off.mean()
    assert (seam > 1).mean() < 0.001


def test_a_seam_is_seen_where_there_is_one(monkeypatch) -> None:
    before = photograph()
    after = retouched(before)
    changed = (after != before).any(axis=2)
    monkeypatch.setattr(graft, "membrane", lambda values, _known: np.zeros_like(values))
    _, seam = grafted(planes(exposed(before)), planes(before), planes(after), changed)
    rim = seam[40, 335:395]  # the upper edge of what was covered, on a bright wall
    assert (rim > 1).mean() > 0.9


def test_the_membrane_solves_laplaces_equation() -> None:
    # x² - y² and x y are harmonic: inside of a disc they follow from its rim alone
    y, x = (np.mgrid[-80:81, -100:101] / 80).astype(np.float32)
    for harmonic in (x**2 - y**2, x * y, 0.3 * x + y):
        known = np.hypot(x, y) > 0.7
        filled = membrane(np.where(known, harmonic, np.float32(9)), known)
        assert np.abs(filled - harmonic).max() < 0.02 * np.ptp(harmonic)
        assert (filled[known] == harmonic[known]).all()


def test_the_membrane_bears_what_knows_little_or_nothing() -> None:
    values = np.arange(35, dtype=np.float32).reshape(5, 7)
    nothing = np.zeros(values.shape, bool)
    assert (membrane(values, nothing) == 0).all()
    assert (membrane(values, ~nothing) == values).all()
    one = nothing.copy()
    one[2, 3] = True
    assert np.allclose(membrane(values, one), 17)
