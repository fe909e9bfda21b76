"""Work that a Prefect server starts: when there is something to do, or when somebody asks its page.

Each run is a process of its own, which the page can cancel: it is asked to stop as by Ctrl-C.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Any

# before Prefect, which reads the environment that these two set when it is imported
from pipeline.engines.worker import function_of  # isort: skip

os.environ.setdefault("PREFECT_RUNNER_POLL_FREQUENCY", "2")

from prefect import flow
from prefect.client.schemas.objects import State
from prefect.deployments import run_deployment
from prefect.states import Cancelled, Completed, Failed
from prefect.types.entrypoint import EntrypointType

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
) -> None:
    """Serve a deployment until Ctrl-C: its runs are called ``name``, and do ``function``.

    ``due`` is asked every so many seconds whether there is something to do; its runs begin one
    after the other. Whoever looks at the server's page can begin one too.
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

    watching = threading.Thread(target=watch, daemon=True)
    watching.start()
    try:
        perform.serve(
            name=deployment,
            parameters={"name": name, "function": function, "arguments": dict(arguments)},
            limit=1,
            print_starting_message=False,
            entrypoint_type=EntrypointType.MODULE_PATH,
        )
    finally:
        over.set()
