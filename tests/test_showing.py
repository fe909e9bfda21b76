"""Masks drawn over the picture: what is drawn where, and the sheet that a command writes."""

from __future__ import annotations

import imagecodecs
import numpy as np
import pytest

from pipeline.kernels.overlay import SPACING_PX, overlaid
from pipeline.masking import Mask
from pipeline.sheet import PAPER, Panel, sheet
from tests.job_for_tests import make_job, safelight

GREY = np.full((60, 80, 3), 120, np.uint8)


def uniform(level):
    return np.full((60, 80), level, np.float32)


def test_where_a_mask_is_nothing_the_picture_stays(rng):
    picture = rng.integers(0, 256, (60, 80, 3)).astype(np.uint8)
    before = picture.copy()
    np.testing.assert_array_equal(overlaid(picture, uniform(0)), picture)
    half = uniform(0)
    half[:, 40:] = 1
    np.testing.assert_array_equal(overlaid(picture, half)[:, :34], picture[:, :34])
    np.testing.assert_array_equal(picture, before)
    assert overlaid(picture[:0], uniform(0)[:0]).shape == (0, 80, 3)


def test_hatching_adds_no_colour_and_covers_more_where_the_mask_is_denser():
    covered = []
    for level in (0.1, 0.3, 0.6, 1.0):
        drawn = overlaid(GREY, uniform(level)).astype(int)
        assert (drawn == drawn[..., :1]).all()  # neutral on a neutral ground
        covered.append((drawn[..., 0] != 120).mean())
    assert covered == sorted(covered)
    assert covered[0] < 0.4
    assert 0.5 < covered[-1] < 0.9
    # the lines repeat along a row
    row = overlaid(np.full((20, 330, 3), 120, np.uint8), np.ones((20, 330), np.float32))[10, :, 0]
    step = round(SPACING_PX)
    np.testing.assert_array_equal(row[:-step], row[step:])


@pytest.mark.parametrize("ground", [0, 128, 255])
def test_an_outline_shows_on_any_ground(ground):
    fade = np.clip((np.arange(80) - 20) / 40, 0, 1).astype(np.float32)
    drawn = overlaid(np.full((60, 80, 3), ground, np.uint8), np.tile(fade, (60, 1)))[..., 0]
    at_half = drawn[:, 38:43].astype(int)  # density one half lies at column 40
    assert np.ptp(at_half, axis=1).min() > 120


def test_a_mask_describes_itself_in_words():
    for plain, words in [
        ({"whole": True}, "whole"),
        ({"not": {"ellipse": {"centre": [0.5, 0.5], "radii": [0.1, 0.1]}}}, "not ellipse"),
        ({"minus": [{"whole": True}, {"tones": {"to": 1}}]}, "whole without tones"),
        ({"all": [{"painted": "masks/a.png"}, {"tones": {"to": 1}, "feather": 2}], "grow": 3},
         "all of masks/a.png, tones (feather 2) (grow 3)"),
    ]:  # fmt: skip
        assert str(Mask.model_validate(plain)) == words


def test_a_sheet_has_room_for_every_panel_and_cuts_long_words():
    panels = [Panel(GREY, f"mask {n}", ["a line that is much too long for 80 pixels"])
              for n in range(5)]  # fmt: skip
    page = sheet("Masks", panels, "foot")
    assert page.dtype == np.uint8
    found = (page == 120).all(axis=-1)
    assert found.sum() == 5 * 60 * 80
    beyond = page[:, -30:]
    np.testing.assert_array_equal(beyond, np.broadcast_to(np.uint8(PAPER), beyond.shape))


def test_show_draws_the_masks_of_a_frame_into_reports(tmp_path):
    job = make_job(tmp_path / "job", frames=2, selects=1)
    (job / "frames").mkdir(exist_ok=True)
    (job / "frames" / "F0001.yaml").write_text(
        "frame: F0001\nlocal:\n"
        "  - {name: rim, mask: {not: {ellipse: {centre: [0.5, 0.5], radii: [0.4, 0.4]}}},"
        " burn: 0.3}\n"
        "  - {name: light, mask: {tones: {from: -1}, feather: 1}, saturation: 1.2}\n"
    )
    shown = safelight("show", "F0001", "--masks", cwd=job)
    assert (shown.returncode, shown.stderr) == (0, "")
    assert shown.stdout == "reports/F0001-masks.png\n"
    page = imagecodecs.png_decode((job / "reports" / "F0001-masks.png").read_bytes())
    assert page.ndim == 3 and page.shape[1] > 2 * 200  # the frame's own 200 pixels, twice
    without = safelight("show", "F0002", "--masks", cwd=job)
    assert without.returncode == 2
    assert without.stderr.strip() == (
        "F0002: no local edit and no product's place, so there is no mask to show; allowed: a "
        "frame with masks"
    )
