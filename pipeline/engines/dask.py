"""A Dask cluster as the place where a flow's chunks are worked on: several machines, one disk.

Every worker has to see the job's folder, under the same path or another that ``paths`` names, and
to have the same versions of everything: both are asked before anything begins. The workers of a
cluster that is started here are processes of this machine.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import pipeline.engines.quiet  # noqa: F401 - before Dask

# isort: split
from distributed import Client, KilledWorker, LocalCluster
from distributed.comm.core import CommClosedError

from pipeline.engines import Failure, chunks
from pipeline.engines.prefect import failure_of
from pipeline.engines.spool import Spool
from pipeline.errors import ToolMissing

if TYPE_CHECKING:
    from distributed import Worker
    from prefect.task_runners import TaskRunner


ASK_S = 1.0
"""How often the scheduler is asked for its workers."""


class Cluster:
    """The workers of the scheduler at ``address``, or some that are started here.

    ``lanes`` says how many tasks this machine carries, for a cluster that is started here.
    """

    task_cost_s = 0.2

    def __init__(self, address: str | None, lanes: Callable[[int], int]) -> None:
        self._address = address
        # so that no worker waits for the network; one's own would work on it beyond the lanes
        self.ahead = 1 if address else 0
        self._own_lanes = lanes
        self._own: LocalCluster | None = None
        self._client: Client | None = None
        self._threads = 0
        self._asked_at = -ASK_S

    def prepare(self, spool: Spool, pixels: int, tasks: int) -> None:
        client = self._client = self._client or self._joined()
        started = tasks >= self.lanes(pixels)  # else most would have nothing to do
        said = client.run(_prepare, spool.there, spool.header.mark, started, on_error="return")
        if not said:
            raise ToolMissing(f"the scheduler at {self._address} has no worker yet: start some")
        faults = [
            f"worker {worker}: {_words(reason)}"
            for worker, reason in said.items()
            if reason and not isinstance(reason, CommClosedError)  # it died meanwhile
        ]
        if faults:
            raise ToolMissing("\n".join(faults))

    def lanes(self, pixels: int) -> int:
        if self._client is None or self._client.status != "running":
            return 0
        if time.monotonic() > self._asked_at + ASK_S:
            workers = self._client.scheduler_info(n_workers=-1)["workers"].values()
            self._threads = sum(int(worker["nthreads"]) for worker in workers)
            self._asked_at = time.monotonic()
        return self._threads if self._address else min(self._threads, self._own_lanes(pixels))

    def runner(self) -> TaskRunner[Any]:
        from prefect_dask.task_runners import DaskTaskRunner

        assert self._client is not None  # what is sent there was prepared there
        return DaskTaskRunner(address=self._client.scheduler_info()["address"])

    def failure(self, error: BaseException) -> Failure:
        if isinstance(error, KilledWorker):
            return Failure("the workers that had it died", details=str(error), lost=True)
        return failure_of(error)

    def clear(self) -> None:
        if self._client is not None and self._client.status == "running":
            with suppress(Exception):  # of workers that are gone
                self._client.run(chunks.close, on_error="ignore")

    def close(self) -> None:
        for mine in (self._client, self._own):
            if mine is not None:
                with suppress(Exception):  # of a scheduler that is gone
                    mine.close()

    def _joined(self) -> Client:
        try:
            return Client(self._address or self._started())  # type: ignore[no-untyped-call]
        except OSError as error:
            where = f"the scheduler at {self._address}" if self._address else "a cluster of its own"
            raise ToolMissing(f"{where} does not answer ({error})") from error
        except TypeError as error:  # tls without what it needs
            raise ToolMissing(
                f"{self._address} needs a certificate of Dask's configuration "
                "(distributed.comm.tls), which names none"
            ) from error

    def _started(self) -> LocalCluster:
        from pipeline.engines.capacity import cores

        own = {"n_workers": cores(), "threads_per_worker": 1, "dashboard_address": None}
        any_port = {"dashboard_address": "127.0.0.1:0"}  # the usual one may be another run's
        self._own = LocalCluster(**own, scheduler_kwargs=any_port)  # type: ignore[no-untyped-call]
        return self._own


def _prepare(folder: str, mark: str, started: bool, dask_worker: Worker) -> str | None:
    """On a worker: why it cannot serve a spool, or None; and its processes are ``started``."""
    hindrance = chunks.hindrance(folder, mark)
    if started and hindrance is None:
        chunks.prepare(folder, dask_worker.state.nthreads)
    return hindrance


def _words(reason: object) -> str:
    if isinstance(reason, ModuleNotFoundError):
        return f"it has no {reason.name}: install Safelight there, with the extra dask"
    return str(reason)
