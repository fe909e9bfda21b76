"""Masks carried from frame to frame: known motions, the demo's burst, and what must be refused."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data

from examples.shoot import make_shoot
from pipeline.develop import master_pixels
from pipeline.errors import InvalidInput
from pipeline.files.raw import open_original
from pipeline.job import load_job
from pipeline.kernels.follow import follow
from pipeline.masking import LEAST_CONFIDENCE, Mask
from tests.test_local_edits import local
from tests.test_texture import Reduced, photograph

BURST = ("QL0017", "QL0018", "QL0019", "QL0020", "QL0021")
FROM = "QL0019"


def overlap(one, other):
    one, other = one > 0.5, other > 0.5
    return (one & other).sum() / max((one | other).sum(), 1)


def disc(shape, x, y, radius):
    rows, columns = np.indices(shape)
    return (np.hypot(rows - y, columns - x) <= radius).astype(np.float32)


# --- known motions --------------------------------------------------------------------------------

MOTIONS = {
    "still": np.eye(3),
    "shift": np.array([[1, 0, 23.4], [0, 1, -11.7], [0, 0, 1]]),
    "turn": np.array([[0.985, 0.12, -20], [-0.12, 0.985, 35], [0, 0, 1]]),
    "nearer": np.array([[1.15, 0.02, -30], [-0.02, 1.15, -25], [0, 0, 1]]),
    "tilt": np.array([[1.02, 0.01, 4], [0.0, 0.98, 3], [6e-5, -4e-5, 1]]),
}


@pytest.mark.parametrize("name", MOTIONS)
@pytest.mark.parametrize("stops", [0.0, 0.5])
def test_a_known_motion_is_found(name, stops):
    """Homographies of a photograph that scikit-image carries."""
    picture = photograph("coffee")
    size = picture.shape[1], picture.shape[0]
    moved = cv2.warpPerspective(picture, MOTIONS[name], size, borderMode=cv2.BORDER_REFLECT)
    mask = disc(picture.shape[:2], 300, 200, 70)
    truth = cv2.warpPerspective(mask, MOTIONS[name], size)
    found = follow(picture.transpose(2, 0, 1), (moved * 2.0**stops).transpose(2, 0, 1), mask)
    assert found.confidence >= LEAST_CONFIDENCE
    assert overlap(found.density, truth) > 0.95
    assert (found.density.min(), found.density.max()) >= (0, 0.9)


@pytest.mark.parametrize("other", ["astronaut", "chelsea", "rocket"])
def test_another_scene_is_refused(other):
    picture, wrong = photograph("coffee")[:300, :400], photograph(other)[:300, :400]
    mask = disc((300, 400), 200, 150, 60)
    found = follow(picture.transpose(2, 0, 1), wrong.transpose(2, 0, 1), mask)
    assert found.confidence < LEAST_CONFIDENCE


def test_a_thing_that_is_gone_or_covered_is_refused():
    picture = photograph("coffee")
    mask = disc(picture.shape[:2], 300, 200, 60)
    gone = cv2.inpaint(
        (255 * picture**0.45).astype(np.uint8), (mask > 0).astype(np.uint8), 5, cv2.INPAINT_TELEA
    )
    covered = picture.copy()
    covered[130:270, 230:330] = (0.02, 0.3, 0.05)
    for other in ((gone / 255.0) ** (1 / 0.45), covered):
        found = follow(
            picture.transpose(2, 0, 1), other.astype(np.float32).transpose(2, 0, 1), mask
        )
        assert found.confidence < LEAST_CONFIDENCE


def test_what_lies_before_a_thing_now_is_not_taken_for_it():
    """A green bar over a sixth of it, which moved: the mask ends where the bar begins."""
    picture = photograph("coffee")
    mask = disc(picture.shape[:2], 300, 200, 70)
    moved, truth_there = (np.roll(each, (10, 14), axis=(0, 1)) for each in (picture, mask))
    moved[:, 350:390] = (0.02, 0.3, 0.05)
    assert 0.1 < truth_there[:, 350:390].sum() / truth_there.sum() < 0.25
    truth_there[:, 350:390] = 0
    found = follow(picture.transpose(2, 0, 1), moved.transpose(2, 0, 1), mask)
    assert overlap(found.density, truth_there) > 0.95
    assert found.density[:, 355:385].max() < 0.1


def test_what_leaves_the_frame_is_refused():
    picture = photograph("coffee")
    moved = cv2.warpAffine(picture, np.array([[1.0, 0, 120], [0, 1, 0]]), picture.shape[1::-1])
    found = follow(
        picture.transpose(2, 0, 1), moved.transpose(2, 0, 1), disc(picture.shape[:2], 500, 200, 60)
    )
    assert found.confidence < LEAST_CONFIDENCE


# --- the demo's burst -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shoot(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("shoot")
    make_shoot(folder, megapixels=3, frames=list(BURST))
    return folder


def truth(shoot, frame, thing, shape):
    names = json.loads((shoot / "truth" / "truth.json").read_text())["parts"]
    parts = np.load(shoot / "truth" / f"{frame}.npz")["parts"]
    ids = [int(i) for i, part in names.items() if part["object"] == thing]
    seen = np.isin(parts, ids).astype(np.float32)
    return cv2.resize(seen, shape[::-1], interpolation=cv2.INTER_AREA)


@pytest.mark.slow
def test_nothing_in_a_burst_is_accepted_that_is_not_there(shoot):
    pictures = {}
    for frame in BURST:
        source = open_original(shoot / "card" / f"{frame}.dng")
        matrix = source.light.to_working(source.light.as_shot)
        pictures[frame] = np.tensordot(matrix, source.preview(), (1, 2)).astype(np.float32)
    shape = pictures[FROM].shape[1:]
    found = {}
    for thing in ("bollard", "jumper", "red-lamp"):
        mask = truth(shoot, FROM, thing, shape)
        for frame in BURST:
            if frame != FROM:
                there = follow(pictures[FROM], pictures[frame], mask)
                right = overlap(there.density, truth(shoot, frame, thing, shape))
                found[thing, frame] = there.confidence, right
    print({key: tuple(round(float(v), 2) for v in pair) for key, pair in found.items()})
    accepted = [right for confidence, right in found.values() if confidence >= LEAST_CONFIDENCE]
    assert len(accepted) >= 6
    assert np.mean(accepted) >= 0.93
    assert min(accepted) >= 0.8
    still = [right for (thing, _), (_, right) in found.items() if thing == "bollard"]
    assert min(still) > 0.98


# --- through a job --------------------------------------------------------------------------------


def job(folder, **files):
    (folder / "setups").mkdir(parents=True)
    (folder / "frames").mkdir()
    texts = {"job": "job: quay\nclient: Ferrow Enamelware\nrecipe: plain\n", **files}
    for name, text in texts.items():
        (folder / f"{name.replace('__', '/')}.yaml").write_text(text)
    return folder


LAMP = (
    "frame: QL0003\nmasks: {pot: {ellipse: {centre: [0.5, 0.5], radii: [0.1, 0.1]}}}\nlocal:\n"
    "  - {name: pot, mask: {all: [{named: pot}, {tones: {to: 1}}], feather: 1}, dodge: 0.5}\n"
)


def masks(resolved):
    return {step.label: step.parameters["mask"] for step in resolved.steps if step.stage == "local"}


def test_a_setup_or_a_frame_follows_and_adds_its_own(tmp_path):
    loaded = load_job(
        job(
            tmp_path / "job",
            setups__day='setup: day\nframes: ["QL00[01-09]"]\n'
            'follow: {from: QL0003, frames: ["QL00[02-05]"]}\n',
            frames__QL0003=LAMP,
            frames__QL0004="frame: QL0004\nlocal:\n  - {name: pot, dodge: 0.8}\n",
            frames__QL0007="frame: QL0007\nfollow: {from: QL0003}\n",
        )
    )
    pot = {"ellipse": {"centre": [0.5, 0.5], "radii": [0.1, 0.1], "angle_deg": 0, "feather": 0}}
    carried = {**pot, "follows": "QL0003"}
    tones = masks(loaded.resolve("QL0003"))["pot"]["all"][1]
    for frame, part in (("QL0003", pot), ("QL0002", carried), ("QL0007", carried)):
        assert masks(loaded.resolve(frame)) == {"pot": {"all": [part, tones], "feather": 1.0}}
    (own,) = (step for step in loaded.resolve("QL0004").steps if step.stage == "local")
    assert own.parameters["dodge"] == 0.8
    assert own.parameters["mask"]["all"][0] == carried
    assert masks(loaded.resolve("QL0006")) == {}
    assert loaded.resolve("QL0002").follows == {"QL0003": {}}
    assert loaded.resolve("QL0003").follows == {}
    assert own.origins["mask.all[0].ellipse"].file == "frames/QL0003.yaml"


@pytest.mark.parametrize(
    ("files", "problem"),
    [
        ({"frames__QL0004": "frame: QL0004\nfollow: {from: QL0004}\n"}, "follow.from: itself"),
        (
            {"frames__QL0004": "frame: QL0004\nfollow: {from: QL0033}\n", "frames__QL0003": LAMP},
            "QL0033, whose file has neither local edits nor spots",
        ),
        (
            {
                "frames__QL0003": LAMP + "follow: {from: QL0005}\n",
                "frames__QL0005": LAMP.replace("QL0003", "QL0005"),
                "frames__QL0004": "frame: QL0004\nfollow: {from: QL0003}\n",
            },
            "QL0003, which follows another frame itself",
        ),
    ],
)
def test_what_cannot_be_followed_is_said_with_its_place(tmp_path, files, problem):
    with pytest.raises(InvalidInput, match=r"frames/QL0004\.yaml:2") as raised:
        load_job(job(tmp_path / "job", **files))
    assert problem in str(raised.value)


def test_masks_are_followed_in_the_pass_and_doubt_stops_the_frame():
    picture = photograph("coffee")
    moved = np.roll(picture, (16, -24), axis=(0, 1))
    ellipse = {"ellipse": {"centre": [0.5, 0.5], "radii": [0.1, 0.14]}}
    others = {"QL0003": Reduced(picture)}
    there = master_pixels(Reduced(picture), [local("burn", ellipse, 2.0)])
    carried = local("burn", {**ellipse, "follows": "QL0003"}, 2.0)
    here = master_pixels(Reduced(moved), [carried], others=others.__getitem__)
    # burning by two stops leaves a third of the codes of a curve of 1 / 1.8
    burnt, expected = (
        (after.sum(axis=2) < 0.65 * master_pixels(Reduced(plain), []).sum(axis=2)).astype(float)
        for after, plain in ((here, moved), (there, picture))
    )
    assert overlap(burnt, np.roll(expected, (16, -24), (0, 1))) > 0.85
    wrong = {"QL0003": Reduced(photograph("rocket")[:400, :600])}
    with pytest.raises(ValueError, match="follows QL0003: its ellipse was not found again"):
        master_pixels(Reduced(moved), [carried], others=wrong.__getitem__)


def test_spots_are_carried_with_their_frame(tmp_path):
    loaded = load_job(
        job(
            tmp_path / "job",
            frames__QL0003="frame: QL0003\nadjust:\n"
            "  - spotting: {spots: [{at: [0.5, 0.4], radius: 0.5}]}\n  - expose: {stops: 1}\n",
            frames__QL0004="frame: QL0004\nfollow: {from: QL0003}\n",
        )
    )
    (step,) = loaded.resolve("QL0004").steps[-1:]
    assert (step.step, step.parameters["spots"]) == (
        "spotting", [{"at": [0.5, 0.4], "radius": 0.5, "follows": "QL0003"}]
    )  # fmt: skip
    exposed = [s.parameters["stops"] for s in loaded.resolve("QL0004").steps if s.step == "expose"]
    assert 1.0 not in exposed
    assert loaded.resolve("QL0004").follows == {"QL0003": {}}
    assert loaded.resolve("QL0003").follows == {}
    picture = photograph("coffee")
    moved = np.roll(picture, (16, -24), axis=(0, 1))
    blot = disc(picture.shape[:2], 300, 160, 3)[..., None]
    dirty = [(1 - 0.8 * np.roll(blot, shift, axis=(0, 1))) * p
             for p, shift in ((picture, (0, 0)), (moved, (16, -24)))]  # fmt: skip
    out = master_pixels(
        Reduced(dirty[1].astype(np.float32)),
        [step],
        others={"QL0003": Reduced(dirty[0].astype(np.float32))}.__getitem__,
    )
    clean = master_pixels(Reduced(moved), [])
    here = np.roll(blot[..., 0], (16, -24), (0, 1)) > 0
    assert np.abs(out[here].mean() / clean[here].mean() - 1) < 0.2
    assert (
        master_pixels(Reduced(dirty[1].astype(np.float32)), [])[here].mean()
        < 0.6 * clean[here].mean()
    )


def test_only_shapes_by_place_follow():
    with pytest.raises(ValueError, match="follows goes with a shape by place"):
        Mask.model_validate({"tones": {"to": 1}, "follows": "QL0003"})


def test_the_same_every_time():
    picture = skimage.data.coffee()[..., :3].astype(np.float32).transpose(2, 0, 1) / 255
    moved = np.roll(picture, 9, axis=2)
    mask = disc(picture.shape[1:], 300, 200, 50)
    threads = cv2.getNumThreads()
    try:
        found = []
        for count in (1, 2):
            cv2.setNumThreads(count)
            found.append(follow(picture, moved, mask))
    finally:
        cv2.setNumThreads(threads)
    np.testing.assert_array_equal(found[0].density, found[1].density)
    assert found[0].confidence == found[1].confidence
