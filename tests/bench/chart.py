"""Times the reading of a chart at 33 MP: opening the raw, finding, measuring, fitting.

`python tests/bench/chart.py [--raw FILE] [--rounds 5]`; without a raw, the demo shoot's chart frame
is rendered at 33 MP first. Medians of one run; the first round, which loads and compiles, is left
out.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.files.raw import open_original
from pipeline.kernels.chart import measure
from pipeline.kernels.finding import NotFound, find_chart
from pipeline.kernels.fitting import fit_correction
from pipeline.kernels.references import reference_xyz


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--raw", type=Path)
    parser.add_argument("--rounds", type=int, default=5)
    options = parser.parse_args()
    raw = options.raw
    if raw is None:
        from examples.shoot import make_shoot

        folder = Path(tempfile.mkdtemp())
        make_shoot(folder, megapixels=33, frames=["QL0001"])
        raw = folder / "card" / "QL0001.dng"
    reference = reference_xyz("average")
    laps: dict[str, list[float]] = {"open": [], "preview": [], "find": [], "measure": [], "fit": []}
    for _ in range(options.rounds + 1):
        started = time.perf_counter()

        def lap(name: str) -> None:
            nonlocal started
            now = time.perf_counter()
            laps[name].append(now - started)
            started = now

        source = open_original(raw)
        lap("open")
        picture = source.preview()
        lap("preview")
        found = find_chart(picture, reference)
        lap("find")
        if isinstance(found, NotFound):
            sys.exit(f"no chart: {found.reason}")
        readings = measure(picture, found.corners)
        lap("measure")
        fit_correction(readings.rgb, reference, usable=readings.usable, noise=readings.error)
        lap("fit")
    medians = {name: statistics.median(values[1:]) for name, values in laps.items()}
    for name, seconds in medians.items():
        print(f"{name:8} {seconds:6.3f} s")
    print(f"{'all':8} {sum(medians.values()):6.3f} s at {source.width} x {source.height}")


if __name__ == "__main__":
    main()
