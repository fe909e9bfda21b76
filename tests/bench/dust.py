"""Measures what becomes of the dust on the demo's sensor: how much is filled, and how well.

`python tests/bench/dust.py [--megapixels 6]`

The shoot is rendered twice, as it is and through a clean sensor; the photographs are the same to
the photon. The selects are developed from the clean raws, from the dusty ones as they are, and from
the dusty ones with what `assess --dust` found filled. How far a speck leaves a picture from the
clean one is the mean over its disc, in stops of green light. What lies under the same place in the
clean picture is invented by a fill, so in a busy place it cannot reach 0.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import tifffile
from raws import ROOT

sys.path.insert(0, str(ROOT))

from examples.shoot.sensor import DUST, Speck
from pipeline.cli.demo import RATINGS
from pipeline.files.raw import open_original
from pipeline.kernels.orient import sensor_view

RENDER = """
import sys
from examples.shoot import __main__, sensor
if sys.argv.pop(1) == "clean":
    sensor.DUST = ()
__main__.main()
"""
SAFELIGHT = [sys.executable, "-c", "from pipeline.cli import main; main()"]
SELECTS = [name for rating, names in RATINGS.items() if rating >= 4 for name in names]
ROMM_GAMMA = 1.8


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--megapixels", type=float, default=6)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        for sensor in ("clean", "dusty"):
            print(f"rendering the shoot with a {sensor} sensor ...", flush=True)
            shoot = [str(folder / sensor), "--megapixels", str(given.megapixels)]
            call([sys.executable, "-c", RENDER, sensor, *shoot])
        spots = {name: made(folder, name) for name in ("clean", "dusty", "filled")}
        print(f"spots proposed: {spots['filled']}; on the clean sensor: {spots['clean']}")
        compare(folder)


def made(folder: Path, name: str) -> int:
    """Take the demo's job from the card to its masters; how many spots the search proposed."""
    job = folder / f"{name} job"
    shutil.copytree(ROOT / "examples" / "quay-lamps", job)
    if name == "dusty":
        for setup in (job / "setups").glob("*.yaml"):
            setup.write_text(setup.read_text().replace("  - spotting: {dust: true}\n", ""))
    card = folder / ("clean" if name == "clean" else "dusty") / "card"
    safelight(job, "ingest", "--link", str(card))
    for rating, frames in RATINGS.items():
        safelight(job, "rate", "--", str(rating), *frames)
    found = json.loads(safelight(job, "assess", "--dust", "--json"))
    print(f"developing from the {name} raws ...", flush=True)
    safelight(job, "run")
    return sum(len(frame["spots"]) for frame in found["frames"])


def compare(folder: Path) -> None:
    filled, before, after = [], [], []
    for frame in SELECTS:
        original = folder / "clean" / "card" / f"{frame}.dng"
        orientation = open_original(original).orientation
        clean, dusty, mended = (
            light(folder / f"{name} job", frame, orientation)
            for name in ("clean", "dusty", "filled")
        )
        for speck in DUST:
            disc = within(speck, clean.shape)
            before.append(float(np.abs(dusty[disc] - clean[disc]).mean()))
            after.append(float(np.abs(mended[disc] - clean[disc]).mean()))
            filled.append(bool((mended[disc] != dusty[disc]).any()))
    changed, left, now = np.array(filled), np.array(before), np.array(after)
    nearer = int((now < left)[changed].sum())
    print(f"{len(filled)} specks in {len(SELECTS)} selects, {changed.sum()} of them filled")
    print(f"as they are       {left.mean():.4f} stops from the clean picture")
    print(f"filled            {now.mean():.4f}")
    print(f"  where filled    {now[changed].mean():.4f}, before {left[changed].mean():.4f}")
    print(f"  nearer to it    {nearer} of {changed.sum()}")


def light(job: Path, frame: str, orientation: int) -> np.ndarray:
    """The green light of a frame's master in stops, in the sensor's rows and columns."""
    (path,) = (job / "masters").glob(f"{frame}_v*.tif")
    codes = sensor_view(tifffile.imread(path)[..., 1], orientation)
    return ROMM_GAMMA * np.log2(np.maximum(codes, 64) / 65535.0)


def within(speck: Speck, shape: tuple[int, ...]) -> tuple[np.ndarray, np.ndarray]:
    """The pixels of a speck's disc."""
    height, width = shape
    rows, columns = np.ogrid[:height, :width]
    away = np.hypot(columns + 0.5 - speck.x * width, rows + 0.5 - speck.y * width)
    return np.nonzero(away <= speck.radius * width)


def safelight(job: Path, *arguments: str) -> str:
    command, *rest = arguments
    return call([*SAFELIGHT, command, "--job", str(job), *rest])


def call(command: list[str]) -> str:
    return subprocess.run(
        command, cwd=ROOT, check=True, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ).stdout


if __name__ == "__main__":
    main()
