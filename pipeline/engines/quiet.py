"""What Prefect and Dask read from the environment when they are imported, here and by the workers
that are started here. Nobody is told that they are used, and what they have to say to a terminal is
said by whoever runs the flow.
"""

from __future__ import annotations

import io
import os
import warnings
from contextlib import redirect_stderr

from pipeline.errors import ToolMissing, printable

SILENCE = {
    "PREFECT_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_INTERNAL_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_TO_API_ENABLED": "false",
    "PREFECT_DEBUG_MODE": "false",
    "DASK_LOGGING__DISTRIBUTED": "critical",
}
"""Set whatever the user wants of flows and clusters of their own: a run speaks to its user."""

DEFAULTS = {
    **SILENCE,
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_SERVER_EPHEMERAL_ENABLED": "false",
    # it samples the waiting thread all the time, for a page that nobody looks at
    "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "False",
}

os.environ.update(SILENCE)
for name, value in DEFAULTS.items():
    os.environ.setdefault(name, value)


def import_prefect() -> None:
    """Import Prefect, which takes seconds and tells the terminal what it thinks of its settings.

    Raises ``ToolMissing`` where it does not accept one of them.
    """
    with redirect_stderr(io.StringIO()), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            import prefect.main  # noqa: F401
        except ValueError as error:  # pydantic's is one
            raise ToolMissing(f"Prefect does not accept its settings: {_faults(error)}") from error


def _faults(error: ValueError) -> str:
    """What pydantic found, with the variables of the environment in which it may have found it."""
    faults = []
    for each in getattr(error, "errors", list)():
        found = str(each["input"])
        names = [
            name
            for name, value in os.environ.items()
            if name.startswith("PREFECT_") and value == found
        ]
        if each["loc"] and (names or not isinstance(each["input"], dict)):
            where = ", ".join(names) or ".".join(map(str, each["loc"]))
            faults.append(f"{where}: {found!r}: {each['msg']}")
    return printable("; ".join(faults) or str(error).partition("\n")[0])
