"""Dust on the sensor: found where the demo's camera has it, and nowhere on a clean one."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data
from scipy.ndimage import gaussian_filter

import examples.shoot.sensor as camera
from examples.shoot import make_shoot
from pipeline.assess import COVER, assess_dust, upright_place
from pipeline.files.raw import open_original
from pipeline.ingest import ingest
from pipeline.kernels.dust import RADII, evidence, find, spots_in
from pipeline.kernels.orient import sensor_view, upright
from pipeline.manifest import Manifest
from pipeline.rating import rate
from pipeline.run import run
from tests.test_heal import linear

# of every setup
FRAMES = ("QL0002", "QL0004", "QL0006", "QL0013", "QL0017", "QL0026", "QL0031", "QL0036")


def read(folder, shade=None):
    """What each raw says; ``shade`` is a share of the light to divide out first."""
    found = {}
    for path in sorted((folder / "card").glob("*.dng")):
        source = open_original(path)
        stored = sensor_view(source.preview(), source.orientation)
        if shade is not None:
            stored = (
                stored
                / cv2.resize(
                    shade(source.height, source.width),
                    stored.shape[1::-1],
                    interpolation=cv2.INTER_AREA,
                )[..., None]
            )
        found[path.stem] = evidence(np.ascontiguousarray(stored, np.float32))
    return found


@pytest.fixture(scope="module")
def shoot(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("dusty")
    make_shoot(folder, megapixels=3, frames=list(FRAMES))
    return folder


@pytest.mark.slow
def test_every_speck_that_is_there_and_no_other(shoot):
    document = json.loads((shoot / "truth" / "truth.json").read_text())
    found = read(shoot)
    specks = find(found, {})
    print([tuple(round(float(v), 4) for v in speck) for speck in specks])
    aspect = next(iter(found.values())).aspect
    hit = set()
    for speck in specks:
        # the truth counts x and y both in stored widths
        away = [np.hypot(speck.x - d["x"], speck.y / aspect - d["y"]) for d in document["dust"]]
        assert min(away) < 0.002
        hit.add(int(np.argmin(away)))
    assert len(hit) == len(specks) >= 4


@pytest.mark.slow
def test_nothing_on_a_clean_sensor(shoot, monkeypatch):
    """The same pictures, the shade of the camera's own dust divided out."""
    dusty = camera.gain_map

    def shade(height, width):
        with monkeypatch.context() as patch:
            patch.setattr(camera, "DUST", ())
            return dusty(height, width)

    found = read(shoot, lambda height, width: dusty(height, width) / shade(height, width))
    assert sum(len(one.dips) for one in found.values()) > 500  # there is enough that is dark
    assert find(found, {}) == []


# --- pictures that scikit-image carries -----------------------------------------------------------

SCENES = ("astronaut", "coffee", "chelsea", "rocket", "immunohistochemistry")


def dusted(picture, places, depth=0.25, radius=4):
    """Spots at shares of the picture, soft, taking a share of the light."""
    height, width = picture.shape[:2]
    out = picture.copy()
    for x, y in places:
        top, left = (max(int(at) - radius - 1, 0) for at in (y * height, x * width))
        around = out[top : top + 2 * radius + 4, left : left + 2 * radius + 4]
        rows, columns = np.ogrid[top : top + around.shape[0], left : left + around.shape[1]]
        away = np.hypot(rows - y * height, columns - x * width) / radius
        around *= (1 - depth * np.clip(1.6 * (1 - away), 0, 1))[..., None]
    return out


def scenes():
    for name in SCENES:
        picture = getattr(skimage.data, name)()[:300, :450, :3]
        yield name, (linear(picture) * 0.5).astype(np.float32)


def test_what_is_at_one_place_in_different_pictures_is_dust():
    places = [(0.7, 0.12), (0.12, 0.2)]
    clean = {name: evidence(picture) for name, picture in scenes()}
    assert find(clean, {}) == []
    dirty = {name: evidence(dusted(p, places).astype(np.float32)) for name, p in scenes()}
    specks = find(dirty, {})
    assert specks
    for speck in specks:
        assert min(np.hypot(speck.x - x, speck.y - y) for x, y in places) < 0.01


def out_of_focus(places, radius):
    """The dust of a camera whose pictures are all soft."""
    found = {}
    for name, picture in scenes():
        soft = cv2.GaussianBlur(cv2.resize(picture, None, fx=2, fy=2), (0, 0), 8)
        found[name] = evidence(dusted(soft, places, radius=radius).astype(np.float32))
    return sorted(find(found, {}))


def test_where_the_pictures_are_out_of_focus_every_speck_is_seen_in_each():
    places = [(0.2, 0.8), (0.5, 0.5), (0.9, 0.3)]
    specks = out_of_focus(places, radius=5)
    assert [speck.scenes for speck in specks] == [len(SCENES)] * len(places)
    for speck, place in zip(specks, places, strict=True):
        assert (speck.x, speck.y) == pytest.approx(place, abs=0.002)


@pytest.mark.parametrize("radius", [3, 5, 7])
def test_what_is_filled_covers_the_whole_speck_and_little_more(radius):
    specks = out_of_focus([(0.2, 0.8), (0.5, 0.5), (0.9, 0.3)], radius)
    assert len(specks) >= 2
    for speck in specks:
        assert 0.95 < COVER * speck.radius * 900 / radius < 1.45


def test_known_dust_is_seen_in_busy_places_and_hardly_where_it_is_not(rng):
    """Sharp pictures, with dust and without, asked for the dust that soft ones have shown."""
    sharp = [cv2.resize(picture, None, fx=2, fy=2) for _, picture in scenes()]
    without = [evidence(picture) for picture in sharp]
    asked = dusty = clean = 0
    for _ in range(2):
        places = rng.uniform(0.1, 0.9, (8, 2))
        specks = out_of_focus(places, radius=5)
        for picture, bare in zip(sharp, without, strict=True):
            marked = evidence(dusted(picture, places, radius=5).astype(np.float32))
            asked += len(specks)
            dusty += len(spots_in(specks, marked))
            clean += len(spots_in(specks, bare))
    assert asked > 60
    assert dusty > 0.55 * asked
    assert clean < 0.1 * asked


def test_what_stands_still_in_every_picture_proves_nothing(rng):
    """A tripod: twelve exposures of one wall with specks on it, and one look at another scene."""
    wall = dusted(np.full((300, 450, 3), 0.3), rng.uniform(0.1, 0.9, (12, 2)))
    wall *= np.linspace(0.6, 1.4, 450)[None, :, None]
    shots = {
        f"A{n}": evidence((wall * 2 ** rng.uniform(-0.5, 0.5)
                           * (1 + 0.01 * rng.standard_normal(wall.shape))).astype(np.float32))
        for n in range(12)
    }  # fmt: skip
    assert all(len(found.dips) >= 8 for found in shots.values())
    assert find(shots, {}) == []


def test_a_depth_is_what_it_is_by_definition():
    """The dip of a flat field is the difference of two Gaussian means of log2, in float64."""
    field = dusted(np.full((400, 600, 3), 0.2), [(0.5, 0.5)], depth=0.3, radius=5)
    (dip,) = (d for d in evidence(field.astype(np.float32)).dips if abs(d.x - 0.5) < 0.01)
    sigma = dip.radius * 600 / 1.6
    rows, columns = np.mgrid[-60:61, -60:61]
    light = np.log2(field[140:261, 240:361, 0])

    def mean(s):
        weights = np.exp(-(rows**2 + columns**2) / (2 * s**2))
        return (weights * light).sum() / weights.sum()

    assert dip.stops == pytest.approx(mean(2.2 * sigma) - mean(0.6 * sigma), rel=0.05)
    assert (dip.x, dip.y) == pytest.approx((0.5, 0.5), abs=0.004)


@pytest.mark.parametrize("width", [600, 1400])
def test_what_is_around_a_spot_is_judged_by_its_deviation(width, rng):
    """Of noise, everywhere: that of scipy's difference of Gaussians, which is normal too."""
    stops = rng.normal(-3, 0.2, (width * 2 // 3, width))
    found = evidence(np.repeat(2 ** stops[..., None], 3, axis=2).astype(np.float32))
    for radius, noise in zip(RADII, found.noise, strict=True):
        sigma = max(radius * width / 1.6, 0.7)
        wide, narrow = (gaussian_filter(stops, k * sigma, truncate=5) for k in (2.2, 0.6))
        assert np.array(noise) == pytest.approx((wide - narrow).std(), rel=0.15)
        assert np.mean(noise) == pytest.approx((wide - narrow).std(), rel=0.02)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_places_turn_with_the_picture(orientation):
    stored = np.zeros((60, 90))
    stored[12, 70] = 1
    ((row, column),) = np.argwhere(upright(stored, orientation))
    height, width = upright(stored, orientation).shape
    x, y = upright_place(70.5 / 90, 12.5 / 60, orientation)
    assert (x * width, y * height) == pytest.approx((column + 0.5, row + 0.5), abs=0.01)


# --- through a job --------------------------------------------------------------------------------


@pytest.mark.slow
def test_what_is_found_is_filled_in_the_next_version(shoot, tmp_path):
    job = tmp_path / "job"
    job.mkdir()
    (job / "job.yaml").write_text("job: quay\nclient: Ferrow Enamelware\nrecipe: house.yaml\n")
    (job / "house.yaml").write_text("recipe: house\nfinish:\n  - spotting: {dust: true}\n")
    ingest(job, [shoot / "card"])
    rate(job, 5, ["QL0006"])
    assert run(job).notes == [
        "spotting: nobody looked for dust in QL0006; safelight assess --dust does"
    ]
    report = assess_dust(job)
    assert report.exit_code == 0
    (specks,) = report.specks.values()
    assert len(specks) >= 4
    with Manifest.open(job) as manifest:
        assert manifest.dust() == report.spots
    spots = report.spots["QL0006"]
    assert spots
    done = run(job)
    assert [version.frame for version in done.developed] == ["QL0006"]
    with Manifest.open(job) as manifest:
        versions = manifest.frames()["QL0006"].versions
    assert versions[1].reason == f"spotting: {len(spots)} spots of dust found"
    assert done.notes == []
    before, after = (dips_at(job, version.master, spots) for version in versions)
    assert np.mean(after) < 0.35 * np.mean(before)
    assert run(job).developed == []


def dips_at(job, master, spots):
    """How much darker, in stops, each spot's middle is than a ring around it."""
    from pipeline.files.encode import read_master

    light = (read_master(job / master.path, master.digest)[..., 1] / 65535.0) ** 1.8
    height, width = light.shape
    rows, columns = np.mgrid[:height, :width]
    depths = []
    for spot in spots:
        away = np.hypot(columns - spot.at[0] * width, rows - spot.at[1] * height)
        reach = spot.radius / 100 * max(height, width)
        ring = light[(away > 1.3 * reach) & (away < 2 * reach)].mean()
        depths.append(np.log2(ring / light[away < 0.35 * reach].mean()))
    return np.abs(depths)
