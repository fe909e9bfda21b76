"""The direction of the imports, and what a command must not load before it needs it."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "pipeline"

# from the lowest to the highest; the engines lie below what drives them
RANKS = {
    name: rank
    for rank, names in enumerate(
        [
            "errors moments hashing records frame viewing icc",
            "kernels",
            "step edit",
            "steps edits",
            "yamlfile wording captions masking written recipe local selection job naming bursts"
            " setups conditions clocks changes rounds framing",
            "plan status accounts history parcel shots",
            "healing deblurring chain develop rendition sheet outlines typefaces request_sheet"
            " paper proof_sheet contact_sheet files manifest",
            "engines proof",
            "work survey measuring run evening ingest custody rating verify painted colour"
            " showing round_files places cropping takeback carrying handoff retouch asking assess"
            " client_page bagging contact sorting proposing framefile assigning figures suggest"
            " workplace tending",
            "cli",
        ]
    )
    for name in names.split()
}
ONLY_USER = {
    "sqlite3": "manifest",
    "rawpy": "files",
    "tifffile": "files",
    "imagecodecs": "files",
    "exiftool": "files",
    "pypdfium2": "files",
    "typer": "cli",
    "prefect": "engines",
    "prefect_dask": "engines",
    "distributed": "engines",
}
SLOW = (
    "numba",
    "rawpy",
    "tifffile",
    "imagecodecs",
    "cv2",
    "prefect",
    "prefect_dask",
    "distributed",
    "scipy",
    "PyOpenColorIO",
    "fpdf",
    "fontTools",
    "pypdfium2",
)

# what a command with nothing to do imports
START_UP = ("plan", "run", "ingest", "rating", "verify")
START_UP_PACKAGES = ("manifest", "cli")


def modules() -> list[Path]:
    return [path for path in sorted(PACKAGE.rglob("*.py")) if path != PACKAGE / "__init__.py"]


def unit_of(path: Path) -> str:
    """The folder or the top-level module that a file belongs to: what has a rank."""
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def imported(path: Path) -> Iterator[tuple[int, str]]:
    """(line, dotted name) of everything that a file imports, at the top or inside a function."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno} imports relatively"
            assert node.module is not None
            yield from ((node.lineno, f"{node.module}.{alias.name}") for alias in node.names)


def may_import(importer: str, target: str) -> bool:
    """Lower ranks, one's own folder, and beside a top-level module those of its own rank."""
    if RANKS[target] < RANKS[importer] or target == importer:
        return True
    same_folder = (PACKAGE / f"{importer}.py").exists() and (PACKAGE / f"{target}.py").exists()
    return same_folder and RANKS[target] == RANKS[importer]


def test_everything_has_a_rank() -> None:
    units = {unit_of(path) for path in modules()}
    assert units == RANKS.keys(), "give it a rank, or put it where it belongs"


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_point_downwards(path: Path) -> None:
    importer = unit_of(path)
    wrong = []
    for line, name in imported(path):
        package, _, inside = name.partition(".")
        if package != "pipeline":
            owner = ONLY_USER.get(package, importer)
            if owner != importer:
                wrong.append(f"{path}:{line}: {package} belongs to {owner}")
        elif inside and inside.split(".")[0] in RANKS:
            target = inside.split(".")[0]
            if not may_import(importer, target):
                wrong.append(f"{path}:{line}: {importer} must not import {target}")
        else:
            assert inside == "__version__", f"{path}:{line} imports {name}, which has no rank"
    assert not wrong, "\n".join(wrong)


def test_the_rule_refuses_what_it_should() -> None:
    assert may_import("plan", "records")
    assert may_import("recipe", "yamlfile")
    assert not may_import("records", "plan")
    assert not may_import("develop", "files")
    assert not may_import("files", "manifest")


def loaded_after(statement: str) -> set[str]:
    """The top-level packages in memory after a statement, in a fresh process."""
    code = f"{statement}\nimport sys\nprint(*{{name.partition('.')[0] for name in sys.modules}})"
    ran = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    return set(ran.stdout.split())


def start_up_modules() -> list[str]:
    names = [f"pipeline.{name}" for name in START_UP]
    for package in START_UP_PACKAGES:
        files = (PACKAGE / package).glob("*.py")
        names += [f"pipeline.{package}.{path.stem}" for path in files if path.stem != "__init__"]
    return names


def test_start_up_loads_nothing_slow() -> None:
    found = loaded_after("import " + ", ".join(start_up_modules()))
    assert not found & set(SLOW)


@pytest.mark.parametrize("module", ["plan", "manifest"])
def test_deciding_needs_neither_models_nor_arrays(module: str) -> None:
    assert not loaded_after(f"import pipeline.{module}") & {"pydantic", "numpy", "psutil"}


def test_the_check_sees_what_is_loaded() -> None:
    assert "pydantic" in loaded_after("import pipeline.step")
