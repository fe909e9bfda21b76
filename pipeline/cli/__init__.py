"""The command line: thin. It finds the job, calls what does the work, and words what came out.

Nothing that takes long to import is imported here or in ``commands`` before a command needs it.
"""

from __future__ import annotations

import gc
import io
import os
import sys
from pathlib import Path

OBJECTS_TO_COLLECT = 100_000
"""How many new objects make the collector look: what start-up makes is there to stay, and looking
through it again and again, and at the end once more, is much of what a short command takes."""


def main() -> None:
    """Entry point of ``safelight``."""
    gc.set_threshold(OBJECTS_TO_COLLECT)
    try:
        _settle_streams()
        from pipeline.cli.commands import app

        app(prog_name="safelight")
    except KeyboardInterrupt:  # before a command began, which would have answered in words
        sys.exit(130)
    finally:
        gc.freeze()  # the process gives all of its memory back at once, with nothing to look for


def _settle_streams() -> None:
    """Let names of any bytes be printed, and let a caller have closed our output."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, Path(os.devnull).open("w"))  # noqa: SIM115 - stays open
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
