"""A frame goes to the retoucher and comes back: files, records and sentences on a real job.

What comes back is made by tifffile from the file that went out, as another program would.
"""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.errors import InvalidInput, JobBusy
from pipeline.files import landing
from pipeline.files.profile import profile_of
from pipeline.handoff import hand_off, withdraw
from pipeline.hashing import digest_file
from pipeline.history import in_words
from pipeline.manifest import Manifest
from pipeline.rating import approve, rate
from pipeline.records import Returned
from pipeline.retouch import TakenBack, settle, take_back
from pipeline.run import run
from pipeline.survey import survey
from pipeline.verify import verify
from tests.job_for_tests import InProcess, edit, make_job, retouched, sent_file, states
from tests.test_cli import Said, safelight  # noqa: F401  # the fixture

pytestmark = pytest.mark.usefixtures("one_exiftool")

CABLE = """\
frame: F0001
# the client minds the cable
retouch:
  ask:
    - what: take out the cable   # all of it
      where: {ellipse: {centre: [0.5, 0.5], radii: [0.2, 0.2]}}
      must: true
  due: 2124-10-20
"""
SHADE = """\
frame: F0002
retouch: {ask: [{what: clean the shade, where: {named: shade}}]}
masks:
  shade: {polygon: [[0.1, 0.1], [0.4, 0.1], [0.2, 0.4]]}
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """Three frames, two of them selects that ask for something; nothing developed."""
    job = make_job(tmp_path_factory.mktemp("made") / "job", frames=3, selects=2)
    (job / "frames").mkdir()
    (job / "frames/F0001.yaml").write_text(CABLE)
    (job / "frames/F0002.yaml").write_text(SHADE)
    return job


@pytest.fixture
def job(made, tmp_path) -> Path:
    return shutil.copytree(made, tmp_path / "job")


@pytest.fixture(autouse=True)
def _in_this_process(monkeypatch, request) -> None:
    """Frames are developed here; a sheet is set once: how it looks is not what this is about."""
    monkeypatch.setattr("pipeline.workplace.here", InProcess())
    if request.function is not test_the_whole_way:
        monkeypatch.setattr("pipeline.request_sheet.as_pdf", lambda *_, **__: b"%PDF-1.7\n")


def pixels_of(path: Path) -> np.ndarray:
    return tifffile.imread(path)


def back(job: Path, *paths: Path, **options) -> TakenBack:
    return take_back(job, list(paths), settle_s=0, **options)


def gone_and_come(job: Path, paint: int = 0) -> Path:
    """F0001 goes out and comes back; gives the returned file."""
    path = retouched(sent_file(hand_off(job, ["F0001"], "Ines"), job), job.parent / "back", paint)
    assert back(job, path).exit_code == 0
    return path


def rows(job: Path) -> dict[str, dict]:
    with Manifest.open(job) as manifest:
        return {row["frame"]: row for row in survey(job, manifest, delivered=True).status["frames"]}


def problems(call: Callable[[], object]) -> list[str]:
    with pytest.raises(InvalidInput) as refused:
        call()
    return [str(problem) for problem in refused.value.problems]


# --- the whole way ---


def test_the_whole_way(safelight: Callable[..., Said], job: Path) -> None:  # noqa: F811
    asked = ("F0001", "warm the glass", "--by", "Mira", "--due", "2124-10-21")
    assert safelight("ask", *asked, cwd=job).code == 0
    assert "warm the glass asked by Mira: to hand off" in safelight("status", cwd=job).out
    out = safelight("handoff", "--to", "Ines Tolland", cwd=job)
    assert (out.code, out.err) == (0, "")
    assert "round 1 for Ines Tolland: F0001, F0002." in out.out
    top, *_ = safelight("status", cwd=job).out.splitlines()
    assert top.split("\t")[0] == "F0001", "the one that is due first"
    assert "at-retouch" in top
    assert "with Ines Tolland since" in top
    assert "due 2124-10-21" in top

    held = safelight("deliver", "web", cwd=job)
    assert held.out.count("F0001: wait: with Ines Tolland since") == 1
    assert held.out.endswith("web: 2 held back.\n")
    assert not (job / "deliveries/web").exists()

    folder = job.parent / "from-ines"
    for sent in sorted((job / "retouch/round-01/out").glob("*.tif")):
        retouched(sent, folder)
    came = safelight("takeback", str(folder), cwd=job)
    assert (came.code, came.err) == (0, "")
    assert "F0001: v2, retouched by Ines Tolland, round 1" in came.out
    for name in ("F0001", "F0002"):
        (path,) = folder.glob(f"{name}*.tif")
        assert (pixels_of(job / f"masters/{name}_v2.tif") == pixels_of(path)).all()

    again = safelight("takeback", str(folder), cwd=job)
    assert (again.code, again.out.splitlines()[-1]) == (0, "2 there already.")
    assert safelight("deliver", "web", cwd=job).out == "web: 2 files.\n"
    assert [row["state"] for row in rows(job).values()] == ["delivered", "delivered", "ingested"]

    assert safelight("approve", "F0001", "--by", "Mira", "--note", "for print", cwd=job).code == 0
    told = [line[21:] for line in safelight("history", "F0001", cwd=job).out.splitlines()]
    assert [line.split(",")[0] for line in told[2:5]] == [
        "developed v1: first version",
        "handed off v1 to Ines Tolland",
        "taken back from Ines Tolland",
    ]
    assert told[-1] == "approved v2 by Mira: for print"
    table = safelight("rounds", "--csv", str(job.parent / "rounds.csv"), cwd=job)
    assert table.out.splitlines()[0].startswith("1\tInes Tolland\t")
    assert (job.parent / "rounds.csv").read_text().count("Ines Tolland") == 1
    assert verify(job)[1] == []


def test_only_the_finish_is_done_to_what_came_back(job: Path) -> None:
    edit(job / "recipes/look.yaml", "look:\n", "finish:\n  - mono: {}\nlook:\n")
    sent = sent_file(hand_off(job, ["F0001"], "Ines"), job)
    went = pixels_of(sent)
    assert (np.ptp(went, axis=2) > 0).mean() > 0.9, "it goes out in colour"
    path = retouched(sent, job.parent / "back")
    assert back(job, path).exit_code == 0
    finished = pixels_of(job / "masters/F0001_v2.tif")
    assert (np.ptp(finished, axis=2) <= 1).all(), "and is finished in black and white"
    inside = ((went > 0) & (went < 65535)).all(axis=2)  # of the gamut that went out
    same = (pixels_of(path) == went).all(axis=2) & inside
    before = pixels_of(job / "masters/F0001_v1.tif")
    # v1 went through the chain in one go, v2 through 16 bits in between
    assert np.abs(finished[same].astype(int) - before[same]).max() <= 2
    assert same.mean() > 0.5
    edit(job / "recipes/look.yaml", "  - mono: {}\n", "  - mono: {red: 0.9}\n")
    assert rows(job)["F0001"]["step"] == "run", "the finish is ours, and is done again"
    assert run(job, ["F0001"]).developed[0].number == 3


# --- asking ---


def test_asking_keeps_what_a_person_wrote(safelight, job: Path) -> None:  # noqa: F811
    where = "{any: [{named: shade}, {ellipse: {centre: [0.5, 0.5], radii: [0.1, 0.1]}}]}"
    assert safelight("ask", "F0001", "warm: the glass", "--must", cwd=job).code == 0
    assert (job / "frames/F0001.yaml").read_text() == CABLE.replace(
        "      must: true\n", "      must: true\n    - what: 'warm: the glass'\n      must: true\n"
    )
    said = safelight("ask", "F0002", "no dust", "--where", where, cwd=job)
    assert (said.code, said.out) == (0, "F0002 2: no dust\n")
    before = (job / "frames/F0002.yaml").read_text()
    assert safelight("ask", "F0002", "no dust", "--where", where, cwd=job).code == 0
    assert (job / "frames/F0002.yaml").read_text() == before, "asked for once"
    assert safelight("ask", "F0003", "more sky", cwd=job).code == 0
    assert (job / "frames/F0003.yaml").read_text().startswith("frame: F0003\nretouch:\n")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["F0009", "x"], "F0009: no such frame"),
        (["F*", "x"], "F*: it means 3 frames; allowed: one frame"),
        (["F0001", ""], "retouch.ask[1].what"),
        (["F0001", "x", "--where", "shade"], "retouch.ask[1].where.named: no mask called shade"),
        (["F0001", "x", "--where", "[1, 2"], "--where: no mask: [1, 2"),
        (["F0001", "x", "--where", "{ellipse: {}}"], "retouch.ask[1].where.ellipse.centre"),
        (["F0001", "x", "--due", "soon"], 'retouch.due: "soon"; allowed: a day such as'),
    ],
)
def test_what_cannot_be_asked_is_refused_and_nothing_is_written(
    safelight,  # noqa: F811
    job: Path,
    arguments: list[str],
    words: str,
) -> None:
    before = (job / "frames/F0001.yaml").read_bytes()
    said = safelight("ask", *arguments, cwd=job)
    assert (said.code, said.out) == (2, "")
    assert words in said.err
    assert (job / "frames/F0001.yaml").read_bytes() == before
    assert len(list((job / "frames").iterdir())) == 2


def test_what_came_back_is_not_asked_for_again_unheard(
    safelight,  # noqa: F811
    job: Path,
) -> None:
    gone_and_come(job)
    assert safelight("ask", "F0001", "clean the base", cwd=job).code == 0
    before = (job / "frames/F0001.yaml").read_bytes()
    where = "{ellipse: {centre: [0.5, 0.5], radii: [0.2, 0.2]}}"
    said = safelight("ask", "F0001", "take out the cable", "--where", where, "--must", cwd=job)
    assert said.code == 2
    assert '"take out the cable" came back in round 1 already; allowed: other words' in said.err
    assert (job / "frames/F0001.yaml").read_bytes() == before


def test_what_is_asked_for_twice_is_told_by_its_own_number(
    safelight,  # noqa: F811
    job: Path,
) -> None:
    for what in ("clean the base", "warm the glass", "clean the base"):
        said = safelight("ask", "F0003", what, cwd=job)
    assert said.out == "F0003 1: clean the base\n"


def test_a_frame_file_that_asks_wrongly_is_refused_with_its_line(job: Path) -> None:
    (job / "frames/F0002.yaml").write_text(
        "frame: F0002\nretouch:\n  due: 20 May\n  ask:\n  - {where: {named: lamp}}\n"
    )
    said = problems(lambda: rows(job))
    assert any(line.startswith("frames/F0002.yaml:3: retouch.due") for line in said)
    assert any(line.startswith("frames/F0002.yaml:5: retouch.ask[0].what") for line in said)


# --- handing off ---


def test_every_frame_that_cannot_go_is_named_and_nothing_is_done(job: Path) -> None:
    hand_off(job, ["F0001"], "Ines")
    rate(job, -1, ["F0002"])
    before = sorted(job.rglob("*.tif"))
    said = problems(lambda: hand_off(job, ["F*"], "Bo"))
    assert [line.split(";")[0].split(" since")[0] for line in said] == [
        "F0001: it is out already, with Ines",
        "F0002: it is rejected",
        "F0003: nothing is asked of the retoucher",
    ]
    assert sorted(job.rglob("*.tif")) == before
    assert not (job / "retouch/round-02").exists()


def test_a_stale_retouch_and_a_failed_frame_do_not_go_out(job: Path) -> None:
    gone_and_come(job)
    edit(job / "recipes/look.yaml", "contrast: 1.1", "contrast: 1.2")
    with Manifest.open(job, write=True) as manifest:
        manifest.set_problem("F0002", "the raw ends after 2 MB")
    stale, failed = problems(lambda: hand_off(job, ["F000[1-2]"], "Bo"))
    assert "its retouch is stale: tone.contrast 1.1 -> 1.2" in stale
    assert "safelight settle F0001 first" in stale
    assert "its last attempt failed: the raw ends after 2 MB" in failed


def test_without_names_all_go_that_still_have_to(job: Path) -> None:
    assert [each.frame for each in hand_off(job, [], "Ines").sent] == ["F0001", "F0002"]
    assert hand_off(job, [], "Ines").round is None, "and only once"


def test_a_new_round_may_take_the_place_of_one_that_is_out(job: Path) -> None:
    hand_off(job, ["F0001"], "Ines")
    (second,) = hand_off(job, ["F0001"], "Bo", supersede=True).sent
    assert (second.round, second.supersedes, second.to) == (2, 1, "Bo")
    assert rows(job)["F0001"]["retouch"]["to"] == "Bo"


def test_what_goes_out_anew_is_the_frame_as_it_is_asked_for_now(job: Path) -> None:
    hand_off(job, ["F0001"], "Ines")
    edit(job / "recipes/look.yaml", "contrast: 1.1", "contrast: 1.2")
    (second,) = hand_off(job, ["F0001"], "Ines", supersede=True).sent
    assert (second.round, second.version) == (2, 2)
    assert not rows(job)["F0001"]["stale"]


def test_a_second_round_goes_on_from_what_came_back(job: Path) -> None:
    path = gone_and_come(job)
    (second,) = hand_off(job, ["F0001"], "Ines").sent
    assert (second.base, second.version) == (1, 2)
    assert (pixels_of(job / second.sent.path) == pixels_of(path)).all()
    assert second.document_id == states(job)["F0001"].trips[0].document_id
    assert second.instance_id != states(job)["F0001"].trips[0].instance_id


def test_a_day_that_is_past_goes_out_with_a_word(job: Path) -> None:
    assert hand_off(job, ["F0001"], "Ines", due="2019-05-20").notes == [
        "due 2019-05-20, which is past: meant is perhaps another day"
    ]
    assert hand_off(job, ["F0002"], "Ines", due="2124-05-20").notes == []


def test_what_went_out_is_read_only_and_whole(job: Path) -> None:
    done = hand_off(job, [], "Ines")
    folder = job / "retouch/round-01/out"
    recorded = {file.path for each in done.sent for file in (each.sent, *each.files)}
    recorded |= {file.path for each in done.sent for file in each.masks.values()}
    recorded |= {file.path for file in done.round.files}
    assert {path.relative_to(job).as_posix() for path in folder.iterdir()} == recorded
    assert {oct(path.stat().st_mode & 0o777) for path in folder.iterdir()} == {"0o444"}


@pytest.mark.parametrize("after", range(4))
def test_a_full_disk_leaves_no_half_round(job: Path, monkeypatch, after: int) -> None:
    assert run(job).exit_code == 0
    flush, left = os.fsync, [after]

    def full(handle: int) -> None:
        left[0] -= 1
        if left[0] < 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        flush(handle)

    monkeypatch.setattr(landing.os, "fsync", full)
    try:
        done = hand_off(job, ["F0001"], "Ines")
        assert done.round is None
        assert done.exit_code == 1
        assert "the disk is full" in next(iter(done.failed.values())).sentence
    finally:
        monkeypatch.undo()
    assert not list((job / "retouch").rglob("*.tif"))
    assert rows(job)["F0001"]["step"] == "hand off"
    monkeypatch.setattr("pipeline.workplace.here", InProcess())
    assert hand_off(job, ["F0001"], "Ines").round.number == 1


def test_a_round_that_was_killed_before_its_rows_is_made_again(job: Path, monkeypatch) -> None:
    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(Manifest, "record_round", killed)
        with pytest.raises(KeyboardInterrupt):
            hand_off(job, ["F0001"], "Ines")
    assert (job / "retouch/round-01/out").is_dir()
    assert rows(job)["F0001"]["state"] == "developed"
    done = hand_off(job, ["F0001", "F0002"], "Bo")
    assert (done.round.number, len(done.sent)) == (1, 2)
    assert verify(job)[1] == []


def test_a_folder_that_nobody_recorded_is_not_touched(job: Path) -> None:
    (job / "retouch/round-01/out").mkdir(parents=True)
    (job / "retouch/round-01/out/mine.txt").write_text("mine")
    with pytest.raises(Exception, match=r"round-01/out: no hand-off of this job made it"):
        hand_off(job, ["F0001"], "Ines")
    with pytest.raises(Exception, match=r"round-01/out: no hand-off of this job made it"):
        hand_off(job, ["F0001"], "Ines")
    assert (job / "retouch/round-01/out/mine.txt").read_text() == "mine"
    assert rows(job)["F0001"]["state"] == "developed"


def test_two_at_once(job: Path) -> None:
    with Manifest.open(job, write=True), pytest.raises(JobBusy):
        hand_off(job, ["F0001"], "Ines")
    assert hand_off(job, ["F0001"], "Ines").exit_code == 0
    with Manifest.open(job, write=True), pytest.raises(JobBusy):
        withdraw(job, ["F0001"])


# --- taking back ---


def test_what_is_kept_is_the_very_file_and_read_only(job: Path) -> None:
    path = gone_and_come(job)
    before = path.read_bytes()
    (_, returned) = states(job)["F0001"].trips
    assert isinstance(returned, Returned)
    kept = job / returned.file.path
    assert kept.read_bytes() == before == path.read_bytes()
    assert kept.parent == job / "retouch/round-01/back"
    assert oct(kept.stat().st_mode & 0o777) == "0o444"
    assert returned.file.digest == digest_file(path)


def test_a_disk_that_knows_no_second_names_will_do(job: Path, monkeypatch) -> None:
    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(landing.os, "link", no_links)
    path = gone_and_come(job)
    assert digest_file(path) == states(job)["F0001"].trips[-1].file.digest
    assert verify(job)[1] == []


def test_an_untouched_file_needs_a_word(job: Path) -> None:
    done = hand_off(job, ["F0001"], "Ines")
    folder = job.parent / "back"
    folder.mkdir()
    shutil.copy(sent_file(done, job), folder)
    (verdict,) = back(job, folder).verdicts
    assert verdict.outcome == "asked"
    assert rows(job)["F0001"]["state"] == "at-retouch"
    (verdict,) = back(job, folder, accept=True, note="it was fine").verdicts
    assert verdict.outcome == "accepted"
    assert rows(job)["F0001"]["state"] == "retouched"
    assert states(job)["F0001"].trips[-1].note == "it was fine"


def test_files_side_by_side(job: Path) -> None:
    done = hand_off(job, [], "Ines")
    one = retouched(sent_file(done, job), job.parent / "one")
    (job.parent / "same").mkdir()
    same = Path(shutil.copy(one, job.parent / "same"))
    other = retouched(sent_file(done, job), job.parent / "other", paint=9)
    shade = retouched(sent_file(done, job, "F0002"), job.parent / "one")
    refused = back(job, one, other, shade)
    outcomes = {v.examination.path: v.outcome for v in refused.verdicts}
    assert outcomes == {one: "refused", other: "refused", shade: "accepted"}
    assert "there is another file for F0001" in refused.verdicts[0].findings[-1].sentence
    twice = back(job, one, same)
    assert [verdict.outcome for verdict in twice.verdicts] == ["accepted", "known"]
    assert len([t for t in states(job)["F0001"].trips if isinstance(t, Returned)]) == 1


def test_another_file_for_a_round_that_is_back_is_asked_about_and_both_are_kept(job: Path) -> None:
    first = gone_and_come(job)
    second = retouched(
        job / states(job)["F0001"].trips[0].sent.path, job.parent / "second", paint=77
    )
    (verdict,) = back(job, second).verdicts
    assert verdict.outcome == "asked"
    assert back(job, second, accept=True).verdicts[0].outcome == "accepted"
    kept = [digest_file(path) for path in (job / "retouch/round-01/back").glob("*.tif")]
    assert {digest_file(first), digest_file(second)} <= set(kept)
    assert (pixels_of(job / "masters/F0001_v3.tif") == pixels_of(second)).all()
    # and the first may count again: it is a file like any other
    assert back(job, first, accept=True).verdicts[0].outcome == "accepted"
    assert rows(job)["F0001"]["version"] == 2


def test_the_cores_that_get_no_process_get_threads_and_change_nothing(
    job: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Out, home and onto a new look, with one core and with eight and memory for three frames."""
    threads: list[int] = []

    class Watched(InProcess):
        def run(self, tasks):
            for task in tasks:
                about = getattr(task.work, "development", task.work)
                threads.append(getattr(about, "threads", 0))
                yield from super().run([task])

    other = shutil.copytree(job, tmp_path / "other" / "job")
    pictures = []
    for folder in (job, other):
        if folder is other:
            monkeypatch.setattr("pipeline.workplace.here", Watched())
            monkeypatch.setattr("pipeline.engines.capacity.cores", lambda: 8)
            monkeypatch.setattr("pipeline.workplace.lanes", lambda _pixels: 3)
        gone_and_come(folder)
        edit(folder / "recipes/look.yaml", "contrast: 1.1", "contrast: 1.3")
        settle(folder, ["F0001"], "carry", accept=True)
        pictures.append({
            path.relative_to(folder): pixels_of(path) for path in folder.rglob("*F0001*.tif")
        })  # fmt: skip
    assert set(threads) == {0, 8}  # 0: the request sheet
    one, eight = pictures
    assert one.keys() == eight.keys()
    assert len(one) >= 4
    for path, pixels in one.items():
        assert np.array_equal(pixels, eight[path])


def test_what_is_no_file_of_its_own_is_refused(job: Path, tmp_path: Path) -> None:
    done = hand_off(job, ["F0001"], "Ines")
    path = retouched(sent_file(done, job), job.parent / "back")
    link = tmp_path / "link" / path.name
    link.parent.mkdir()
    link.symlink_to(path)
    os.mkfifo(tmp_path / "link/pipe.tif")
    (link.parent / "notes.txt").write_text("done")
    found = back(job, link.parent)
    assert [verdict.outcome for verdict in found.verdicts] == ["refused", "refused"]
    assert (found.exit_code, found.ignored) == (1, [str(link.parent / "notes.txt")])
    empty = tmp_path / "empty"
    empty.mkdir()
    (empty / "F0001.jpg").write_text("a JPEG")
    said = problems(lambda: back(job, empty, tmp_path / "nowhere.tif"))
    assert [
        ': no TIFF in this folder, only "F0001.jpg";' in said[0],
        ": it is not there" in said[1],
    ] == [True, True]


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda px: {"data": px[:-1]}, "it has 200 × 139 pixels, 200 × 140 were sent"),
        (lambda px: {"data": (px >> 8).astype(np.uint8)}, "8 bits a channel, 16 were sent"),
        (
            lambda px: {"data": np.dstack([px, px[..., :1]]), "extrasamples": ["unassalpha"]},
            "it has 4 channels",
        ),
        (lambda px: {"data": px, "iccprofile": None}, "it has no colour profile; --assume"),
        (lambda px: {"data": np.stack([px, px])}, "it has 2 pages"),
    ],
)
def test_what_cannot_be_used_is_refused_with_the_reason(job: Path, spoil, words: str) -> None:
    sent = sent_file(hand_off(job, ["F0001"], "Ines"), job)
    path = job.parent / sent.name
    options = {"photometric": "rgb", "iccprofile": profile_of("romm-rgb"), "metadata": None}
    tifffile.imwrite(path, **{**options, **spoil(pixels_of(sent))})
    (verdict,) = back(job, path, accept=True).verdicts
    assert verdict.outcome == "refused"
    assert words in " ".join(finding.sentence for finding in verdict.findings)
    assert rows(job)["F0001"]["state"] == "at-retouch"


def test_an_external_copy_comes_through_to_the_last_bit(job: Path) -> None:
    """libvips saves it tiled, as BigTIFF, with another compression and its own ICC and XMP."""
    pyvips = pytest.importorskip("pyvips")
    sent = sent_file(hand_off(job, ["F0001"], "Ines"), job)
    image = pyvips.Image.new_from_file(str(sent))
    image = image.draw_rect([0, 0, 0], 80, 60, 30, 20, fill=True)
    path = job.parent / sent.name
    image.tiffsave(str(path), tile=True, bigtiff=True, compression="lzw", predictor="horizontal")
    (verdict,) = back(job, path).verdicts
    assert (verdict.outcome, verdict.examination.how) == ("accepted", "identity")
    expected = pixels_of(sent)
    expected[60:80, 80:110] = 0
    assert (pixels_of(job / "masters/F0001_v2.tif") == expected).all()


def test_what_was_converted_is_kept_beside_the_very_file(safelight, job: Path) -> None:  # noqa: F811
    sent = sent_file(hand_off(job, ["F0001"], "Ines"), job)
    path = job.parent / sent.name
    pixels = pixels_of(sent)
    pixels[60:80, 80:110] //= 2
    alpha = np.full(pixels.shape[:2], 65535, np.uint16)
    options = {"photometric": "rgb", "metadata": None, "extrasamples": ["unassalpha"]}
    tifffile.imwrite(path, np.dstack([pixels, alpha]), **options)
    refused = safelight("takeback", str(path), cwd=job)
    assert refused.code == 1
    assert "--flatten takes its colours alone" in refused.err
    assert "--assume romm-rgb takes it as what was sent" in refused.err
    unknown = safelight("takeback", str(path), "--assume", "wide", cwd=job)
    assert (unknown.code, unknown.out) == (2, "")
    assert '--assume: no colour space called "wide"' in unknown.err
    taken = safelight("takeback", str(path), "--flatten", "--assume", "romm-rgb", cwd=job)
    assert taken.code == 0, taken.err
    assert "transparency was taken off" in taken.out
    assert "what changed: retouch/round-01/back/F0001" in taken.out
    (returned,) = (t for t in states(job)["F0001"].trips if isinstance(t, Returned))
    assert (job / returned.file.path).read_bytes() == path.read_bytes()
    assert (pixels_of(job / returned.pixels.path) == pixels).all()
    assert (pixels_of(job / "masters/F0001_v2.tif") == pixels).all()
    assert verify(job)[1] == []


def test_a_file_is_known_by_what_it_says_of_itself_before_its_name(job: Path) -> None:
    done = hand_off(job, [], "Ines")
    path = retouched(sent_file(done, job, "F0001"), job.parent / "back")
    misnamed = path.rename(path.with_name(sent_file(done, job, "F0002").name))
    (verdict,) = back(job, misnamed).verdicts
    assert (verdict.examination.frame, verdict.examination.how) == ("F0001", "identity")
    assert verdict.outcome == "accepted"


def test_a_file_that_changes_while_it_is_read_is_refused(job: Path, monkeypatch) -> None:
    path = retouched(sent_file(hand_off(job, ["F0001"], "Ines"), job), job.parent / "back")
    land, whole = landing.land, path.read_bytes()

    def meanwhile(final: Path, content, root: Path):
        if final.name == "copy.part":
            path.write_bytes(whole[:-2] + b"\0\1")
        return land(final, content, root)

    monkeypatch.setattr(landing, "land", meanwhile)
    (verdict,) = back(job, path).verdicts
    assert (verdict.outcome, verdict.findings[-1].what) == ("refused", "changing")
    assert not list((job / "retouch/round-01").glob("back/*"))


def test_killed_between_the_copy_and_its_row(job: Path, monkeypatch) -> None:
    path = retouched(sent_file(hand_off(job, ["F0001"], "Ines"), job), job.parent / "back")

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(Manifest, "record_returned", killed)
        with pytest.raises(KeyboardInterrupt):
            back(job, path)
    assert rows(job)["F0001"]["state"] == "at-retouch"
    assert back(job, path).verdicts[0].outcome == "accepted"
    assert len(list((job / "retouch/round-01/back").glob("*.tif"))) == 1


def test_killed_before_the_next_version_was_developed(job: Path, monkeypatch) -> None:
    path = retouched(sent_file(hand_off(job, ["F0001"], "Ines"), job), job.parent / "back")
    with monkeypatch.context() as patch:
        patch.setattr("pipeline.run.run", lambda *_, **__: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            back(job, path)
    found = rows(job)["F0001"]
    assert (found["state"], found["step"]) == ("retouched", "run")
    assert run(job).developed[0].reason == "retouched by Ines, round 1"


# --- settling ---


def test_nothing_is_redone_or_delivered_until_it_is_settled(job: Path) -> None:
    gone_and_come(job)
    edit(job / "recipes/look.yaml", "contrast: 1.1", "contrast: 1.2")
    done = run(job, ["F0001"], deliveries=["web"])
    assert (done.developed, done.delivered) == ([], [])
    assert [action.action for action in done.untouched] == ["stale", "wait"]
    assert settle(job, ["F0001"], "keep").settled[0].how == "keep"
    done = run(job, ["F0001"], deliveries=["web"])
    assert [(file.frame, file.version) for file in done.delivered] == [("F0001", 2)]
    assert settle(job, ["F0001"], "keep").nothing == ["F0001"]


def test_again_goes_out_from_the_new_look(job: Path) -> None:
    gone_and_come(job)
    edit(job / "recipes/look.yaml", "contrast: 1.1", "contrast: 1.2")
    settle(job, ["F0001"], "again")
    (sent,) = hand_off(job, ["F0001"], "Ines").sent
    assert (sent.round, sent.version, sent.base) == (2, 3, None)
    version = states(job)["F0001"].versions[2]
    assert (pixels_of(job / sent.sent.path) == pixels_of(job / version.master.path)).all()


def test_a_carry_is_shown_before_it_counts(job: Path) -> None:
    path = gone_and_come(job)
    edit(job / "recipes/look.yaml", "contrast: 1.1", "contrast: 1.2")
    shown = settle(job, ["F0001"], "carry")
    assert shown.settled == []
    assert (job / shown.shown["F0001"]).is_file()
    assert rows(job)["F0001"]["step"] == "settle"
    assert settle(job, ["F0001"], "carry", accept=True).developed.developed[0].number == 3
    carried = pixels_of(job / "masters/F0001_v3.tif").astype(int)
    # away from what was retouched, it is the frame as it would be developed now
    settle(job, ["F0001"], "again")
    plain = pixels_of(job / run(job, ["F0001"]).developed[0].master.path)
    corner = (slice(0, 40), slice(0, 60))
    assert (carried[corner] == plain[corner]).all()
    middle = carried.shape[0] // 2, carried.shape[1] // 2
    assert abs(carried[middle] - plain[middle]).max() > 2000
    assert settle(job, ["F0001"], "round", round_number=1).developed.exit_code == 0
    assert digest_file(path) in {
        digest_file(each) for each in (job / "retouch/round-01/back").iterdir()
    }


def test_what_cannot_be_settled_is_refused(job: Path) -> None:
    assert "it is not at retouch" in problems(lambda: settle(job, ["F0001"], "keep"))[0]
    hand_off(job, ["F0001"], "Ines")
    assert "it is not back" in problems(lambda: settle(job, ["F0001"], "carry"))[0]
    none = problems(lambda: settle(job, ["F0001"], "round", round_number=1))[0]
    assert "nothing came back in round 1" in none
    back(job, retouched(job / states(job)["F0001"].trips[0].sent.path, job.parent / "back"))
    assert "nothing changed since" in problems(lambda: settle(job, ["F0001"], "carry"))[0]


def test_withdrawing_and_going_back(job: Path) -> None:
    first = gone_and_come(job)
    hand_off(job, ["F0001"], "Ines")
    assert [w.round for w in withdraw(job, ["F0001"], "it was fine")] == [2]
    assert rows(job)["F0001"]["state"] == "retouched"
    assert "it is not with a retoucher" in problems(lambda: withdraw(job, ["F0001"]))[0]
    (third,) = hand_off(job, ["F0001"], "Ines").sent
    back(job, retouched(job / third.sent.path, job.parent / "third", paint=5))
    assert rows(job)["F0001"]["round"] == third.round == 3
    settle(job, ["F0001"], "round", round_number=1)
    found = rows(job)["F0001"]
    assert (found["round"], found["version"]) == (1, 2)
    assert (pixels_of(job / "masters/F0001_v2.tif") == pixels_of(first)).all()


# --- approving, verifying ---


def test_what_is_out_or_stale_is_not_approved(job: Path) -> None:
    hand_off(job, ["F0001"], "Ines")
    out = problems(lambda: approve(job, ["F0001"]))[0]
    assert "it is with Ines since" in out
    back(job, retouched(job / states(job)["F0001"].trips[0].sent.path, job.parent / "back"))
    edit(job / "recipes/look.yaml", "contrast: 1.1", "contrast: 1.2")
    assert "since Ines retouched it (round 1)" in problems(lambda: approve(job, ["F0001"]))[0]


def test_a_take_back_reopens_what_was_approved(job: Path) -> None:
    assert run(job).exit_code == 0
    (version, waived) = approve(job, ["F0001"], "Mira").frames["F0001"]
    assert (version, [request.what for request in waived]) == (1, ["take out the cable"])
    gone_and_come(job)
    with Manifest.open(job) as manifest:
        told = [in_words(event) for event in manifest.events("F0001")]
    assert "v1 was approved; handed off to Ines, round 1" in told
    found = rows(job)["F0001"]
    assert (found["state"], found["stale"]) == ("retouched", True)
    assert found["approved"]["reopened"] == "v2 waits for approval; v1 is the approved one"
    assert run(job, deliveries=["web"]).delivered[0].version == 1
    approve(job, ["F0001"], "Mira", "with the cable out")
    assert run(job, deliveries=["web"]).delivered[0].version == 2


def test_the_same_word_twice_is_one(job: Path) -> None:
    def told() -> list[str]:
        with Manifest.open(job) as manifest:
            return [in_words(event) for event in manifest.events("F0001")]

    run(job, ["F0001"])
    approve(job, ["F0001"], "Mira", "for print")
    once = told()
    for said in ((), ("Mira",), ("Mira", "for print")):
        again = approve(job, ["F0001"], *said)
        assert (again.frames, again.already) == ({}, {"F0001": 1})
    assert told() == once
    assert rows(job)["F0001"]["approved"]["note"] == "for print"

    # another's word is news, and so is the same of what was reopened since
    assert approve(job, ["F0001"], "Ines").already == {}
    hand_off(job, ["F0001"], "Ines")
    withdraw(job, ["F0001"])
    assert approve(job, ["F0001"], "Ines").already == {}
    assert told()[-1] == "approved v1 by Ines, without take out the cable"


def test_a_request_that_was_waived_stays_waived_when_another_word_is_given(job: Path) -> None:
    run(job, ["F0001"])
    for by in ("Mira", "Ines"):
        (_, waived) = approve(job, ["F0001"], by).frames["F0001"]
        assert [request.what for request in waived] == ["take out the cable"]
    assert rows(job)["F0001"]["state"] == "approved"


@pytest.mark.parametrize("folder", ["out", "back"])
def test_verify_reads_the_rounds_again(job: Path, folder: str) -> None:
    gone_and_come(job)
    assert verify(job)[1] == []
    path = next((job / "retouch/round-01" / folder).glob("*.tif"))
    path.chmod(0o644)
    path.write_bytes(path.read_bytes()[:-1] + b"\7")
    (finding,) = verify(job)[1]
    assert finding.frame == "F0001"
    assert finding.path == path.relative_to(job).as_posix()
    assert finding.what == "its content is not what was recorded"
    path.unlink()
    assert verify(job)[1][0].what == "missing"


def test_a_returned_file_that_was_tampered_with_makes_no_version(job: Path) -> None:
    gone_and_come(job)
    (job / "masters/F0001_v2.tif").unlink()
    path = next((job / "retouch/round-01/back").glob("*.tif"))
    path.chmod(0o644)
    path.write_bytes(path.read_bytes()[:-1] + b"\7")
    done = run(job, ["F0001"])
    assert done.exit_code == 3
    assert "the retouched file is not what was recorded" in done.failed["F0001"].sentence


def test_a_job_with_a_measured_product_takes_frames_in_and_asks(
    safelight,  # noqa: F811
    job: Path,
) -> None:
    wavelengths = range(380, 731, 10)
    rows = ["name," + ",".join(map(str, wavelengths)), "lamp" + ",0.4" * len(wavelengths), ""]
    (job / "lamp.csv").write_text("\n".join(rows))
    edit(
        job / "job.yaml",
        "deliveries:\n",
        "products: {lamp: {reflectance: lamp.csv}}\ndeliveries:\n",
    )
    asked = safelight("ask", "F0001", "warm the glass", cwd=job)
    assert (asked.code, asked.err) == (0, "")
    card = job.parent / "card"
    if not card.is_dir():
        card.mkdir()
        shutil.copy(job / "originals/F0001.dng", card / "F0009.dng")
    taken = safelight("ingest", str(card), cwd=job)
    assert (taken.code, taken.err) == (0, "")


def test_what_was_delivered_before_the_newest_version_is_to_be_delivered_again(job: Path) -> None:
    (job / "frames/F0001.yaml").unlink()
    run(job, ["F0001"], deliveries=["web"])
    assert rows(job)["F0001"]["step"] == "done"
    edit(job / "recipes/look.yaml", "contrast: 1.1", "contrast: 1.2")
    run(job, ["F0001"])
    found = rows(job)["F0001"]
    assert (found["step"], found["next"]) == ("deliver", "safelight deliver web: web has v1")
    run(job, ["F0001"], deliveries=["web"])
    assert rows(job)["F0001"]["step"] == "done"
