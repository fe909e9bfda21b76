"""Starts the real things that engines talk to, on this machine alone: a Prefect server, a Dask
scheduler and its workers. Whoever starts one ends it."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import psutil
import pytest

from pipeline.engines import server
from pipeline.engines.quiet import DEFAULTS

ROOT = Path(__file__).parents[1]


def end(pid: int) -> None:
    """Kill a process and all that it started, where it still runs."""
    with suppress(psutil.NoSuchProcess):
        process = psutil.Process(pid)
        for each in (*process.children(recursive=True), process):
            with suppress(psutil.NoSuchProcess):
                each.kill()
        process.wait(10)


@contextmanager
def prefect_server(folder: Path) -> Iterator[server.Server]:
    """One that ``--serve`` would start, with its data in ``folder``; its URL in the environment."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(folder))
        patch.setattr(server, "USUAL_PORT", 0)
        started = server.served()
        patch.setenv(server.API, started.api)
        try:
            yield started
        finally:
            end(started.pid)


class Cluster:
    """A Dask scheduler and its workers, of one thread each."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self._port = probe.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{self._port}"
        self.workers: list[psutil.Process] = []
        self.start_scheduler()

    def start_scheduler(self) -> None:
        self.scheduler = self._start(
            "scheduler", "--host", "127.0.0.1", "--port", str(self._port), "--no-dashboard"
        )
        until = time.monotonic() + 30
        while time.monotonic() < until:
            with suppress(OSError), socket.create_connection(("127.0.0.1", self._port), 1):
                return
            time.sleep(0.1)
        raise TimeoutError("the scheduler does not listen")

    def start_worker(self, **environment: str) -> psutil.Process:
        """One with a nanny, which starts it again when it dies."""
        worker = self._start(
            "worker",
            self.address,
            *("--nthreads", "1", "--nworkers", "1", "--no-dashboard"),
            *("--local-directory", str(self.folder)),
            **environment,
        )
        self.workers.append(worker)
        return worker

    def settle(self, count: int) -> None:
        """Wait until so many workers are there."""
        from distributed import Client

        with Client(self.address, timeout=30) as client:
            client.wait_for_workers(count, timeout=30)

    def close(self) -> None:
        for process in (*self.workers, self.scheduler):
            end(process.pid)

    def _start(self, *arguments: str, **environment: str) -> psutil.Process:
        said = (self.folder / f"{arguments[0]}.log").open("ab")
        with said:
            process = subprocess.Popen(
                [sys.executable, "-m", "distributed.cli.dask_" + arguments[0], *arguments[1:]],
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=said,
                cwd=self.folder,
                env={
                    **os.environ,
                    server.API: "",  # what it is the flow has to tell
                    "PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "tests")]),
                    **DEFAULTS,
                    **environment,
                },
            )
        return psutil.Process(process.pid)


@contextmanager
def dask_cluster(folder: Path, workers: int = 2) -> Iterator[Cluster]:
    """A scheduler with so many workers."""
    cluster = Cluster(folder)
    try:
        for _ in range(workers):
            cluster.start_worker()
        cluster.settle(workers)
        yield cluster
    finally:
        cluster.close()
