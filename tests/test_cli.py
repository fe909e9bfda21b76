"""The command line as a user meets it: what each command prints, refuses, and how it ends.

Every call goes through the entry point with arguments as a shell would hand them over.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest
import rich.console
import typer

from pipeline import yamlfile
from pipeline.cli import main, report
from pipeline.cli.commands import app
from pipeline.files.exiftool import ExifTool
from pipeline.job import load_job
from pipeline.manifest import Manifest
from pipeline.survey import survey
from pipeline.verify import verify
from tests.job_for_tests import InProcess, digests, edit, make_job, states
from tests.job_for_tests import command as started

pytestmark = pytest.mark.usefixtures("one_exiftool")

COMMANDS = typer.main.get_command(app).commands
MAKES_FOLDERS = {"demo", "new"}
IN_A_JOB = sorted(COMMANDS.keys() - MAKES_FOLDERS - {"schema"})

STATUS_KEYS = {
    "frame", "rating", "setup", "burst", "state", "version", "stale", "reason", "round",
    "delivered", "problem",
}  # fmt: skip
ACTION_KEYS = {"frame", "action", "reason", "key"}
"""What scripts may count on."""


class Said(NamedTuple):
    """How a command ended, and what it printed."""

    code: int
    out: str
    err: str

    @property
    def json(self):
        return json.loads(self.out)


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """A job of three frames, two of them selects, nothing developed yet."""
    return make_job(tmp_path_factory.mktemp("made") / "job", frames=3, selects=2)


@pytest.fixture
def job(made, tmp_path) -> Path:
    return shutil.copytree(made, tmp_path / "job")


@pytest.fixture
def safelight(monkeypatch, capsys):
    """The entry point, in this process, with frames developed in it too."""
    monkeypatch.setattr("pipeline.workplace.here", InProcess())

    def call(*arguments: str, cwd: Path) -> Said:
        monkeypatch.chdir(cwd)
        monkeypatch.setattr(sys, "argv", ["safelight", *arguments])
        capsys.readouterr()
        with pytest.raises(SystemExit) as end:
            main()
        said = capsys.readouterr()
        return Said(end.value.code or 0, said.out, said.err)

    return call


def everything(folder: Path) -> dict[str, bytes]:
    """All that a command could change in a job; SQLite's own bookkeeping of readers is not that."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.endswith(("-shm", "-wal", ".lock"))
    }


class TestJson:
    def test_status(self, safelight, job):
        safelight("deliver", "web", cwd=job)
        found = safelight("status", "--json", cwd=job).json
        assert found["job"] == "small"
        assert [row["frame"] for row in found["frames"]] == ["F0001", "F0002", "F0003"]
        for row in found["frames"]:
            assert row.keys() >= STATUS_KEYS
        first, _, last = found["frames"]
        assert first["delivered"] == {"web": 1}
        assert (first["version"], first["stale"], first["rating"]) == (1, False, 4)
        assert (last["version"], last["delivered"]) == (None, {})
        assert found["counts"]["delivered"] == 2

    def test_status_holds_deliveries_against_what_is_asked_for_now(self, safelight, job):
        safelight("deliver", "web", cwd=job)
        edit(job / "job.yaml", "A lamp on the quay.", "Dusk.")
        first, second, third = safelight("status", "--json", cwd=job).json["frames"]
        for row in (first, second):
            assert (row["step"], row["next"]) == ("deliver", "safelight deliver web")
            assert (row["stale"], "Dusk" in row["reason"]) == (True, True)
        assert (third["step"], third["stale"]) == ("done", False)
        safelight("deliver", "web", cwd=job)
        rows = safelight("status", "--json", cwd=job).json["frames"]
        assert {(row["step"], row["stale"]) for row in rows} == {("done", False)}

    def test_a_frame_that_left_its_delivery_is_followed_until_its_file_is_gone(
        self, safelight, job
    ):
        safelight("deliver", "web", cwd=job)
        safelight("rate", "-1", "F0002", cwd=job)
        with Manifest.open(job) as manifest:
            path = manifest.frames()["F0002"].delivered["web"].artifact.path

        def row():
            return safelight("status", "--json", cwd=job).json["frames"][1]

        assert (row()["step"], row()["next"]) == (
            "settle",
            f"delete {path}, then safelight deliver web",
        )
        safelight("deliver", "web", cwd=job)
        assert (job / path).exists()  # nobody but a person takes a client's file away
        (job / path).unlink()
        assert row()["next"] == "safelight deliver web"
        safelight("deliver", "web", cwd=job)
        assert (row()["step"], row()["delivered"], row()["stale"]) == ("done", {}, False)
        assert safelight("verify", cwd=job).code == 0
        assert "taken out of web" in safelight("history", "F0002", cwd=job).out

    @pytest.mark.parametrize("typed", ["f0002", "F0002.dng", "F00002"])
    def test_a_frame_that_is_not_there_is_guessed(self, safelight, job, typed):
        said = safelight("rate", "3", typed, cwd=job)
        assert said.code == 2
        assert said.err.startswith(f"{typed}: no such frame in this job, did you mean F0002?; ")

    def test_a_rating_that_somebody_gave_elsewhere_is_told_and_kept(self, safelight, job):
        elsewhere = {"F0001": "2", "F0002": "5"}  # the job has 4 of both, and 0 of F0003
        for frame, rating in elsewhere.items():
            other = ["exiftool", "-q", "-overwrite_original", f"-XMP-xmp:Rating={rating}"]
            subprocess.run([*other, job / f"originals/{frame}.xmp"], check=True)

        said = safelight("rate", "5", "F*", cwd=job)
        told = "originals/F0001.xmp said 2, where the job had 4"
        assert said.out.splitlines() == [
            f"F0001: {told}; it says 5 now.",
            "3 rated 5: F0001, F0002, F0003",
        ]
        assert told in safelight("history", "F0001", cwd=job).out
        assert "5 now" not in safelight("rate", "5", "F*", cwd=job).out

        other = ["exiftool", "-q", "-overwrite_original", "-XMP-xmp:Rating=1"]
        subprocess.run([*other, job / "originals/F0003.xmp"], check=True)
        said = safelight("rate", "5", "F0003", cwd=job)  # what the job has already
        assert "F0003.xmp said 1, where the job had 5; it says 5 now." in said.out
        assert "F0003.xmp said 1" in safelight("history", "F0003", cwd=job).out

    def test_what_is_approved_already_is_said_and_not_recorded_again(self, safelight, job):
        safelight("run", "F0001", cwd=job)
        assert safelight("approve", "F0001", cwd=job).out == "approved: F0001 v1\n"
        said = safelight("approve", "F0001", cwd=job)
        assert (said.code, said.out) == (0, "F0001: v1 is approved already; nothing changed\n")
        assert safelight("history", "F0001", cwd=job).out.count("approved") == 1

    def test_what_somebody_made_of_a_file_is_not_written_over(self, safelight, job):
        safelight("deliver", "web", cwd=job)
        path = job / "deliveries/web/small_001_F0001.jpg"
        ours = path.read_bytes()
        names = (path.name, "small_001_F0001-2.jpg", "small_001_F0001-3.jpg")
        for number, name in enumerate(names, 1):
            edited = b"edited, %d" % number
            if number == 3:  # of the same size; and something else changes
                edited = edited.ljust(len(ours), b".")
                edit(job / "job.yaml", "A lamp.", "A lamp, lit.")
            path.write_bytes(edited)
            said = safelight("deliver", "web", cwd=job)
            kept = f"set-aside/{name}"
            told = f"deliveries/web/{path.name} was changed elsewhere; it is kept as {kept}"
            assert told in said.out.splitlines()
            assert (job / kept).read_bytes() == edited
            assert (path.read_bytes() == ours) == (number < 3)
        path.unlink()
        assert "kept as" not in safelight("deliver", "web", cwd=job).out
        edit(job / "job.yaml", "A lamp, lit.", "A lamp.")
        assert "kept as" not in safelight("deliver", "web", cwd=job).out
        assert len(list((job / "set-aside").iterdir())) == 3

    def test_a_rejected_frame_that_a_delivery_names_is_told(self, safelight, job):
        edit(job / "job.yaml", "quality: 90,", "quality: 90, frames: [F0001, F0002],")
        safelight("rate", "-1", "F0001", cwd=job)
        for _ in range(2):  # with something to do, and with nothing
            said = safelight("deliver", "web", cwd=job)
            assert "F0001: rejected, and left out of web, which names it\n" in said.out
        files = [path.name for path in (job / "deliveries/web").iterdir()]
        assert files == ["small_001_F0002.jpg"]  # numbers are for what is in it

    def test_an_xmp_that_cannot_be_written_stops_no_other(self, safelight, job):
        path = job / "originals/F0001.xmp"
        path.write_text("not XMP")
        said = safelight("rate", "5", "F0001", "F0002", cwd=job)
        assert (said.code, said.out) == (1, "")
        first, last = said.err.splitlines()
        assert first == f"{path}: not an XMP file that can be changed; left alone"
        assert last == "2 rated 5 all the same: the job's own ratings count."
        assert [states(job)[name].rating for name in ("F0001", "F0002")] == [5, 5]
        assert b"5" in (job / "originals/F0002.xmp").read_bytes()

    def test_status_goes_on_where_a_delivery_cannot_be_named(self, safelight, job):
        safelight("deliver", "web", cwd=job)
        edit(job / "job.yaml", "{job}_{seq:03}_{frame}", "{product}_{frame}")
        found = safelight("status", "--json", cwd=job).json
        assert found["frames"][0]["next"].startswith("nothing: ")
        (first, _) = found["hindered"]
        assert first.endswith("F0001: its product is not known; allowed: a name that all have, or "
                              "other `frames:`")  # fmt: skip
        assert first in safelight("status", cwd=job).err

    def test_a_job_whose_client_nobody_named_is_reminded_of(self, safelight, job, tmp_path):
        safelight("new", "fog", cwd=tmp_path)
        written = (tmp_path / "fog/job.yaml").read_text().splitlines()
        (client,) = (line for line in written if line.startswith("client:"))
        edit(job / "job.yaml", "client: Ferrow Enamelware", client)
        told = 'reminder: job.yaml still says "the client\'s name", and so does every sheet'
        assert told in safelight("status", cwd=job).out.splitlines()
        edit(job / "job.yaml", client, "client: Ferrow Enamelware")
        assert "reminder" not in safelight("status", cwd=job).out

    def test_what_was_said_of_a_frame_is_not_lost_to_ctrl_c(self, safelight, job, monkeypatch):
        class Stopping(InProcess):
            def run(self, tasks):
                yield next(super().run(tasks))
                raise KeyboardInterrupt

        monkeypatch.setattr("pipeline.workplace.here", Stopping())
        edit(job / "job.yaml", "scale: 1,", "print: {width_mm: 150, height_mm: 105},")
        stopped = safelight("deliver", "print", cwd=job)
        assert stopped.code == 130
        assert stopped.out.startswith("F0001: print: it prints at ")
        assert stopped.err.startswith("Stopped. ")

    def test_a_new_job_says_how_to_go_there(self, safelight, tmp_path):
        out = safelight("new", "spring 24", cwd=tmp_path).out
        assert "cd 'spring 24'; safelight ingest CARD" in out

    def test_plan_says_what_run_then_does(self, safelight, job):
        before = everything(job)
        planned = safelight("plan", "--json", cwd=job).json["actions"]
        assert everything(job) == before
        assert all(action.keys() >= ACTION_KEYS for action in planned)
        done = safelight("run", "--json", cwd=job).json
        to_develop = [action for action in planned if action["action"] == "develop"]
        assert [(a["frame"], a["version"], a["reason"]) for a in to_develop] == [
            (d["frame"], d["version"], d["reason"]) for d in done["developed"]
        ]
        assert len(done["developed"]) == 2
        for version in done["developed"]:
            assert (job / version["master"]).is_file()
        again = safelight("plan", "--json", cwd=job).json["actions"]
        assert {action["action"] for action in again} == {"nothing"}
        assert len(again) == 3

    def test_plan_with_a_delivery_says_what_deliver_then_does(self, safelight, job):
        planned = safelight("plan", "--deliver", "web", "--json", cwd=job).json["actions"]
        done = safelight("deliver", "web", "--json", cwd=job).json
        assert [(a["frame"], a["version"]) for a in planned if a["action"] == "develop"] == [
            (d["frame"], d["version"]) for d in done["developed"]
        ]
        assert [(a["frame"], a["delivery"], a["version"]) for a in planned if a["delivery"]] == [
            (d["frame"], d["delivery"], d["version"]) for d in done["delivered"]
        ]
        for file in done["delivered"]:
            assert (job / file["path"]).is_file()

    def test_every_command_that_reports_has_it_and_prints_one_document(self, safelight, job):
        with_json = {
            name
            for name, command in COMMANDS.items()
            if any("--json" in parameter.opts for parameter in command.params)
        }
        assert with_json == {
            "ingest", "assess", "plan", "run", "deliver", "status", "verify", "show", "colour",
            "handoff", "takeback", "history", "rounds", "pack", "proof", "frames", "setups",
        }  # fmt: skip
        (job.parent / "card").mkdir()
        shutil.copy(job / "originals/F0001.dng", job.parent / "card/again.dng")
        (job.parent / "unknown.tif").write_bytes(b"II*\0")
        arguments = {
            **GIVEN,
            "assess": ["--dust"],
            "ingest": [str(job.parent / "card")],
            "takeback": [str(job.parent / "unknown.tif")],
        }
        for name in sorted(with_json):
            said = safelight(name, *arguments.get(name, []), "--json", cwd=job)
            # a report that can prove nothing proves nothing: this job has no chart and no product
            assert said.code == (name in ("colour", "takeback")), (name, said)
            assert isinstance(said.json, dict), name
            assert said.err == "", name

    def test_ingest(self, safelight, job):
        card = job.parent / "card"
        card.mkdir()
        shutil.copy(job / "originals/F0001.dng", card / "A.dng")
        (card / "B.dng").write_bytes((card / "A.dng").read_bytes()[:9000])
        (card / "C.dng").touch()
        said = safelight("ingest", str(card), "--json", cwd=job)
        assert said.code == 1
        assert said.json == {
            "new": ["B"],
            "known": ["F0001"],
            "renamed": [],
            "moved": [],
            "again": [],
            "failed": [
                {"file": f"{card}/C.dng", "reason": f"{card}/C.dng: the file is empty"},
            ],
            "along": [],
            "left": [],
            "notes": ["B.dng: it is cut short, and was taken in as it is; look at the card again."],
            "copies": said.json["copies"],  # what the disk of this machine can do
            "second_copy": {"folder": None, "files": 0, "missing": [], "reason": None},
        }

    def test_ingest_with_a_second_copy(self, safelight, job):
        card, disk = job.parent / "card", job.parent / "disk"
        card.mkdir()
        disk.mkdir()
        shutil.copy(job / "originals/F0001.dng", card / "A.dng")
        (card / "B.MOV").write_bytes(b"moving")
        said = safelight("ingest", str(card), "--second-copy", str(disk), "--json", cwd=job)
        assert said.code == 0
        assert said.json["along"][0]["path"] == "originals/B.MOV"
        assert said.json["second_copy"]["files"] == 2
        assert {path.name for path in disk.glob("*.*")} == {"F0001.dng", "B.MOV", "ingest.log"}
        said = safelight("ingest", str(card), "--second-copy", str(disk), cwd=job)
        assert said.out.endswith(f"1 there already; 2 files in {disk} too.\n")

    @pytest.mark.parametrize("kind", ["job", "recipe", "setup", "frame"])
    def test_schema_describes_an_object(self, safelight, tmp_path, kind):
        said = safelight("schema", kind, cwd=tmp_path)
        assert said.code == 0
        assert said.json["type"] == "object"
        assert kind in said.json["properties"]
        assert said.json["additionalProperties"] is False


class TestShow:
    def test_every_value_with_the_line_that_it_was_written_in(self, safelight, job):
        rows = [
            tuple(line.split("\t"))
            for line in safelight("show", "F0002", cwd=job).out.splitlines()
            if "\t" in line
        ]
        # the lines as job_for_tests writes the files
        assert ("look", "expose", "stops: 0.1", "recipes/look.yaml:4") in rows
        assert ("look", "tone", "contrast: 1.1", "recipes/look.yaml:5") in rows
        assert ("adjust", "primaries", "saturation: 1.05", "setups/daylight.yaml:4") in rows
        assert ("adjust", "primaries", "clamp: false", "default") in rows
        assert all(len(row) == 4 and row[3] for row in rows)

    def test_a_frames_own_file_wins_and_is_named(self, safelight, job):
        (job / "frames").mkdir()
        (job / "frames/F0002.yaml").write_text("frame: F0002\n\nadjust:\n  - expose: {stops: 1}\n")
        said = safelight("show", "F0002", cwd=job).out
        assert "look\texpose\tstops: 1.0\tframes/F0002.yaml:4" in said
        steps = safelight("show", "F0002", "--json", cwd=job).json["steps"]
        [expose] = [step for step in steps if step["step"] == "expose"]
        assert expose["origins"]["stops"] == "frames/F0002.yaml:4"

    def test_its_history(self, safelight, job):
        safelight("deliver", "web", cwd=job)
        said = safelight("show", "F0001", cwd=job).out
        events = [line.split("  ", 2)[-1] for line in said.splitlines()[-4:]]
        assert events == [
            "ingested originals/F0001.dng",
            "rated 4",
            "developed v1: first version",
            "delivered web v1: deliveries/web/small_001_F0001.jpg",
        ]

    def test_one_frame_only(self, safelight, job):
        said = safelight("show", "F*", cwd=job)
        assert said == (2, "", "F*: it means 3 frames; allowed: one frame\n")

    def test_an_exposure_as_photographers_say_it(self, safelight, job):
        before = states(job)["F0001"]
        capture = replace(before.original.capture, exposure_s=0.003125, aperture=4.0, iso=100)
        original = replace(before.original, path="originals/G.dng", capture=capture)
        with Manifest.open(job, write=True) as manifest:
            manifest.add_frames([replace(before, name="G", original=original, burst=None)])
        assert ", 1/320 s, f/4, ISO 100\n" in safelight("show", "G", cwd=job).out


class TestRefusals:
    """One sentence, exit 2, and nothing done."""

    @pytest.mark.parametrize("command", [["run"], ["plan"], ["status"], ["deliver", "web"]])
    def test_a_wrong_key(self, safelight, job, command):
        edit(job / "job.yaml", "description:", "descripton:")
        before = everything(job)
        said = safelight(*command, cwd=job)
        assert said.code == 2
        assert said.out == ""
        assert said.err.startswith("job.yaml:6: descripton: unknown key, did you mean description?")
        assert said.err.count("\n") == 1
        assert everything(job) == before

    def test_every_problem_of_every_file_at_once(self, safelight, job):
        edit(job / "job.yaml", "quality: 90", "quality: 900")
        edit(job / "recipes/look.yaml", "contrast: 1.1", "contrast: much")
        edit(job / "setups/daylight.yaml", "saturation", "satruation")
        places = [line.split(" ")[0] for line in safelight("run", cwd=job).err.splitlines()]
        assert places == ["job.yaml:9:", "recipes/look.yaml:5:", "setups/daylight.yaml:4:"]

    @pytest.mark.parametrize(
        ("arguments", "named"),
        [
            (["deliver", "webb"], "webb"),
            (["plan", "--deliver", "webb"], "webb"),
            (["run", "F9999"], "F9999"),
            (["run", "F00[05-09]"], "F00[05-09]"),
            (["run", "F00[09-05]"], "F00[09-05]"),
            (["rate", "4", "G*"], "G*"),
            (["show", "F9999"], "F9999"),
            (["approve", "F9999"], "F9999"),
            (["approve", "F0001"], "F0001"),
            (["deliver", "web", "--frame", "F9999"], "F9999"),
            (["rate", "6", "F0001"], "6"),
            (["rate", "-2", "F0001"], "-2"),
            (["schema", "picture"], "picture"),
            (["ingest"], "no source"),
            (["ingest", "/nowhere/card"], "/nowhere/card"),
            (["ingest", "job.yaml"], "job.yaml"),
        ],
    )
    def test_an_argument(self, safelight, job, arguments, named):
        before = everything(job)
        said = safelight(*arguments, cwd=job)
        assert said.code == 2, said
        assert said.out == ""
        assert named in said.err
        assert said.err.count("\n") == 1
        assert everything(job) == before

    @pytest.mark.parametrize("command", IN_A_JOB)
    def test_outside_a_job(self, safelight, tmp_path, command):
        arguments = {**GIVEN, "ingest": [str(tmp_path)], "takeback": [str(tmp_path)]}
        said = safelight(command, *arguments.get(command, []), cwd=tmp_path)
        assert said.code == 2
        assert said.err.startswith(f"{tmp_path}: no job.yaml here")
        assert said.err.count("\n") == 1
        assert list(tmp_path.iterdir()) == []

    def test_exiftool_is_missing(self, safelight, job, monkeypatch, tmp_path):
        (tmp_path / "empty").mkdir()
        shutil.copytree(job / "originals", tmp_path / "card")
        before = everything(job)
        monkeypatch.setenv("PATH", str(tmp_path / "empty"))
        monkeypatch.setattr("pipeline.files.metadata.ExifTool", ExifTool)  # none runs already
        card = str(tmp_path / "card")
        for arguments in (["ingest", card], ["rate", "5", "F0003"], ["deliver", "web"]):
            said = safelight(*arguments, cwd=job)
            assert (said.code, said.out) == (2, ""), said
            assert said.err.startswith("exiftool is not there: install exiftool")
            assert said.err.count("\n") == 1
            assert everything(job) == before
        assert safelight("run", cwd=job).code == 0  # which writes no metadata

    def test_a_job_that_took_nothing_in(self, safelight, tmp_path):
        safelight("new", "job", cwd=tmp_path)
        said = safelight("status", cwd=tmp_path / "job")
        assert said.code == 2
        assert "nothing was ingested here yet" in said.err


HOSTILE = [
    "", " ", "-", "--", "---", "-x", "--nonsense", "\n", "a\nb", "\x1b[31m", "💡", "é", "e\u0301",
    "\udcff", "%s%n", "{0.__class__}", "[", "[1-", "[0-9]", "[5-1]", "[000000001-999999999]",
    "**", "?" * 300, "../..", "/", "/dev/null", "/dev/zero", "x" * 255, "x" * 5000, "nan", "inf",
    "-1", "1e9", "99999999999999999999", "$(id)", "'; DROP TABLE frames; --", "[bold]", "CON", ".",
]  # fmt: skip


GETS_ALL = {"show"}
"""The others take frames, names and options as it does: a third of what is hostile for each."""
GIVEN = {
    "rate": ["4", "F0001"],
    "deliver": ["web"],
    "pack": ["web"],
    "show": ["F0001"],
    "approve": ["F0001"],
    "ask": ["F0001", "take out the cable"],
    "handoff": ["--to", "Ines Tolland"],
    "takeback": ["F0001.tif"],
    "settle": ["F0001", "--keep"],
    "withdraw": ["F0001"],
    "history": ["F0001"],
    "assign": ["hero", "F0001"],
}
"""What each command cannot do without."""


class TestHostileArguments:
    @pytest.mark.parametrize("command", sorted(COMMANDS.keys() - MAKES_FOLDERS))
    def test_no_command_shows_a_traceback_or_a_bug(self, safelight, job, command, monkeypatch):
        """Each once as the last positional, once as the value of every option that takes one."""
        monkeypatch.setattr(yamlfile, "parse", cache(yamlfile.parse))  # the same texts all along
        number = {"rate": ["4"], "handoff": ["--to=Ines"], "settle": ["--keep"]}.get(command, [])
        valued = [
            max(parameter.opts, key=len)
            for parameter in COMMANDS[command].params
            if parameter.param_type_name == "option" and not parameter.is_flag
        ]
        frames = {**GIVEN, "rate": ["4", "F*"]}
        texts = HOSTILE if command in GETS_ALL else HOSTILE[len(command) % 3 :: 3]
        for text in texts:
            calls = [[*number, text], [text, text]]
            calls += [[f"{option}={text}", *frames.get(command, [])] for option in valued]
            for arguments in calls:
                if command == "ingest" and text in ("/", "../..") and arguments[0] == text:
                    continue  # valid, and it would read the whole machine
                said = safelight(command, *arguments, cwd=job)
                assert said.code in (0, 1, 2), (arguments, said)
                for stream in (said.out, said.err):
                    assert "Traceback" not in stream, arguments
                    assert "This is a bug" not in stream, (arguments, stream)
                    assert "\x1b" not in stream, "a terminal would obey what was typed"
                assert said.code == 0 or said.err, (arguments, said)
        assert states(job).keys() == {"F0001", "F0002", "F0003"}
        assert verify(job)[1] == []

    @pytest.mark.parametrize("text", HOSTILE)
    def test_new(self, safelight, tmp_path, text):
        if Path(text).is_absolute() or ".." in text:
            pytest.skip("a folder outside the test's own")
        said = safelight("new", "--", text, cwd=tmp_path)
        assert said.code in (0, 1, 2)
        assert "Traceback" not in said.err
        assert "This is a bug" not in said.err
        for made in tmp_path.glob("*/job.yaml"):
            load_job(made.parent)


class TestDebug:
    def test_an_error_shows_where_it_came_from_only_when_asked(self, safelight, job):
        plain = safelight("show", "F9999", cwd=job)
        assert "Traceback" not in plain.err
        told = subprocess.run(
            started("--debug", "show", "F9999"),
            cwd=job, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert told.returncode == 2
        assert "Traceback" in told.stderr
        assert told.stderr.splitlines()[-1] == plain.err.strip()

    def test_a_bug_is_called_one(self, safelight, job, monkeypatch):
        def broken(_folder, **_options):
            raise ZeroDivisionError("by nought")

        monkeypatch.setattr("pipeline.survey.load_job", broken)
        said = safelight("status", cwd=job)
        assert said.code == 1
        assert said.err.startswith("This is a bug in Safelight (ZeroDivisionError: by nought).")
        assert "--debug" in said.err
        assert said.err.count("\n") == 1


class TestQuickAndQuiet:
    LISTED = "import atexit, sys; atexit.register(lambda: print(*sys.modules, file=sys.stderr)); "
    HEAVY = ("numpy", "numba", "rawpy", "tifffile", "imagecodecs", "PyOpenColorIO", "cv2")

    def imported(self, *arguments: str, cwd: Path) -> set[str]:
        """The modules that a command had loaded when it ended."""
        code = self.LISTED + "from pipeline.cli import main; main()"
        ended = subprocess.run(
            [sys.executable, "-c", code, *arguments],
            cwd=cwd, capture_output=True, text=True, check=True,
        )  # fmt: skip
        return set(ended.stderr.split())

    def test_help_and_a_run_with_nothing_to_do_load_nothing_heavy(self, safelight, job):
        safelight("deliver", "web", cwd=job)
        for arguments in (["--help"], ["run", "--help"], ["run"], ["status"], ["deliver", "web"]):
            loaded = self.imported(*arguments, cwd=job)
            assert "pipeline.cli.commands" in loaded
            assert loaded.isdisjoint(self.HEAVY), (arguments, loaded & set(self.HEAVY))

    def test_no_bar_and_no_escape_goes_into_a_pipe(self, safelight, job):
        for arguments in (
            ["ingest", str(job / "originals"), str(job.parent)],
            ["deliver", "web"],
            ["verify"],
            ["status"],
            ["plan"],
            ["show", "F0001"],
        ):
            said = safelight(*arguments, cwd=job)
            assert "\x1b" not in said.out + said.err, arguments
            assert "\r" not in said.out + said.err, arguments
            assert "━" not in said.out + said.err, arguments

    def test_a_reader_that_leaves_is_no_failure(self, job):
        code = "from pipeline.cli import main; main()"
        reader, writer = os.pipe()
        os.close(reader)
        ended = subprocess.run(
            [sys.executable, "-c", code, "status"],
            cwd=job, stdout=writer, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
        os.close(writer)
        assert (ended.returncode, ended.stderr) == (0, "")

    def test_every_command_explains_itself(self, safelight, tmp_path):
        for name, command in COMMANDS.items():
            said = safelight(name, "--help", cwd=tmp_path)
            assert said.code == 0
            assert command.help, name
            for parameter in command.params:
                if parameter.param_type_name == "option":
                    assert parameter.help, f"{name} {parameter.opts}"

    def test_version(self, safelight, tmp_path):
        from pipeline import __version__

        assert safelight("--version", cwd=tmp_path) == (0, f"safelight {__version__}\n", "")


class TestStatusForAPerson:
    def test_a_narrow_terminal_cuts_no_word_off(self, safelight, job, monkeypatch):
        """Eighty columns, what a terminal window opens with."""
        safelight("deliver", "web", "print", cwd=job)
        edit(job / "recipes/look.yaml", "contrast: 1.1", "contrast: 1.25")
        asked = "shots: {hero: {product: the red lamp by the water, use: a poster at the station}}"
        edit(job / "job.yaml", "deliveries:\n", f"{asked}\ndeliveries:\n")
        with Manifest.open(job) as manifest:
            found = survey(job, manifest).status
        console = rich.console.Console(force_terminal=True, width=80, color_system=None)
        monkeypatch.setattr(rich.console, "Console", lambda: console)
        with contextlib.redirect_stdout(io.StringIO()) as terminal:
            report.status(found)
        said = terminal.getvalue()
        assert "…" not in said
        assert max(map(len, said.splitlines())) <= 80
        words = said.split()
        assert words.count("F0001") == 1
        assert words.count("stale") == 2
        for word in ("daylight", "print", "web"):
            assert words.count(word) == 2 + (word == "daylight"), word
        assert "\nF0001, F0002: tone.contrast 1.10 -> 1.25 in recipes/look.yaml\n" in said
        assert "burst" not in words  # no frame is in one


class TestNew:
    def test_a_job_that_is_valid_before_anything_is_filled_in(self, safelight, tmp_path):
        said = safelight("new", "Lamps in Fog", cwd=tmp_path)
        assert said.code == 0
        folder = tmp_path / "Lamps in Fog"
        job = load_job(folder)
        assert job.file.job == "Lamps-in-Fog"
        assert job.recipe.name == "plain"
        assert job.deliveries.keys() == {"web", "print"}
        assert digests(folder, "originals", "masters") == {}

    def test_what_it_says_to_do_next_works(self, safelight, tmp_path, made):
        safelight("new", "fog", cwd=tmp_path)
        raws = sorted(map(str, (made / "originals").glob("*.dng")))  # their sidecars rate them
        said = safelight("ingest", *raws, cwd=tmp_path / "fog")
        assert (said.code, said.out) == (0, "3 frames copied and verified.\n")
        assert safelight("rate", "4", "F0001", cwd=tmp_path / "fog").code == 0
        assert safelight("deliver", "web", "print", cwd=tmp_path / "fog").code == 0
        assert sorted(digests(tmp_path / "fog", "deliveries")) == [
            "deliveries/print/fog_F0001.tif",
            "deliveries/web/fog_001_F0001.jpg",
        ]

    def test_the_examples_in_it_are_valid_when_their_marks_are_taken_away(
        self, safelight, tmp_path
    ):
        safelight("new", "fog", cwd=tmp_path)
        for example, name in (("setups/example", "daylight"), ("frames/example", "IMG_0007")):
            text = (tmp_path / f"fog/{example}.yaml.txt").read_text()
            _, _, body = text.partition("\n#\n")
            lines = [line.removeprefix("# ") for line in body.splitlines()]
            path = tmp_path / f"fog/{example}".replace("example", f"{name}.yaml")
            path.write_text("\n".join(lines) + "\n")
        job = load_job(tmp_path / "fog")
        assert job.setups.keys() == {"daylight"}
        assert job.frames.keys() == {"IMG_0007"}
        [expose] = [s for s in job.resolve("IMG_0007").steps if s.step == "expose"]
        assert expose.parameters["stops"] == 0.4

    @pytest.mark.parametrize("entry", ["a file", ".hidden"])
    def test_a_folder_with_something_in_it_is_left_alone(self, safelight, tmp_path, entry):
        (tmp_path / "there").mkdir()
        (tmp_path / "there" / entry).write_text("mine")
        said = safelight("new", "there", cwd=tmp_path)
        assert said.code == 2
        assert "not empty" in said.err
        assert [path.name for path in (tmp_path / "there").iterdir()] == [entry]

    def test_where_a_file_stands(self, safelight, tmp_path):
        (tmp_path / "there").write_text("mine")
        said = safelight("new", "there", cwd=tmp_path)
        assert said.code in (1, 2)
        assert said.err.count("\n") == 1
        assert (tmp_path / "there").read_text() == "mine"


class TestRate:
    @pytest.mark.parametrize("rating", ["-1", "0", "5"])
    def test_into_the_manifest(self, safelight, job, rating):
        said = safelight("rate", rating, "F00[01-02]", cwd=job)
        assert (said.code, said.out) == (0, f"2 rated {rating}: F0001, F0002\n")
        assert [s.rating for s in states(job).values()] == [int(rating), int(rating), 0]

    def test_a_rejected_frame_is_not_developed(self, safelight, job):
        safelight("rate", "-1", "F0001", cwd=job)
        assert safelight("run", cwd=job).out == "1 frame developed.\n"
        status = safelight("status", "--json", cwd=job).json
        assert status["frames"][0]["state"] == "rejected"


class TestJobOption:
    def test_from_a_folder_inside_and_from_outside(self, safelight, job, tmp_path):
        here = safelight("status", cwd=job)
        assert safelight("status", cwd=job / "setups") == here
        assert safelight("status", "--job", str(job), cwd=tmp_path) == here
        assert here.code == 0

    @pytest.mark.parametrize("slip", ["jbo", "job.yaml", "setups", "x" * 300])
    def test_a_slip_in_it_does_not_end_at_the_job_around(self, safelight, job, slip):
        before = everything(job)
        said = safelight("rate", "5", "F*", "--job", slip, cwd=job)
        assert (said.code, said.out) == (2, "")
        assert said.err.startswith("--job ")
        assert said.err.count("\n") == 1
        assert everything(job) == before
