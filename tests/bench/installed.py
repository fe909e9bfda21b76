"""Commands are timed as a person runs them: their modules were compiled at an earlier start."""

from __future__ import annotations

import os
from pathlib import Path


def keep_bytecode(folder: Path) -> None:
    """Have every process that is started from now on keep its compiled modules in ``folder``,
    whatever the environment says, and a source tree clean."""
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = str(folder)
