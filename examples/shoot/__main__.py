"""``python -m examples.shoot DIR``: makes the demo shoot."""

from __future__ import annotations

import argparse
from pathlib import Path

from . import make_shoot


def main() -> None:
    parser = argparse.ArgumentParser(prog="shoot", description="Makes the raws of the demo shoot.")
    parser.add_argument("directory", type=Path, help="gets the folders card and truth")
    parser.add_argument("--megapixels", type=float, default=6.0, help="size of a frame (6)")
    parser.add_argument("--frames", nargs="+", metavar="NAME", help="only these, such as QL0001")
    given = parser.parse_args()
    make_shoot(
        given.directory,
        given.megapixels,
        lambda done, total: print(f"\r{done} of {total} frames", end="", flush=True),
        given.frames,
    )
    print()


if __name__ == "__main__":
    main()
