"""The command line: thin. It finds the job, calls what does the work, and words what came out.

Nothing that takes long to import is imported here or in ``commands`` before a command needs it.
"""

from __future__ import annotations


def main() -> None:
    """Entry point of ``safelight``."""
    from pipeline.cli.commands import app

    app(prog_name="safelight")
