"""Grain: as strong and as large as it says, alike in every size, the same on any strips."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.develop import master_pixels
from pipeline.framing import Size
from pipeline.kernels.encode import decode_romm16
from pipeline.kernels.grain import WIDEST, grain_field
from pipeline.kernels.masks import Box, Grid
from pipeline.kernels.orient import sensor_view
from pipeline.rendition import RenditionSpec, render
from pipeline.steps import STEPS
from tests.test_develop import PictureInMemory, steps_of

WEIGHTS = np.float64([0.2627, 0.6780, 0.0593])
"""ITU-R BT.2020."""
HEIGHT, WIDTH = 400, 600


def grained(strength: float = 0.05, size: float = 4.0):
    (step,) = steps_of([("grain", {"strength": strength, "size": size})])
    return replace(step, stage="finish")


def grey(level: float, height: int = HEIGHT, width: int = WIDTH) -> PictureInMemory:
    return PictureInMemory(np.full((height, width, 3), level, np.float32))


def lightness(codes: np.ndarray) -> np.ndarray:
    """The square root of luminance, from codes of a master."""
    planes = np.empty((3, codes.shape[0] * codes.shape[1]), np.float32)
    decode_romm16(codes.reshape(-1, 3), *planes)
    return np.sqrt(np.maximum(WEIGHTS @ planes, 0)).reshape(codes.shape[:2])


def noise(size: float, height: int = HEIGHT, width: int = WIDTH, seed: int = 1) -> np.ndarray:
    field = grain_field(Grid.over(height, width), size, seed)
    return (field.at(Box(0, height, 0, width)) - 0.5) * 2 * WIDEST


@pytest.mark.parametrize(("size", "by"), [(0.5, 1), (2.0, 1), (6.0, 1), (2.0, 2)])
def test_the_field_is_normal_noise_of_one_size(size: float, by: int) -> None:
    """In thousandths of the long edge, whatever that is in pixels."""
    height, width = by * HEIGHT, by * WIDTH
    values = noise(size, height, width)
    assert values.mean() == pytest.approx(0, abs=0.05)
    assert values.std() == pytest.approx(1, rel=0.06)
    if size == 0.5:
        # of a normal distribution, 15.9 % lie above one deviation and 2.3 % above two
        assert (values > 1).mean() == pytest.approx(0.159, abs=0.01)
        assert (values > 2).mean() == pytest.approx(0.023, abs=0.005)
    # noise blurred by a Gaussian of s has the autocorrelation exp(-d² / (4 s²))
    sigma = size / 1000 * width / 2.3548
    for distance in (1, 2, 3):
        for shifted in (values[:, distance:], values[distance:].T[:, :]):
            first = values[:, :-distance] if shifted.shape[0] == height else values[:-distance].T
            measured = (first * shifted).mean() / values.var()
            expected = np.exp(-(distance**2) / (4 * sigma**2))
            if sigma > 0.6:  # below, a pixel is too coarse for the formula
                assert measured == pytest.approx(expected, abs=0.06)


def test_it_is_as_strong_as_it_says_in_the_middle_and_absent_at_the_ends() -> None:
    for level, weight in ((0.25, 1.0), (0.04, 0.64), (0.0, 0.0), (1.0, 0.0)):
        source = grey(level)
        values = lightness(master_pixels(source, [grained()]))
        plain = lightness(master_pixels(source, []))
        assert values.std() == pytest.approx(0.05 * weight, rel=0.06, abs=2e-3)
        assert values.mean() == pytest.approx(plain.mean(), abs=4e-3)


@pytest.mark.parametrize(("level", "strength"), [(0.01, 0.1), (0.05, 0.1), (0.2, 0.3), (0.6, 0.1)])
def test_grain_that_melts_together_leaves_the_light_that_was(level, strength) -> None:
    """Light adds up linearly, in the eye and in a smaller file alike (Talbot-Plateau law)."""
    codes = master_pixels(grey(level), [grained(strength, size=1.0)])
    planes = np.empty((3, HEIGHT * WIDTH), np.float32)
    decode_romm16(codes.reshape(-1, 3), *planes)
    assert (WEIGHTS @ planes).mean() == pytest.approx(level, rel=0.02)


def test_it_changes_no_colour() -> None:
    picture = np.full((60, 90, 3), (0.3, 0.2, 0.1), np.float32)
    codes = master_pixels(PictureInMemory(picture), [grained()])
    planes = np.empty((3, 60 * 90), np.float32)
    decode_romm16(codes.reshape(-1, 3), *planes)
    shares = planes / planes.sum(axis=0)
    assert np.ptp(shares, axis=1).max() < 2e-3
    assert planes.std(axis=1).min() > 0.005


@pytest.mark.parametrize("orientation", [1, 3, 6, 7])
def test_strips_threads_and_orientation_change_no_bit(orientation: int, rng) -> None:
    picture = rng.uniform(0.05, 0.6, (131, 203, 3)).astype(np.float32)
    source = PictureInMemory(np.ascontiguousarray(sensor_view(picture, orientation)), orientation)
    whole = master_pixels(source, [grained()], strip_rows=600)
    assert (whole != master_pixels(source, [])).any(axis=2).mean() > 0.9
    for rows, threads in ((1, 1), (7, 3), (96, 2)):
        again = master_pixels(source, [grained()], threads=threads, strip_rows=rows)
        np.testing.assert_array_equal(again, whole)


def test_files_of_all_sizes_show_the_same_grain() -> None:
    master = master_pixels(grey(0.25, 900, 1350), [grained(size=5.0)])
    sizes = [RenditionSpec("romm-rgb", 16, Size(long_edge=edge)) for edge in (1350, 900, 450)]
    large, middle, small = (lightness(codes) for codes in render(master, sizes))
    assert middle.std() == pytest.approx(large.std(), rel=0.05)
    assert small.std() == pytest.approx(large.std(), rel=0.12)
    in_blocks = large.reshape(300, 3, 450, 3).mean(axis=(1, 3))
    assert np.corrcoef(in_blocks.ravel(), small.ravel())[0, 1] > 0.97


def test_a_frame_has_its_own_and_a_retoucher_gets_none() -> None:
    one, other = (noise(1.0, seed=seed) for seed in (1, 2))
    assert abs(np.corrcoef(one.ravel(), other.ravel())[0, 1]) < 0.02
    source = grey(0.25, 60, 90)
    sent = master_pixels(source, [grained()], finish=False)
    np.testing.assert_array_equal(sent, master_pixels(source, []))
    np.testing.assert_array_equal(
        master_pixels(source, [grained(strength=0)]), master_pixels(source, [])
    )


def test_it_is_done_last_wherever_it_was_written(tmp_path) -> None:
    from pipeline.job import load_job
    from tests.job_for_tests import write_job

    write_job(tmp_path)
    look = tmp_path / "recipes/look.yaml"
    look.write_text(look.read_text().replace("look:\n", "look:\n  - grain: {size: 0.5}\n"))
    stages = {step.step: step.stage for step in load_job(tmp_path).resolve("F0001").steps}
    assert stages["grain"] == "finish"
    assert STEPS["grain"].parameters().size == 0.4
