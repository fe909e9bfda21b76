"""A hundred random lives of two frames between the job and the retoucher, with crashes in between.

After every step: no file that was accepted is lost, everything recorded is on disk as recorded,
nothing stale or unretouched was delivered without a word, and the status says what is next.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as some
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from pipeline.errors import InvalidInput
from pipeline.files import landing
from pipeline.handoff import hand_off, withdraw
from pipeline.hashing import digest_file, key_of
from pipeline.manifest import Manifest
from pipeline.plan import sent_inputs
from pipeline.rating import approve, rate
from pipeline.records import FrameState, Handoff, Returned
from pipeline.retouch import settle, take_back
from pipeline.rounds import retouch_of
from pipeline.run import Report, run
from pipeline.status import URGENCY
from pipeline.survey import Survey, survey
from pipeline.verify import verify
from tests.job_for_tests import InProcess, make_job

FRAMES = ("F0001", "F0002")
LOOK = "recipe: look\nlook:\n- tone: {{contrast: {contrast}}}\n"
JOB = """\
job: small
client: Ferrow Enamelware
recipe: recipes/look.yaml
deliveries:
  web: {format: tiff, bits: 16, scale: 1, space: romm-rgb, name: "{frame}"}
"""
PROFILE, XMP = 34675, 700


class Killed(BaseException):
    """The process ended here."""


@contextmanager
def killed_at(step: int | None) -> Iterator[None]:
    """End the process before the so manieth file is put in place or row is written, or after.

    What a dead process cannot do is not done either: temporaries stay where they are.
    """
    if step is None:
        yield
        return
    left = [step]
    dead = [False]

    def dying(function: Callable) -> Callable:
        def call(*arguments, **options):
            left[0] -= 1
            if left[0] == 0:
                dead[0] = True
                raise Killed
            done = function(*arguments, **options)
            left[0] -= 1
            if left[0] == 0:
                dead[0] = True
                raise Killed
            return done

        return call

    def removing(function: Callable) -> Callable:
        def call(*arguments):
            if not dead[0]:
                function(*arguments)

        return call

    kills = [(landing, name) for name in ("land", "land_beside", "land_folder", "part_folder")]
    kills += [
        (Manifest, f"record_{what}")
        for what in ("round", "returned", "settled", "withdrawn", "version", "delivered")
    ]
    with ExitStack() as stack:
        for owner, name in kills:
            stack.enter_context(patch.object(owner, name, dying(getattr(owner, name))))
        for name in ("remove_folder", "sweep", "_remove"):
            stack.enter_context(patch.object(landing, name, removing(getattr(landing, name))))
        with suppress(Killed):
            yield


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """Two selects that ask for something."""
    job = make_job(tmp_path_factory.mktemp("made") / "job", frames=2, selects=2)
    shutil.rmtree(job / "setups")
    (job / "job.yaml").write_text(JOB)
    (job / "recipes/look.yaml").write_text(LOOK.format(contrast=1.1))
    (job / "frames").mkdir()
    for name in FRAMES:
        (job / f"frames/{name}.yaml").write_text(
            f"frame: {name}\nretouch: {{ask: [{{what: take out the cable}}]}}\n"
        )
    return job


frames = some.sampled_from(FRAMES)
crashes = some.none() | some.integers(1, 12)


class RoundTrip(RuleBasedStateMachine):
    """What people do to a job, in any order."""

    template: Path

    @initialize()
    def begin(self) -> None:
        self.home = Path(tempfile.mkdtemp())
        self.job = shutil.copytree(self.template, self.home / "job")
        self.files: list[tuple[str, Path]] = []
        self.accepted: dict[str, bytes] = {}
        self.engine = InProcess()
        self.count = 0

    def teardown(self) -> None:
        if hasattr(self, "home"):
            shutil.rmtree(self.home)

    # --- what is known ---

    def found(self) -> Survey:
        with Manifest.open(self.job) as manifest:
            return survey(self.job, manifest)

    def states(self) -> dict[str, FrameState]:
        return dict(self.found().states)

    def attempt(self, action: Callable[[], object], crash: int | None) -> object:
        """Do something that may be refused in words, or be killed in the middle."""
        done = None
        with killed_at(crash):
            try:
                done = action()
            except InvalidInput as refusal:
                assert str(refusal)
        return done

    # --- what people do ---

    @rule(contrast=some.sampled_from((1.1, 1.2, 1.3)))
    def change_the_look(self, contrast: float) -> None:
        (self.job / "recipes/look.yaml").write_text(LOOK.format(contrast=contrast))

    @rule(name=frames, what=some.sampled_from(("take out the cable", "clean the shade")))
    def ask_for_something(self, name: str, what: str) -> None:
        (self.job / f"frames/{name}.yaml").write_text(
            f"frame: {name}\nretouch: {{ask: [{{what: {what}}}]}}\n"
        )

    @rule(named=some.sampled_from(((), *((name,) for name in FRAMES))), again=some.booleans())
    def hand_off_whole(self, named: tuple[str, ...], again: bool) -> None:
        self.hand_off_and_die(named, again, None)

    @rule(
        named=some.sampled_from(((), *((name,) for name in FRAMES))),
        again=some.booleans(),
        crash=crashes,
    )
    def hand_off_and_die(self, named: tuple[str, ...], again: bool, crash: int | None) -> None:
        def send() -> None:
            hand_off(self.job, named, "Ines", supersede=again, engine=self.engine)

        self.attempt(send, crash)

    @precondition(lambda self: any(self.sent()))
    @rule(data=some.data())
    def retouch(self, data: some.DataObject) -> None:
        """Somebody saves a changed copy of any file that ever went out."""
        handoff = data.draw(some.sampled_from(list(self.sent())))
        source = self.job / handoff.sent.path
        with tifffile.TiffFile(source) as file:
            pixels, profile = file.asarray(), file.pages[0].tags[PROFILE].value
            xmp = file.pages[0].tags.get(XMP)
        self.count += 1
        pixels[40:60, 50:80] = (pixels[40:60, 50:80] // 2) + self.count
        folder = self.home / f"back-{self.count}"
        folder.mkdir()
        path = folder / source.name
        tags = [] if xmp is None else [(XMP, 1, len(xmp.value), xmp.value, True)]
        tifffile.imwrite(path, pixels, photometric="rgb", iccprofile=profile, extratags=tags)
        self.files.append((handoff.frame, path))

    def sent(self) -> Iterator[Handoff]:
        for state in self.states().values():
            yield from (trip for trip in state.trips if isinstance(trip, Handoff))

    @precondition(lambda self: self.files)
    @rule(data=some.data(), accept=some.booleans(), crash=crashes)
    def take_back(self, data: some.DataObject, accept: bool, crash: int | None) -> None:
        _, path = data.draw(some.sampled_from(self.files))
        before = path.read_bytes()
        self.attempt(
            lambda: take_back(self.job, [path], accept=accept, settle_s=0, engine=self.engine),
            crash,
        )
        assert path.read_bytes() == before, "what came back is only read"

    @rule(name=frames, how=some.sampled_from(("keep", "again", "carry", "round")), data=some.data())
    def settle(self, name: str, how, data: some.DataObject) -> None:
        number = data.draw(some.integers(1, 4)) if how == "round" else None
        crash = data.draw(crashes)
        self.attempt(
            lambda: settle(
                self.job,
                [name],
                how,
                round_number=number,
                accept=how == "carry",
                engine=self.engine,
            ),
            crash,
        )

    @rule(name=frames, crash=crashes)
    def withdraw(self, name: str, crash: int | None) -> None:
        self.attempt(lambda: withdraw(self.job, [name]), crash)

    @rule(name=frames)
    def approve(self, name: str) -> None:
        self.attempt(lambda: approve(self.job, [name]), None)

    @rule(name=frames, rating=some.sampled_from((-1, 3, 4)))
    def judge(self, name: str, rating: int) -> None:
        with patch("pipeline.files.metadata.MetadataWriter"):  # the XMP is not what this is about
            rate(self.job, rating, [name])

    @rule(crash=crashes)
    def develop(self, crash: int | None) -> None:
        self.attempt(lambda: run(self.job, engine=self.engine), crash)

    @rule()
    def deliver(self) -> None:
        """Whatever is delivered is what is asked for now, or approved and spoken of."""
        before = self.found()
        done = run(self.job, deliveries=["web"], engine=self.engine)
        assert done.exit_code == 0
        said = {action.frame: action.action for action in done.untouched}
        after = self.states()
        asked = {frame.frame: frame for frame in before.frames}
        for file in done.delivered:
            state = after[file.frame]
            if state.approved_version == file.version:
                continue  # a person's word; that it has changed since is told by ``_reopened``
            assert file.frame not in said or said[file.frame] == "nothing"
            assert state.approved_version is None
            self.assert_current(state, asked[file.frame], file.version)
        self.assert_spoken_of(done, after, asked)

    def assert_current(self, state: FrameState, asked, number: int) -> None:
        retouch = retouch_of(state.trips)
        assert retouch.out is None, "it is with the retoucher"
        version = state.versions[number - 1]
        if retouch.back:
            assert version.inputs["retouched"]["digest"] == retouch.back.file.digest
            assert self.matches(state, asked, retouch.back.keys), "its retouch is stale"
        else:
            assert "retouched" not in version.inputs

    def matches(self, state: FrameState, asked, keys: tuple[str, ...]) -> bool:
        return key_of(sent_inputs(asked, state.original.digest)) in keys

    def assert_spoken_of(self, done: Report, states: dict[str, FrameState], asked) -> None:
        """A frame that is out, or stale, is not passed over in silence."""
        spoken = {a.frame for a in done.untouched if a.action in ("stale", "wait")}
        for name, state in states.items():
            retouch = retouch_of(state.trips)
            if state.rating < 4 or not (retouch.out or retouch.back):
                continue
            sent = retouch.out or retouch.back
            if retouch.out or not self.matches(state, asked[name], sent.keys):
                assert name in spoken, name

    # --- what always holds ---

    @invariant()
    def nothing_is_lost(self) -> None:
        if not hasattr(self, "job"):
            return
        for state in self.states().values():
            for trip in state.trips:
                if isinstance(trip, Returned):
                    self.accepted[trip.file.path] = trip.file.digest
        for path, digest in self.accepted.items():
            assert digest_file(self.job / path) == digest
            assert (self.job / path).stat().st_mode & 0o222 == 0
        assert verify(self.job)[1] == []

    @invariant()
    def a_returned_file_is_the_master(self) -> None:
        if not hasattr(self, "job"):
            return
        for state in self.states().values():
            back = retouch_of(state.trips).back
            for version in state.versions:
                made_from = version.inputs.get("retouched", {}).get("digest")
                if back and made_from == back.file.digest:
                    master = tifffile.imread(self.job / version.master.path)
                    assert np.array_equal(master, tifffile.imread(self.job / back.file.path))

    @invariant()
    def the_status_says_what_is_next(self) -> None:
        if not hasattr(self, "job"):
            return
        found = self.found()
        for row in found.status["frames"]:
            assert row["step"] in URGENCY
            assert row["next"]
            retouch = retouch_of(found.states[row["frame"]].trips)
            if row["state"] == "at-retouch":
                assert row["retouch"]["to"] == "Ines"
                assert row["round"] == retouch.out.handoff.round
                assert row["step"] in ("wait", "settle", "overdue")
            if row["stale"]:
                assert row["reason"]
                assert row["step"] != "done"


@pytest.mark.slow
def test_a_hundred_lives(made: Path) -> None:
    RoundTrip.template = made
    machine = RoundTrip.TestCase
    machine.settings = settings(
        max_examples=100,
        stateful_step_count=12,
        deadline=None,
        phases=(Phase.reuse, Phase.generate),  # a life is long to live: none is lived to shrink it
        suppress_health_check=list(HealthCheck),
    )
    machine().runTest()
