"""The demo shoot's raws at full size, for the benchmarks to work on."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]


def make_raws(folder: Path, megapixels: float, frames: Sequence[str]) -> list[Path]:
    """Some frames of the shoot, made once and kept in ``folder``."""
    paths = [folder / "card" / f"{frame}.dng" for frame in frames]
    if not all(path.exists() for path in paths):
        print(f"rendering {len(frames)} raws of {megapixels:g} MP ...", flush=True)
        subprocess.run(
            [sys.executable, "-m", "examples.shoot", str(folder), "--megapixels", str(megapixels),
             "--frames", *frames],
            cwd=ROOT, check=True, stdout=subprocess.DEVNULL,
        )  # fmt: skip
    return paths
