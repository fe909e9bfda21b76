"""The command line: thin. It finds the job, calls what does the work, and words what came out.

Nothing that takes long to import is imported here or in ``commands`` before a command needs it.
"""

from __future__ import annotations

import io
import os
import sys
from pathlib import Path


def main() -> None:
    """Entry point of ``safelight``."""
    try:
        _settle_streams()
        from pipeline.cli.commands import app

        app(prog_name="safelight")
    except KeyboardInterrupt:  # before a command began, which would have answered in words
        sys.exit(130)


def _settle_streams() -> None:
    """Let names of any bytes be printed, and let a caller have closed our output."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, Path(os.devnull).open("w"))  # noqa: SIM115 - stays open
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
