"""Work that a Prefect server starts: when there is something to do, or when somebody asks its page.

Each run is a process of its own, which the page can cancel: it is asked to stop as by Ctrl-C.
"""

from __future__ import annotations

import asyncio
import os
import threading
from collections.abc import Callable, Mapping
from contextlib import redirect_stderr, redirect_stdout, suppress
from io import StringIO
from typing import Any

# before Prefect, which reads the environment that these two set when it is imported
from pipeline.engines.worker import function_of  # isort: skip

os.environ.setdefault("PREFECT_RUNNER_POLL_FREQUENCY", "2")

from prefect import flow
from prefect.client.orchestration import get_client
from prefect.client.schemas.objects import State
from prefect.deployments import run_deployment
from prefect.exceptions import TerminationSignal
from prefect.runner import Runner
from prefect.states import Cancelled, Completed, Failed
from prefect.types.entrypoint import EntrypointType

from pipeline.engines.flow import ServerAway, away
from pipeline.engines.server import API, unwell
from pipeline.errors import SafelightError

NAME = "safelight-schedule"


@flow(name=NAME, flow_run_name="{name}", persist_result=False)
def perform(name: str, function: str, arguments: dict[str, Any]) -> State[None]:
    """Do what ``"module:callable"`` does with JSON values; it tells whether all went well."""
    try:
        well, said = function_of(function)(**arguments)
    except KeyboardInterrupt:
        return Cancelled(message="Stopped. What was finished is recorded.")
    except SafelightError as error:
        return Failed(message=str(error))
    return (Completed if well else Failed)(message=said)


def serve(
    deployment: str,
    name: str,
    function: str,
    arguments: Mapping[str, Any],
    due: Callable[[], bool],
    every_s: float,
    *,
    about: str,
) -> None:
    """Serve a deployment until Ctrl-C: its runs are called ``name``, and do ``function``.

    ``due`` is asked every so many seconds whether there is something to do; its runs begin one
    after the other. Whoever looks at the server's page can begin one too, and reads what it is
    ``about``. Raises ``ServerAway`` where the server has gone for good.
    """
    over = threading.Event()

    def watch() -> None:
        waits = False
        while not over.wait(every_s):
            waits = due() or waits
            if waits:
                with suppress(Exception):  # of a server that is away: at the next look
                    run_deployment(f"{NAME}/{deployment}", timeout=0, as_subflow=False)
                    waits = False

    # not its own pausing at the end, which tries for minutes where the server is away
    runner = Runner(name=deployment, pause_on_shutdown=False, limit=1)
    served: Any = None
    watching = threading.Thread(target=watch, daemon=True)
    api = os.environ[API]
    try:
        # once it has asked for minutes it prints its last errors, as tracebacks
        with redirect_stdout(StringIO()), redirect_stderr(StringIO()):
            served = runner.add_flow(
                perform,
                name=deployment,
                description=about,
                parameters={"name": name, "function": function, "arguments": dict(arguments)},
                entrypoint_type=EntrypointType.MODULE_PATH,
            )
            watching.start()
            asyncio.run(runner.start())
    except (KeyboardInterrupt, TerminationSignal):
        pass
    except Exception as error:
        if fault := unwell(api):
            raise ServerAway(
                f"the Prefect server at {api} has gone ({fault}), and nothing is watched any "
                "more; what was finished is recorded"
            ) from error
        raise away(error) from error
    finally:
        over.set()
        if served and unwell(api) is None:
            with suppress(Exception), get_client(sync_client=True) as client:
                client.pause_deployment(served)  # nobody is there any more to begin its runs
