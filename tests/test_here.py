"""The engine "here": every task ends exactly once whatever dies, and no process is left behind."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import textwrap
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from pipeline.engines import Outcome, Task
from pipeline.engines.capacity import core_quota, cores, memory_headroom_bytes, workers_for
from pipeline.engines.here import Here

TESTS = Path(__file__).parent
GIGABYTE = 1 << 30


def here(function: str, workers: int = 2, **settings: float) -> Here:
    return Here(f"tasks_for_here:{function}", workers, **settings)  # type: ignore[arg-type]


def sentence(outcome: Outcome) -> str:
    assert outcome.failure is not None
    return outcome.failure.sentence


def children() -> set[int]:
    return {child.pid for child in psutil.Process().children(recursive=True)}


@pytest.fixture(autouse=True)
def _nobody_left_behind() -> Iterator[None]:
    before = children()
    yield
    assert children() <= before


def test_every_task_gives_its_record_once() -> None:
    tasks = [Task(f"Q{number}", number) for number in range(40)]
    outcomes = list(here("double").run(tasks))
    assert {outcome.task.name: outcome.record for outcome in outcomes} == {
        f"Q{number}": 2 * number for number in range(40)
    }
    assert len(outcomes) == 40
    assert not any(outcome.failure for outcome in outcomes)


def test_nothing_to_do_starts_nothing() -> None:
    before = children()
    assert list(here("double").run([])) == []
    assert children() == before


def test_tasks_are_drawn_only_as_they_can_begin() -> None:
    drawn = []

    def endless() -> Iterator[Task]:
        for number in range(1_000_000):
            drawn.append(number)
            yield Task(str(number), number)

    run = here("double", workers=2).run(endless())
    for _ in range(5):
        next(run)
    run.close()
    assert len(drawn) <= 5 + 2 + 2  # delivered, in flight, and answered but not yet asked for


def test_refusals_keep_their_sentence_and_exit_code() -> None:
    tasks = [Task("Q1", "with-frame"), Task("Q2", "other")]
    outcomes = {end.task.name: end for end in here("raise_refusal").run(tasks)}
    assert sentence(outcomes["Q1"]) == "the mask is missing"
    assert sentence(outcomes["Q2"]) == "the file is empty"
    assert outcomes["Q2"].failure is not None
    assert outcomes["Q2"].failure.exit_code == 1
    assert not outcomes["Q2"].failure.lost


def test_a_fault_of_ours_is_one_line_and_keeps_its_traceback() -> None:
    (outcome,) = here("raise_key_error").run([Task("Q1", "stops\nof light")])
    assert sentence(outcome) == (
        "a fault in Safelight itself (KeyError: 'stops\\nof light'); --debug shows where"
    )
    assert outcome.failure is not None
    assert "raise_key_error" in outcome.failure.details
    assert outcome.failure.exit_code == 1


@pytest.mark.parametrize(
    ("function", "work", "said"),
    [
        ("return_a_lock", None, "TypeError: cannot pickle"),
        ("return_unloadable", None, "ValueError: invalid literal"),
        ("no_such_function", None, "AttributeError"),
        ("double", threading.Lock(), "TypeError: cannot pickle"),
    ],
    ids=["result-cannot-leave", "result-cannot-arrive", "no-function", "task-cannot-leave"],
)
def test_what_cannot_travel_is_reported(function: str, work: object, said: str) -> None:
    before, between, after = here(function, workers=1).run([Task(n, work) for n in "abc"])
    assert said in sentence(before)
    assert said in sentence(between)
    assert said in sentence(after)


def test_a_task_that_always_kills_its_process_is_named_and_costs_nobody_else() -> None:
    tasks = [Task(f"Q{number}", (number == 7, number)) for number in range(20)]
    outcomes = list(here("kill_self_if").run(tasks))
    assert sorted(end.record for end in outcomes if not end.failure) == [
        number for number in range(20) if number != 7
    ]
    assert outcomes[-1].task.name == "Q7"  # tried again after all the others
    assert "killed" in sentence(outcomes[-1])
    assert "tried again" in sentence(outcomes[-1])


def test_a_task_that_was_unlucky_once_is_done_the_second_time(tmp_path: Path) -> None:
    (outcome,) = here("kill_self_the_first_time").run([Task("Q1", str(tmp_path / "marker"))])
    assert outcome.failure is None
    assert outcome.record == "second time"


def test_the_second_try_has_nothing_beside_it(tmp_path: Path) -> None:
    tasks = [Task(f"Q{number}", (str(tmp_path), number in {0, 1, 4})) for number in range(8)]
    outcomes = list(here("overlap", workers=3).run(tasks))
    assert sorted(end.task.name for end in outcomes) == [f"Q{number}" for number in range(8)]
    assert not any(end.failure for end in outcomes)
    retried = [end for end in outcomes if end.task.work[1]]
    assert [end.record for end in retried] == [1, 1, 1]


def test_a_crash_names_the_signal_and_keeps_what_the_process_said() -> None:
    (outcome,) = here("segfault").run([Task("Q1", None)])
    assert "Segmentation fault" in sentence(outcome)
    assert outcome.failure is not None
    assert "segfault" in outcome.failure.details  # faulthandler names the function


def test_a_process_that_leaves_by_itself_is_a_lost_task_too() -> None:
    (outcome,) = here("exit_politely").run([Task("Q1", None)])
    assert "exit code 3" in sentence(outcome)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_processes_killed_at_random_moments_lose_no_task(seed: int) -> None:
    dice = random.Random(seed)
    stop = threading.Event()
    kills = 0

    def murderer() -> None:
        nonlocal kills
        while not stop.wait(dice.uniform(0.05, 0.3)):
            workers = psutil.Process().children()
            if workers:
                victim = dice.choice(workers)
                victim.kill()
                kills += 1

    thread = threading.Thread(target=murderer)
    thread.start()
    try:
        tasks = [Task(f"Q{number}", (0.05, number)) for number in range(30)]
        outcomes = list(here("nap", workers=3).run(tasks))
    finally:
        stop.set()
        thread.join()
    assert kills >= 2
    assert Counter(end.task.name for end in outcomes) == Counter(task.name for task in tasks)
    for end in outcomes:
        if end.failure:  # killed twice
            assert "tried again" in sentence(end)
        else:
            assert end.record == end.task.work[1]


def test_memory_that_runs_out_is_a_sentence() -> None:
    (outcome,) = here("claim_under_own_limit").run([Task("Q1", (GIGABYTE, 4 * GIGABYTE))])
    assert sentence(outcome).startswith("memory ran out")
    assert outcome.failure is not None
    assert outcome.failure.lost


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux bounds private memory")
def test_the_memory_limit_binds_the_workers_alone() -> None:
    tasks = [Task("small", GIGABYTE // 64), Task("big", 2 * GIGABYTE)]
    outcomes = {
        end.task.name: end for end in here("claim_memory", memory_limit_bytes=GIGABYTE).run(tasks)
    }
    assert outcomes["small"].record == GIGABYTE // 64
    assert sentence(outcomes["big"]).startswith("memory ran out")


@pytest.mark.slow
def test_a_task_that_takes_too_long_is_killed_and_named() -> None:
    started = time.monotonic()
    tasks = [Task("slow", (60.0, 0)), Task("quick", (0.0, 1)), Task("next", (0.0, 2))]
    outcomes = {end.task.name: end for end in here("nap", timeout_s=5.0).run(tasks)}
    assert time.monotonic() - started < 30
    assert "too long" in sentence(outcomes["slow"])
    assert outcomes["quick"].record == 1
    assert outcomes["next"].record == 2


def test_a_run_that_is_dropped_half_way_ends_its_processes(tmp_path: Path) -> None:
    before = children()
    run = here("note_and_nap").run(
        [Task("a", (str(tmp_path), 0.0)), Task("b", (str(tmp_path), 60.0))]
    )
    next(run)
    assert children() - before
    run.close()
    assert children() == before


def test_a_fault_in_the_callers_own_tasks_ends_the_processes() -> None:
    def tasks() -> Iterator[Task]:
        yield Task("Q1", (60.0, 1))
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        list(here("nap").run(tasks()))


def test_workers_are_quiet_and_single_threaded(capfd: pytest.CaptureFixture[str]) -> None:
    (outcome,) = here("chatter").run([Task("Q1", None)])
    assert outcome.record == "1"
    assert capfd.readouterr() == ("", "")


def test_outside_the_main_thread_it_works_without_signals() -> None:
    outcomes: list[Outcome] = []
    thread = threading.Thread(
        target=lambda: outcomes.extend(here("double").run([Task("Q1", 1), Task("Q2", 2)]))
    )
    thread.start()
    thread.join()
    assert sorted(end.record for end in outcomes) == [2, 4]


def test_signal_handlers_are_given_back() -> None:
    before = (signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM))
    list(here("double").run([Task("Q1", 1)]))
    assert (signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)) == before


# ---- from the outside: a process of its own that runs the engine ----

SCRIPT = """
import signal, sys
sys.path.append({tests!r})
signal.signal(signal.SIGINT, signal.default_int_handler)
from pipeline.engines import Task
from pipeline.engines.here import Here
folder = sys.argv[1]
def go(function, works, **settings):
    tasks = [Task(str(n), work) for n, work in enumerate(works)]
    try:
        for outcome in Here("tasks_for_here:" + function, 2, **settings).run(tasks):
            print("ended", outcome.task.name, outcome.failure or "", flush=True)
    except KeyboardInterrupt:
        print("interrupted", flush=True)
"""


def start(tmp_path: Path, last_line: str) -> subprocess.Popen[str]:
    """A script with no guard around its body, in a process group of its own."""
    script = tmp_path / "unguarded.py"
    script.write_text(SCRIPT.format(tests=str(TESTS)) + textwrap.dedent(last_line))
    folder = tmp_path / "pids"
    folder.mkdir()
    return subprocess.Popen(
        [sys.executable, str(script), str(folder)],
        stdout=subprocess.PIPE,
        text=True,
        process_group=0,
    )


def wait_for_pids(tmp_path: Path, count: int) -> list[int]:
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        pids = [int(path.stem) for path in (tmp_path / "pids").iterdir()]
        if len(pids) >= count:
            return pids
        time.sleep(0.02)
    raise AssertionError("the workers never began")


def alive(pids: list[int]) -> list[int]:
    return [
        pid
        for pid in pids
        if psutil.pid_exists(pid) and psutil.Process(pid).status() != psutil.STATUS_ZOMBIE
    ]


def gone_within(pids: list[int], seconds: float) -> bool:
    deadline = time.monotonic() + seconds
    while alive(pids):
        if time.monotonic() > deadline:
            return False
        time.sleep(0.02)
    return True


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_asked_to_stop_it_finishes_what_is_in_flight(
    tmp_path: Path, number: signal.Signals
) -> None:
    run = start(tmp_path, 'go("note_and_nap", [(folder, 1.5)] * 20)')
    pids = wait_for_pids(tmp_path, 2)
    os.killpg(run.pid, number)  # as the terminal does: to the whole foreground group
    said, _ = run.communicate(timeout=30)
    lines = said.splitlines()
    assert sorted(lines[:-1]) == ["ended 0 ", "ended 1 "]
    assert lines[-1] == "interrupted"
    assert run.returncode == 0
    assert gone_within(pids, 0)


def test_asked_twice_it_stops_at_once(tmp_path: Path) -> None:
    run = start(tmp_path, 'go("note_and_nap", [(folder, 100)] * 20)')
    pids = wait_for_pids(tmp_path, 2)
    os.killpg(run.pid, signal.SIGINT)
    time.sleep(0.3)
    assert run.poll() is None
    assert alive(pids) == pids
    os.killpg(run.pid, signal.SIGINT)
    said, _ = run.communicate(timeout=10)
    assert said.splitlines() == ["interrupted"]
    assert gone_within(pids, 0)


def test_the_grace_for_what_is_in_flight_ends(tmp_path: Path) -> None:
    run = start(tmp_path, 'go("note_and_nap", [(folder, 100)] * 20, grace_s=0.5)')
    pids = wait_for_pids(tmp_path, 2)
    os.killpg(run.pid, signal.SIGINT)
    said, _ = run.communicate(timeout=10)
    assert said.splitlines() == ["interrupted"]  # no outcome: they stay to be done
    assert gone_within(pids, 0)


def test_a_second_try_that_the_user_stops_is_no_failure(tmp_path: Path) -> None:
    run = start(tmp_path, 'go("kill_self_then_nap", [folder], grace_s=0.5)')
    pids = wait_for_pids(tmp_path, 2)
    os.killpg(run.pid, signal.SIGINT)
    said, _ = run.communicate(timeout=10)
    assert said.splitlines() == ["interrupted"]
    assert gone_within(pids, 0)


def test_a_parent_killed_outright_leaves_no_process_behind(tmp_path: Path) -> None:
    run = start(tmp_path, 'go("note_with_child", [folder] * 20)')
    pids = wait_for_pids(tmp_path, 4)  # two workers and a child of each
    assert len(alive(pids)) == 4
    run.kill()
    run.communicate()
    assert gone_within(pids, 2)


@pytest.mark.slow
def test_a_killed_worker_takes_its_own_children_along(tmp_path: Path) -> None:
    tasks = [Task("Q1", str(tmp_path))]
    (outcome,) = here("note_with_child", timeout_s=5.0).run(tasks)
    assert "too long" in sentence(outcome)
    pids = [int(path.stem) for path in tmp_path.iterdir()]
    assert len(pids) == 4  # both tries
    assert gone_within(pids, 0.5)


def test_workers_never_import_the_callers_script(tmp_path: Path) -> None:
    run = start(tmp_path, 'go("double", [1, 2, 3])\nprint("once")')
    said, _ = run.communicate(timeout=30)
    assert sorted(said.splitlines()) == ["ended 0 ", "ended 1 ", "ended 2 ", "once"]


def test_workers_import_nothing_from_the_working_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "queue.py").write_text("raise SystemExit('a stranger in the working folder')")
    monkeypatch.chdir(tmp_path)
    (outcome,) = here("double").run([Task("Q1", 1)])
    assert outcome.record == 2


# ---- capacity ----


def groups(root: Path, files: dict[str, str]) -> Path:
    for name, text in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return root


def test_limits_of_control_groups_version_2(tmp_path: Path) -> None:
    # format: Linux kernel documentation, "Control Group v2", sections on cpu.max and memory.max
    root = groups(
        tmp_path,
        {
            "studio/cpu.max": "150000 100000\n",
            "studio/night/cpu.max": "max 100000\n",
            "studio/memory.max": "4000\n",
            "studio/memory.current": "3000\n",
            "studio/memory.stat": "anon 1000\ninactive_file 500\n",
            "studio/night/memory.max": "max\n",
            "studio/night/memory.current": "10\n",
        },
    )
    assert core_quota(root, "0::/studio/night\n") == 1.5
    assert memory_headroom_bytes(root, "0::/studio/night\n") == 1500
    assert core_quota(root, "0::/elsewhere\n") == float("inf")
    assert memory_headroom_bytes(root, "0::/elsewhere\n") == float("inf")


def test_limits_of_control_groups_version_1(tmp_path: Path) -> None:
    # format: Linux kernel documentation, "Control Groups version 1", cpu bandwidth and memory
    root = groups(
        tmp_path,
        {
            "cpu/job/cpu.cfs_quota_us": "50000\n",
            "cpu/job/cpu.cfs_period_us": "100000\n",
            "cpu/cpu.cfs_quota_us": "-1\n",
            "cpu/cpu.cfs_period_us": "100000\n",
            "memory/job/memory.limit_in_bytes": "4000\n",
            "memory/job/memory.usage_in_bytes": "5000\n",
            "memory/job/memory.stat": "inactive_file 1\ntotal_inactive_file 600\n",
        },
    )
    membership = "3:cpuset:/other\n2:cpu,cpuacct:/job\n1:memory:/job\n0::/\n"
    assert core_quota(root, membership) == 0.5
    assert memory_headroom_bytes(root, membership) == 0


def test_workers_follow_cores_and_memory() -> None:
    assert workers_for(1) == cores()
    assert workers_for(1 << 60) == 1
