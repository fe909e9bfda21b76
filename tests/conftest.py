"""What every test shares: numbers to try things on, and what is dear and made once for all."""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from functools import cache
from unittest.mock import patch

import numpy as np
import pytest
import typer.main
from hypothesis import settings
from numba.core.caching import FunctionCache
from numba.core.compiler_lock import global_compiler_lock
from numba.core.dispatcher import Dispatcher

from pipeline.files.exiftool import ExifTool

settings.register_profile("suite", deadline=None)  # two suites on two cores are no fault
settings.load_profile("suite")


@pytest.fixture
def rng() -> np.random.Generator:
    """Random numbers that are the same in every run."""
    return np.random.default_rng(20260520)


@pytest.fixture(scope="session", autouse=True)
def _commands_put_together_once() -> Iterator[None]:
    """A process calls the entry point once; tests do so hundreds of times.

    Most of a short call is typer reading all commands' signatures, which are the same each time.
    """
    with patch("typer.main.get_command", cache(typer.main.get_command)):
        yield


@pytest.fixture(scope="session", autouse=True)
def _kernels_compiled_by_one_for_all(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Of workers that need a kernel at once, one compiles it; the others wait and load its file."""
    folder = tmp_path_factory.getbasetemp().parent / "compiling"  # xdist's workers share it
    folder.mkdir(exist_ok=True)
    compiled = Dispatcher.compile

    def alone(kernel: Dispatcher, signature: object) -> object:
        if not isinstance(kernel._cache, FunctionCache):  # it belongs to numba and has no file
            return compiled(kernel, signature)
        name = f"{kernel.py_func.__module__}.{kernel.py_func.__qualname__}.lock"
        with global_compiler_lock, (folder / name).open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            return compiled(kernel, signature)

    with patch.object(Dispatcher, "compile", alone):
        yield


@pytest.fixture(scope="module")
def one_exiftool() -> Iterator[None]:
    """One exiftool for all jobs of a module, where how it starts and ends is not what is tested.

    Starting one and letting it load its tables takes longer than most of what it is asked.
    """
    kept = ExifTool()
    with patch("pipeline.files.metadata.ExifTool", lambda: kept), patch.object(kept, "close"):
        yield
    kept.close()
