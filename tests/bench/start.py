"""Times what a person waits for before any pixel: start-up, a run with nothing to do, one frame.

`python tests/bench/start.py [--raw FILE.dng]`

Whole commands, medians of seven, beside the time that Python itself needs to start. The job has 500
small frames, all of them selects and developed, 60 with a file of their own. The first frame is
``--raw``, in a fresh process with a warm kernel cache.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
from installed import keep_bytecode

from tests.job_for_tests import make_job

SAFELIGHT = [sys.executable, "-c", "from pipeline.cli import main; main()"]
FIRST_FRAME = """
import sys
from pathlib import Path
from pipeline.records import ResolvedStep
from pipeline.rounds import Development
from pipeline.work import FrameWork, do
look = [("tone", {"contrast": 1.1, "shoulder": 0.5}), ("primaries", {"saturation": 1.1})]
steps = tuple(ResolvedStep("look", name, name, 1, values) for name, values in look)
path = Path(sys.argv[1])
development = Development(path, None, steps, {}, threads=2)
do(FrameWork("first", Path(sys.argv[2]), development, "masters/first.tif"))
"""


def median(command: list[str], times: int = 7) -> float:
    """Median wall seconds of a command, once before without counting."""
    seconds = []
    for _ in range(times + 1):
        started = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        seconds.append(time.perf_counter() - started)
    return statistics.median(seconds[1:])


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--raw", type=Path, help="a raw for the first frame")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        keep_bytecode(Path(scratch) / "bytecode")
        job = make_job(Path(scratch) / "job", frames=500, selects=500)
        (job / "frames").mkdir()
        for number in range(1, 61):
            name = f"F{number:04}"
            (job / "frames" / f"{name}.yaml").write_text(
                f"# one of sixty\nframe: {name}\nadjust:\n  - expose: {{stops: 0.{number:02}}}\n"
            )
        subprocess.run([*SAFELIGHT, "run", "--job", str(job)], check=True)
        rows = [
            ("python -c pass", [sys.executable, "-c", "pass"]),
            ("safelight --help", [*SAFELIGHT, "--help"]),
            ("safelight run, 500 frames, nothing to do", [*SAFELIGHT, "run", "--job", str(job)]),
            ("safelight status, 500 frames", [*SAFELIGHT, "status", "--job", str(job)]),
        ]
        if given.raw:
            command = [sys.executable, "-c", FIRST_FRAME, str(given.raw), scratch]
            rows.append(("first frame of a fresh process", command))
        for title, command in rows:
            print(f"{title:42} {median(command):.3f} s")


if __name__ == "__main__":
    main()
