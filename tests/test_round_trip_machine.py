"""A hundred random lives of two frames between the job and the retoucher, with crashes in between.

After every step: no file that was accepted is lost, everything recorded is on disk as recorded,
nothing stale or unretouched was delivered without a word, and the status says what is next.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, nullcontext, suppress
from functools import cache, partial
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as some
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from pipeline import yamlfile
from pipeline.errors import InvalidInput
from pipeline.files import landing
from pipeline.files.metadata import MetadataWriter
from pipeline.handoff import hand_off, withdraw
from pipeline.hashing import digest_file, key_of
from pipeline.manifest import Manifest
from pipeline.plan import sent_inputs
from pipeline.rating import approve, rate
from pipeline.records import Capture, FrameState, Handoff, HowSettled, Returned, Trip
from pipeline.retouch import settle, take_back
from pipeline.rounds import retouch_of
from pipeline.run import run
from pipeline.status import URGENCY
from pipeline.survey import Survey, survey
from pipeline.verify import verify
from tests.job_for_tests import InProcess, make_job

FRAMES = ("F0001", "F0002")
LOOK = "recipe: look\nlook:\n- tone: {{contrast: {contrast}}}\n"
ASKING = "frame: {name}\nretouch: {{ask: [{{what: {what}}}]}}\n"
JOB = """\
job: small
client: Ferrow Enamelware
recipe: recipes/look.yaml
deliveries:
  web: {format: tiff, bits: 16, scale: 1, space: romm-rgb, name: "{frame}"}
"""
PROFILE, XMP = 34675, 700
IN_MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None
"""Where a flush to the disk costs nothing."""


class Killed(BaseException):
    """The process ended here."""


@contextmanager
def killed_at(step: int | None) -> Iterator[list[bool]]:
    """End the process before the so manieth file is put in place or row is written, or after.

    What a dead process cannot do is not done either: temporaries stay where they are.
    """
    left = [step or 0]
    dead = [False]
    if step is None:
        yield dead
        return

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
            yield dead


@pytest.fixture(scope="module", autouse=True)
def _quick_sheets() -> Iterator[None]:
    """How a request sheet looks is not what this is about, and setting one takes a while."""
    with patch("pipeline.request_sheet.as_pdf", return_value=b"%PDF-1.7\n"):
        yield


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """Two selects: the first is back from its round, the second is out."""
    job = make_job(tmp_path_factory.mktemp("made") / "job", frames=2, selects=2)
    shutil.rmtree(job / "setups")
    (job / "job.yaml").write_text(JOB)
    (job / "recipes/look.yaml").write_text(LOOK.format(contrast=1.1))
    (job / "frames").mkdir()
    for name in FRAMES:
        asking = ASKING.format(name=name, what="take out the cable")
        (job / f"frames/{name}.yaml").write_text(asking)
    done = hand_off(job, FRAMES, "Ines", engine=InProcess())
    path = saved(job / done.sent[0].sent.path, job.parent / "back", 1)
    assert take_back(job, [path], settle_s=0, engine=InProcess()).exit_code == 0
    return job


def saved(source: Path, folder: Path, paint: int) -> Path:
    """A file that went out as another program would save it: a part of it is another colour."""
    with tifffile.TiffFile(source) as file:
        pixels, profile = file.asarray(), file.pages[0].tags[PROFILE].value
        xmp = file.pages[0].tags[XMP].value
    pixels[40:60, 50:80] = (pixels[40:60, 50:80] // 2) + paint
    folder.mkdir()
    tags = [(XMP, 1, len(xmp), xmp, True)]
    path = folder / source.name
    tifffile.imwrite(path, pixels, photometric="rgb", iccprofile=profile, extratags=tags)
    return path


frames = some.sampled_from(FRAMES)
contrasts = some.sampled_from((1.1, 1.2, 1.3))
crashes = some.sampled_from((*[None] * 16, *range(1, 17)))


class RoundTrip(RuleBasedStateMachine):
    """What people do to a job, in any order."""

    template: Path

    @initialize()
    def begin(self) -> None:
        self.home = Path(tempfile.mkdtemp(dir=IN_MEMORY))
        self.job = shutil.copytree(self.template, self.home / "job")
        self.files = [Path(shutil.copy(path, self.home)) for path in self.saved_before()]
        self.accepted: dict[str, str] = {}
        self.engine = InProcess()
        self.count = 1

    def saved_before(self) -> list[Path]:
        return list((self.template.parent / "back").iterdir())

    def teardown(self) -> None:
        if hasattr(self, "home"):
            shutil.rmtree(self.home)

    # --- what is known ---

    def found(self) -> Survey:
        with Manifest.open(self.job) as manifest:
            return survey(self.job, manifest)

    def states(self) -> dict[str, FrameState]:
        with Manifest.open(self.job) as manifest:
            return manifest.frames()

    def attempt(self, action: Callable[[], object], crash: int | None = None) -> None:
        """Do something that may be refused in words, or be killed in the middle."""
        with killed_at(crash):
            try:
                action()
            except InvalidInput as refusal:
                assert str(refusal)

    # --- what people do ---

    @rule(contrast=contrasts)
    def change_the_look(self, contrast: float) -> None:
        (self.job / "recipes/look.yaml").write_text(LOOK.format(contrast=contrast))

    @rule(
        name=frames,
        what=some.sampled_from(("take out the cable", "clean the shade")),
        again=some.booleans(),
        crash=crashes,
    )
    def hand_off(self, name: str, what: str, again: bool, crash: int | None) -> None:
        """Once more, or for something else; ``again`` although it is out."""
        (self.job / f"frames/{name}.yaml").write_text(ASKING.format(name=name, what=what))
        named = (name,) if again else ()
        self.attempt(
            lambda: hand_off(self.job, named, "Ines", supersede=again, engine=self.engine), crash
        )

    @rule(name=frames)
    def come_back(self, name: str) -> None:
        """What went out last comes back, and all is well."""
        handoff = [trip for trip in self.states()[name].trips if isinstance(trip, Handoff)][-1]
        self.take_in(self.retouched(handoff), accept=True, crash=None)

    @rule(data=some.data(), accept=some.booleans(), crash=crashes)
    def something_comes_back(self, data: some.DataObject, accept: bool, crash: int | None) -> None:
        """A changed copy of any file that ever went out, or a file that came before."""
        sent = [t for s in self.states().values() for t in s.trips if isinstance(t, Handoff)]
        chosen = data.draw(some.sampled_from([*sent, *self.files]))
        path = self.retouched(chosen) if isinstance(chosen, Handoff) else chosen
        self.take_in(path, accept=accept, crash=crash)

    def retouched(self, handoff: Handoff) -> Path:
        self.count += 1
        folder = self.home / f"back-{self.count}"
        self.files.append(saved(self.job / handoff.sent.path, folder, self.count))
        return self.files[-1]

    def take_in(self, path: Path, *, accept: bool, crash: int | None) -> None:
        before = path.read_bytes()
        self.attempt(
            lambda: take_back(self.job, [path], accept=accept, settle_s=0, engine=self.engine),
            crash,
        )
        assert path.read_bytes() == before, "what came back is only read"

    @rule(
        name=frames,
        contrast=contrasts,
        how=some.sampled_from(("keep", "carry", "carry", "round", "round", "again")),
        accept=some.sampled_from((True, True, False)),
        data=some.data(),
        crash=crashes,
    )
    def settle(
        self,
        name: str,
        contrast: float,
        how: HowSettled,
        accept: bool,
        data: some.DataObject,
        crash: int | None,
    ) -> None:
        """Any decision, about a look that changed a moment ago."""
        self.change_the_look(contrast)
        came = [t.round for t in self.states()[name].trips if isinstance(t, Returned)]
        number = data.draw(some.sampled_from([*came, 9])) if how == "round" else None
        self.attempt(
            lambda: settle(
                self.job,
                [name],
                how,
                round_number=number,
                accept=accept and how == "carry",
                engine=self.engine,
            ),
            crash,
        )

    @rule(name=frames, crash=crashes)
    def withdraw(self, name: str, crash: int | None) -> None:
        self.attempt(lambda: withdraw(self.job, [name]), crash)

    @rule(name=frames, rating=some.sampled_from((3, -1)))
    def change_ones_mind(self, name: str, rating: int) -> None:
        """A frame is no select for a while, whatever it is at."""
        with patch("pipeline.files.metadata.MetadataWriter") as writer:  # the XMP is for others
            opened = writer.return_value.__enter__.return_value
            opened.read_capture.side_effect = lambda paths: [Capture()] * len(paths)
            rate(self.job, rating, [name])
            self.all_is_in_order()
            rate(self.job, 4, [name])

    @rule(approved=some.sampled_from(((), (FRAMES[0],))), crash=crashes)
    def deliver(self, approved: tuple[str, ...], crash: int | None) -> None:
        """Whatever is delivered is what is asked for now, or approved and spoken of."""
        for name in approved:
            self.attempt(partial(approve, self.job, [name]))
        self.attempt(lambda: run(self.job, deliveries=["web"], engine=self.engine), crash)
        asked = {frame.frame: frame for frame in self.found().frames}
        done = run(self.job, deliveries=["web"], engine=self.engine)
        assert done.exit_code == 0
        spoken = {a.frame for a in done.untouched if a.action in ("stale", "wait")}
        for name, state in self.states().items():
            retouch = retouch_of(state.trips)
            sent = retouch.out or retouch.back
            if retouch.out or (sent and not self.matches(state, asked[name], sent.keys)):
                assert name in spoken, "it is out or stale, and nothing was said"
        for file in done.delivered:
            state = self.states()[file.frame]
            if state.approved_version is None:
                self.assert_current(state, asked[file.frame], file.version)
            else:
                assert state.approved_version == file.version, "a person's word"

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

    # --- what always holds ---

    @invariant()
    def all_is_in_order(self) -> None:
        if hasattr(self, "job"):
            found = self.found()
            for state in found.states.values():
                self.nothing_is_lost(state)
                self.a_returned_file_is_the_master(state)
            for row in found.status["frames"]:
                self.the_status_says_what_is_next(row, found.states[row["frame"]])
            assert verify(self.job)[1] == []

    def nothing_is_lost(self, state: FrameState) -> None:
        for trip in state.trips:
            if isinstance(trip, Returned):
                self.accepted[trip.file.path] = trip.file.digest
        for path, digest in self.accepted.items():
            assert digest_file(self.job / path) == digest
            assert (self.job / path).stat().st_mode & 0o222 == 0

    def a_returned_file_is_the_master(self, state: FrameState) -> None:
        back = retouch_of(state.trips).back
        for version in state.versions:
            made_from = version.inputs.get("retouched", {}).get("digest")
            if back and made_from == back.file.digest:
                master = tifffile.imread(self.job / version.master.path)
                assert np.array_equal(master, tifffile.imread(self.job / back.file.path))

    def the_status_says_what_is_next(self, row: dict[str, Any], state: FrameState) -> None:
        assert row["step"] in URGENCY
        assert row["next"]
        if row["state"] == "at-retouch":
            assert row["retouch"]["to"] == "Ines"
            assert row["round"] == retouch_of(state.trips).out.handoff.round
            assert row["step"] in ("wait", "settle", "overdue")
        if row["stale"]:
            assert row["reason"]
            assert row["step"] != "done"


def asked_again(job: Path) -> None:
    for name in FRAMES:
        asking = ASKING.format(name=name, what="clean the shade")
        (job / f"frames/{name}.yaml").write_text(asking)
    hand_off(job, FRAMES, "Ines", supersede=True, engine=InProcess())


def come_home(job: Path) -> None:
    paths = (job / trip.sent.path for trip in trips_of(job, "F0002") if isinstance(trip, Handoff))
    home = job.parent / "home"
    if not home.exists():
        saved(next(paths), home, 7)
    take_back(job, [home], settle_s=0, engine=InProcess())


def carried(job: Path) -> None:
    (job / "recipes/look.yaml").write_text(LOOK.format(contrast=1.3))
    with suppress(InvalidInput):  # where it was carried before the kill, there is nothing to carry
        settle(job, ["F0001"], "carry", accept=True, engine=InProcess())


def trips_of(job: Path, name: str) -> tuple[Trip, ...]:
    with Manifest.open(job) as manifest:
        return manifest.frames()[name].trips


@pytest.mark.parametrize("action", [asked_again, come_home, carried])
def test_killed_at_every_step(made: Path, tmp_path: Path, action: Callable[[Path], None]) -> None:
    """Whatever was the last thing to reach the disk, the rows are true, and the next ends it."""
    whole = shutil.copytree(made, tmp_path / "whole/job")
    action(whole)
    expected = {name: [type(t) for t in trips_of(whole, name)] for name in FRAMES}
    steps = 0
    dead = True
    while dead:
        steps += 1
        job = shutil.copytree(made, tmp_path / f"{steps}/job")
        with killed_at(steps) as killed:
            action(job)
        dead = killed[0]
        assert verify(job)[1] == [], f"killed at step {steps}"
        before = {name: [type(t) for t in trips_of(job, name)] for name in FRAMES}
        if before != expected:
            action(job)
        assert run(job, engine=InProcess()).exit_code == 0
        assert {n: [type(t) for t in trips_of(job, n)] for n in FRAMES} == expected
        assert verify(job)[1] == []
        assert not list(job.rglob(".safelight-*.part"))
    assert steps > 6, "the steps were not hit"


@pytest.mark.slow
def test_a_hundred_lives(made: Path, monkeypatch) -> None:
    # the same few texts all along, and one exiftool
    monkeypatch.setattr(yamlfile, "parse", cache(yamlfile.parse))
    RoundTrip.template = made
    machine = RoundTrip.TestCase
    machine.settings = settings(
        max_examples=100,
        stateful_step_count=8,
        deadline=None,
        phases=(Phase.reuse, Phase.generate),  # a life is long to live: none is lived to shrink it
        suppress_health_check=list(HealthCheck),
    )
    with MetadataWriter() as exiftool:
        monkeypatch.setattr("pipeline.run._Run._metadata", lambda _run: nullcontext(exiftool))
        machine().runTest()
