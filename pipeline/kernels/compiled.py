"""Where compiled kernels are kept. Imports no compiler, so that a command can look."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path


def compiled_kernels_folder() -> Path:
    """Where compiled kernels are kept: a folder of the user's cache, named for these sources.

    numba compares a kernel with the one file that it stands in, but much of it is inlined from
    others; under a name made of all of them, an old kernel can never pass for a new one.
    """
    if chosen := os.environ.get("NUMBA_CACHE_DIR"):
        return Path(chosen)
    sources = b"".join(path.read_bytes() for path in sorted(Path(__file__).parent.glob("*.py")))
    cache = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(cache, "safelight", f"kernels-{hashlib.sha256(sources).hexdigest()[:16]}")
