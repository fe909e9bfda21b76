"""What every engine promises, asked of each: processes here, a flow on Prefect, the same on Dask.

The server, the scheduler and the workers are real, on loopback.
"""

from __future__ import annotations

import errno
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, suppress
from pathlib import Path

import psutil
import pytest

from pipeline.engines import Counted, Engine, Failure, Outcome, Task, tries
from pipeline.engines.here import Here
from pipeline.engines.spool import FOLDER, Header, Spool, SpoolGone, moved
from pipeline.errors import ToolMissing
from tests.loopback import Cluster, dask_cluster, end, prefect_server

pytestmark = pytest.mark.slow

MakeNamed = Callable[[str], Engine]


@pytest.fixture(scope="module")
def server(tmp_path_factory) -> Iterator[str]:
    with prefect_server(tmp_path_factory.mktemp("server")) as started:
        yield started.api


@pytest.fixture(scope="module")
def cluster(server, tmp_path_factory) -> Iterator[Cluster]:
    with dask_cluster(tmp_path_factory.mktemp("cluster")) as started:
        yield started


@pytest.fixture(params=["here", "prefect", "dask"])
def engine(request, tmp_path) -> Iterator[MakeNamed]:
    """Makes an engine that does what a function of ``tasks_for_here`` does."""
    if request.param == "here":
        yield lambda function: Here(f"tasks_for_here:{function}", 2)
        return
    request.getfixturevalue("server")
    with ExitStack() as stack:
        yield lambda function: stack.enter_context(
            on_prefect(request.param, function, tmp_path, request)
        )(1)


def on_prefect(kind: str, function: str, job: Path, request, **header):
    from pipeline.engines.prefect import OnPrefect, Threads

    if kind == "dask":
        from pipeline.engines.dask import Cluster as OnDask

        site = OnDask(request.getfixturevalue("cluster").address, lambda _pixels: 2)
    else:
        site = Threads(lambda _pixels: 2)
    said = {
        "function": f"tasks_for_here:{function}",
        "timeout_s": 60.0,
        "libraries": {"tasks": "1"},
        "versions_from": "tasks_for_here:versions",
        **header,
    }
    folder = job / "job"
    folder.mkdir(exist_ok=True)
    return OnPrefect(
        folder,
        lambda: Header(**said),
        site,
        lambda _task: "frames",
        name="a {run}",
        labels=["safelight", str(job)],
    )


def records(outcomes: list[Outcome]) -> dict[str, object]:
    assert not [outcome.failure for outcome in outcomes if outcome.failure]
    names = [outcome.task.name for outcome in outcomes]
    assert len(set(names)) == len(names), "a task ended twice"
    return {outcome.task.name: outcome.record for outcome in outcomes}


def test_every_task_gives_its_record_once(engine: MakeNamed) -> None:
    tasks = [Task(f"Q{number}", number) for number in range(60)]
    outcomes = list(engine("double").run(tasks))
    assert records(outcomes) == {f"Q{number}": 2 * number for number in range(60)}


def test_names_may_be_anything(engine: MakeNamed) -> None:
    names = ["-rf", "a/b", "{curly} {0}", "new\nline", "Ü" * 250, "лампа", "\udce9"]
    outcomes = list(engine("double").run([Task(name, 1) for name in names]))
    assert records(outcomes) == dict.fromkeys(names, 2)


def test_nothing_to_do_starts_nothing(engine: MakeNamed, tmp_path: Path) -> None:
    before = psutil.Process().children(recursive=True)
    made = engine("double")
    assert list(made.run([])) == []
    assert psutil.Process().children(recursive=True) == before
    assert not list(tmp_path.rglob(FOLDER))


def test_refusals_keep_their_sentence_and_exit_code(engine: MakeNamed) -> None:
    tasks = [Task("Q1", "with-frame"), Task("Q2", "other")]
    failures = {o.task.name: o.failure for o in engine("raise_refusal").run(tasks)}
    assert failures["Q1"].sentence == "the mask is missing"
    assert failures["Q2"].sentence == "the file is empty"
    assert {failure.exit_code for failure in failures.values()} == {1}


def test_a_fault_of_ours_is_one_line_and_keeps_its_traceback(engine: MakeNamed) -> None:
    (outcome,) = engine("raise_key_error").run([Task("Q1", "a\nkey")])
    assert "fault in Safelight itself (KeyError" in outcome.failure.sentence
    assert "\n" not in outcome.failure.sentence
    assert "raise_key_error" in outcome.failure.details


@pytest.mark.parametrize("function", ["return_a_lock", "return_unloadable"])
def test_a_record_that_cannot_travel_is_reported(engine: MakeNamed, function: str) -> None:
    (outcome,) = engine(function).run([Task("Q1", None)])
    assert "fault in Safelight itself" in outcome.failure.sentence


def test_work_that_cannot_travel_is_reported(engine: MakeNamed) -> None:
    outcomes = list(engine("double").run([Task("Q1", threading.Lock()), Task("Q2", 2)]))
    failed = {outcome.task.name: outcome.failure for outcome in outcomes}
    assert "fault in Safelight itself" in failed["Q1"].sentence
    assert failed["Q2"] is None


def test_a_task_that_always_kills_its_process_costs_nobody_else(engine: MakeNamed) -> None:
    tasks = [Task(f"Q{n}", (n == 3, n)) for n in range(8)]
    outcomes = {outcome.task.name: outcome for outcome in engine("kill_self_if").run(tasks)}
    assert len(outcomes) == 8
    failure = outcomes.pop("Q3").failure
    assert failure.lost
    assert "was killed" in failure.sentence
    assert "so it did when tried again" in failure.sentence
    assert [outcome.failure for outcome in outcomes.values()] == [None] * 7


def test_the_second_try_has_nothing_beside_it(engine: MakeNamed, tmp_path: Path) -> None:
    marks = tmp_path / "marks"
    marks.mkdir()
    # several, so that they would meet again
    poisoned = ("Q0", "Q1", "Q4", "Q5")
    tasks = [Task(name, (str(marks), name in poisoned)) for name in map("Q{}".format, range(12))]
    done = records(list(engine("overlap").run(tasks)))
    assert [done[name] for name in poisoned] == [1] * len(poisoned)


def test_what_may_pass_is_tried_again(engine: MakeNamed, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(tries, "PATIENCE_S", (0.01, 0.02, 0.03))
    for name, times in (("passes", 3), ("stays", 9)):
        (tmp_path / name).mkdir()
        task = Task(name, (str(tmp_path / name), errno.ETIMEDOUT, times))
        (outcome,) = engine("fail_so_often").run([task])
        if name == "passes":
            assert outcome.record == 3
        else:
            assert outcome.failure.sentence == "the disk is away"
            assert len(list((tmp_path / name).iterdir())) == 4


def test_what_does_not_pass_is_not_tried_again(engine: MakeNamed, tmp_path: Path) -> None:
    marks = tmp_path / "marks"
    marks.mkdir()
    (outcome,) = engine("fail_so_often").run([Task("Q1", (str(marks), errno.EIO, 9))])
    assert outcome.failure.sentence == "the disk is away"
    assert len(list(marks.iterdir())) == 1


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_asked_to_stop_it_finishes_what_is_in_flight(engine: MakeNamed, number: int) -> None:
    handlers = [signal.getsignal(each) for each in (signal.SIGINT, signal.SIGTERM)]
    tasks = [Task(f"Q{n}", (0.3, n)) for n in range(60)]
    ended = []
    with pytest.raises(KeyboardInterrupt):
        for outcome in engine("nap").run(tasks):
            assert outcome.failure is None
            ended.append(outcome.task.name)
            if len(ended) == 3:
                signal.raise_signal(number)
    assert 3 <= len(ended) <= 3 + 4
    assert [signal.getsignal(each) for each in (signal.SIGINT, signal.SIGTERM)] == handlers


def test_a_run_that_is_dropped_half_way_leaves_nothing(engine: MakeNamed, tmp_path: Path) -> None:
    marks = tmp_path / "marks"
    marks.mkdir()

    def endless() -> Iterator[Task]:
        number = 0
        while True:
            number += 1
            yield Task(str(number), (str(marks), 0.1))

    with closing(engine("note_and_nap").run(endless())) as run:
        for _ in range(3):
            assert next(run).failure is None
    left = {int(mark.stem) for mark in marks.iterdir()}
    until = time.monotonic() + 10
    while any(psutil.pid_exists(pid) for pid in left) and time.monotonic() < until:
        time.sleep(0.05)
    assert not [pid for pid in left if psutil.pid_exists(pid)]
    assert not list(tmp_path.rglob(FOLDER))


@pytest.mark.parametrize("seed", [1])
def test_processes_killed_at_random_moments_lose_no_task(engine: MakeNamed, seed: int, request):
    """Whatever dies: of the processes that this one started, and of the workers of a cluster."""
    draw = random.Random(seed)
    tasks = [Task(f"Q{n}", (0.1, n)) for n in range(40)]
    of_cluster = "dask" in request.node.name
    roots = request.getfixturevalue("cluster").workers if of_cluster else [psutil.Process()]
    spared = set() if of_cluster else set(psutil.Process().children(recursive=True))
    over = threading.Event()

    def kill_some() -> None:
        for _ in range(3):
            if over.wait(draw.uniform(0.5, 1.2)):
                return
            alive = [
                child
                for root in roots
                for child in root.children(recursive=True)
                if child not in spared
            ]
            if alive:
                with suppress(psutil.NoSuchProcess):
                    draw.choice(alive).kill()

    killer = threading.Thread(target=kill_some)
    killer.start()
    done = []
    try:
        for outcome in engine("nap").run(tasks):
            done.append(outcome)
            if len(done) > 25:  # the lone second try has to be left alone
                over.set()
    finally:
        over.set()
        killer.join()
    assert records(done) == {f"Q{n}": n for n in range(40)}


def test_chunks_grow_with_what_is_learnt_and_end_small(server, tmp_path, request) -> None:
    from pipeline.engines.flow import work_on

    sizes = []

    def counted(stage, spool, names):
        sizes.append(len(names))
        return work_on(stage, spool, names)

    with pytest.MonkeyPatch.context() as patch:
        from pipeline.engines import flow

        patch.setattr(flow, "chunk", flow.task(counted, cache_policy=flow.NO_CACHE))
        with on_prefect("prefect", "nap", tmp_path, request) as make:
            tasks = [Task(f"Q{n}", (0.05, n)) for n in range(160)]
            assert len(records(list(make(1).run(Counted(tasks, 160))))) == 160
    assert sum(sizes) == 160
    assert len(sizes) < 40, "each costs something"
    assert max(sizes) > 10
    # when the last begins, the other lane has no more than that left: both end at about one time
    assert sizes[-1] <= 20


def processes(kind: str, request) -> set[int]:
    """Of this process, or of the workers of a cluster."""
    roots = request.getfixturevalue("cluster").workers if kind == "dask" else [psutil.Process()]
    return {child.pid for root in roots for child in root.children(recursive=True)}


@pytest.mark.parametrize("kind", ["prefect", "dask"])
def test_processes_start_before_the_first_task_is_sent(server, tmp_path, request, kind) -> None:
    """On the page nothing has begun yet then: Prefect is imported meanwhile."""
    from pipeline.engines.prefect import OnPrefect

    seen = []

    def begun(make):
        seen.append(processes(kind, request))
        return real(make)

    real = OnPrefect.begun
    before = processes(kind, request)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(OnPrefect, "begun", begun)
        with on_prefect(kind, "who_is_prepared", tmp_path, request) as make:
            found = records(list(make(1).run([Task(name, None) for name in "ABCD"])))
            assert processes(kind, request) <= before
    started = seen[0] - before
    assert len(started) == 2
    assert {pid for pid, _ in found.values()} <= started
    assert all(prepared == [pid] for pid, prepared in found.values())


@pytest.mark.parametrize("kind", ["prefect", "dask"])
def test_no_more_processes_start_than_there_are_tasks(server, tmp_path, request, kind) -> None:
    before = processes(kind, request)
    with on_prefect(kind, "nap", tmp_path, request) as make:
        for tasks in (1, 2):
            outcomes = make(1).run(Counted([Task(f"Q{n}", (0.1, n)) for n in range(tasks)], tasks))
            next(outcomes)
            assert len(processes(kind, request) - before) == tasks
            list(outcomes)


def test_a_run_that_ends_in_an_error_has_failed_on_its_page(server, tmp_path, request) -> None:
    from prefect.client.orchestration import get_client

    make = on_prefect("prefect", "double", tmp_path, request)
    with pytest.raises(ZeroDivisionError), make:
        list(make(1).run([Task("Q1", 1)]))
        raise ZeroDivisionError
    with get_client(sync_client=True) as client:
        state = client.read_flow_run(make.flow.run_id).state
    assert state.type.value == "FAILED"
    assert "ended early" in state.message


def test_a_chunk_of_which_nothing_is_heard_is_given_up(
    server, tmp_path, request, monkeypatch
) -> None:
    from pipeline.engines import flow, prefect

    over = threading.Event()
    sent = []

    def silent_once(stage, spool, names):
        sent.append(names)
        if len(sent) == 1:
            over.wait(30)
        return flow.work_on(stage, spool, names)

    monkeypatch.setattr(prefect, "GRACE_S", 0.0)
    monkeypatch.setattr(flow, "chunk", flow.task(silent_once, cache_policy=flow.NO_CACHE))
    with on_prefect("prefect", "double", tmp_path, request, timeout_s=2.0) as make:
        before = time.monotonic()
        done = list(make(1).run([Task("Q1", 1)]))
        assert time.monotonic() - before < 25
        over.set()
    assert records(done) == {"Q1": 2}
    assert len(sent) == 2


def test_each_further_try_waits_longer(monkeypatch) -> None:
    waited = []
    monkeypatch.setattr(
        tries.Interruption, "comes_within", lambda _, seconds: waited.append(seconds)
    )

    def away(tasks, interruption, *, alone):
        for task in tasks:
            yield Outcome(task, failure=Failure("the disk is away", may_pass=True))

    (outcome,) = tries.tried(away, [Task("Q1", None)])
    assert outcome.failure
    assert len(waited) > 1
    assert waited == sorted(set(waited))


# what is Dask's alone


def dask_engine(function: str, tmp_path: Path, request, **header) -> ExitStack:
    return on_prefect("dask", function, tmp_path, request, **header)


def test_workers_see_paths_as_the_map_says(cluster, tmp_path: Path, request) -> None:
    there = tmp_path / "there"
    there.symlink_to(tmp_path)
    paths = {str(tmp_path): str(there)}
    with dask_engine("where", tmp_path, request, paths=paths) as make:
        (outcome,) = make(1).run([Task("Q1", tmp_path / "job")])
    assert outcome.record == f"{there / 'job'} True"


def test_a_worker_that_does_not_see_the_job_is_named_before_anything_begins(
    cluster, tmp_path: Path, request
) -> None:
    paths = {str(tmp_path): "/nowhere"}
    with (
        dask_engine("where", tmp_path, request, paths=paths) as make,
        pytest.raises(
            ToolMissing,
            match=r"worker tcp://.*: it does not see the job's folder as /nowhere/job; .* paths",
        ),
    ):
        list(make(1).run([Task("Q1", 1)]))


def test_a_folder_of_the_same_name_is_not_taken_for_the_job(cluster, tmp_path, request) -> None:
    said = ("tasks_for_here:double", 60.0, {"tasks": "1"}, "tasks_for_here:versions")
    mine = Spool.made(tmp_path / "here", Header(*said))
    others = Spool.made(tmp_path / "there", Header(*said))
    from pipeline.engines.chunks import close, hindrance

    try:
        assert hindrance(str(mine.folder), mine.header.mark) is None
        assert "another folder" in str(hindrance(str(others.folder), mine.header.mark))
    finally:
        close()


def test_a_worker_with_other_versions_is_refused(cluster, tmp_path: Path, request) -> None:
    other = cluster.start_worker(TASKS_VERSION="2")
    cluster.settle(3)
    try:
        with (
            dask_engine("double", tmp_path, request) as make,
            pytest.raises(ToolMissing, match=r"worker tcp://.*: tasks 2 for 1: .* other files"),
        ):
            list(make(1).run([Task("Q1", 1)]))
    finally:
        cluster.workers.remove(other)
        end(other.pid)
        time.sleep(1)


def test_a_worker_that_dies_while_it_is_asked_is_passed_over(
    cluster, tmp_path: Path, request
) -> None:
    died = tmp_path / "died"
    other = cluster.start_worker(DIES_ONCE=str(died))
    cluster.settle(3)
    try:
        with dask_engine("double", tmp_path, request) as make:
            assert records(list(make(1).run([Task("Q1", 1)]))) == {"Q1": 2}
    finally:
        cluster.workers.remove(other)
        end(other.pid)
        time.sleep(1)
    assert died.exists()


@pytest.mark.filterwarnings("error:Port")  # would be said in the middle of the progress
def test_a_cluster_of_ones_own_does_no_more_at_once_than_this_machine_carries(
    server, tmp_path: Path
) -> None:
    from pipeline.engines.dask import Cluster as OnDask
    from pipeline.engines.prefect import OnPrefect

    header = Header("tasks_for_here:overlap", 60.0, {"tasks": "1"}, "tasks_for_here:versions")
    site = OnDask(None, lambda pixels: 1 if pixels > 100 else 2)
    marks = tmp_path / "marks"
    marks.mkdir()
    tasks = [Task(f"Q{n}", (str(marks), False)) for n in range(6)]
    with socket.socket() as of_another_run:
        with suppress(OSError):  # whose it is does not matter
            of_another_run.bind(("127.0.0.1", 8787))  # Dask's usual port
            of_another_run.listen()
        with OnPrefect(
            tmp_path, lambda: header, site, lambda _task: "frames", name="run", labels=["own"]
        ) as make:
            done = records(list(make(1000).run(tasks)))
    assert set(done.values()) == {1}


def test_what_prefect_has_to_say_is_not_said_by_workers_either() -> None:
    """A cluster of one's own starts before Prefect is imported."""
    program = (
        "import os, sys, pipeline.engines.dask; "
        "assert 'prefect' not in sys.modules; print(os.environ['PREFECT_LOGGING_LEVEL'])"
    )
    bare = {k: v for k, v in os.environ.items() if not k.startswith(("PREFECT_", "DASK_"))}
    command = [sys.executable, "-c", program]
    said = subprocess.run(command, env=bare, capture_output=True, text=True, check=True)
    assert said.stdout == "CRITICAL\n"


def test_a_mount_that_is_lost_for_a_while_costs_only_time(
    cluster, tmp_path: Path, request, monkeypatch
) -> None:
    monkeypatch.setattr(tries, "PATIENCE_S", (0.5, 2.0, 5.0))
    there = tmp_path / "there"
    there.symlink_to(tmp_path)
    tasks = [Task(f"Q{n}", (0.1, n)) for n in range(40)]
    done = []
    with dask_engine("nap", tmp_path, request, paths={str(tmp_path): str(there)}) as make:
        for outcome in make(1).run(tasks):
            done.append(outcome)
            if len(done) == 4:
                there.unlink()
                threading.Timer(1.5, there.symlink_to, [tmp_path]).start()
    assert records(done) == {f"Q{n}": n for n in range(40)}


def test_a_scheduler_that_starts_anew_costs_only_time(server, tmp_path, request, monkeypatch):
    monkeypatch.setattr(tries, "PATIENCE_S", (0.5, 2.0, 5.0))
    folder = tmp_path / "cluster"
    folder.mkdir()
    with dask_cluster(folder) as own:
        from pipeline.engines.dask import Cluster as OnDask
        from pipeline.engines.prefect import OnPrefect

        header = Header("tasks_for_here:nap", 60.0, {"tasks": "1"}, "tasks_for_here:versions")
        site = OnDask(own.address, lambda _pixels: 2)
        done = []
        with OnPrefect(
            tmp_path, lambda: header, site, lambda _task: "frames", name="run", labels=["one"]
        ) as make:
            for outcome in make(1).run([Task(f"Q{n}", (0.1, n)) for n in range(40)]):
                done.append(outcome)
                if len(done) == 4:
                    own.close()
                    own.start_scheduler()
                    own.start_worker()
                    own.start_worker()
    assert records(done) == {f"Q{n}": n for n in range(40)}


# the spool


def test_what_is_begun_twice_is_done_once(tmp_path: Path) -> None:
    from pipeline.engines import chunks

    marks = tmp_path / "marks"
    marks.mkdir()
    spool = Spool.made(
        tmp_path,
        Header("tasks_for_here:mark", 60.0, {"tasks": "1"}, "tasks_for_here:versions"),
    )
    names = ["Q1", "Q2", "Q3"]
    for name in names:
        spool.put(Task(name, str(marks)))
    try:
        first = chunks.work_off(str(spool.folder), names[:2])
        assert [name for name, _, failure in first if failure is None] == names[:2]
        again = chunks.work_off(str(spool.folder), names)
        assert [name for name, _, _ in again] == names
        assert again[:2] == first
        for name in names:
            spool.clear(name)
        assert chunks.work_off(str(spool.folder), names) == []
        spool.put(Task("Q4", str(marks)))
        spool.stop()
        assert chunks.work_off(str(spool.folder), ["Q4"]) == []
    finally:
        chunks.close()
    assert len(list(marks.iterdir())) == 3


def test_paths_are_moved_by_the_longest_prefix() -> None:
    paths = {"/jobs": "/mnt/jobs", "/jobs/big": "/fast"}
    assert moved(Path("/jobs/small/a"), paths) == Path("/mnt/jobs/small/a")
    assert moved(Path("/jobs/big/a"), paths) == Path("/fast/a")
    assert moved(Path("/jobsite/a"), paths) == Path("/jobsite/a")


@pytest.mark.parametrize("header", [None, "", "{", "[]", '{"function": 1}'])
def test_a_spool_that_is_none_is_said_to_be_gone(tmp_path: Path, header: str | None) -> None:
    if header is not None:
        (tmp_path / "header.json").write_text(header)
    with pytest.raises(SpoolGone):
        Spool.opened(tmp_path)


def test_only_the_user_can_reach_into_a_spool(tmp_path: Path) -> None:
    header = Header("a:b", 1.0, {}, "a:c")
    assert Spool.made(tmp_path, header).folder.stat().st_mode & 0o077 == 0
