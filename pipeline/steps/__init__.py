"""The steps that a recipe can name: every module here defines one, called ``STEP``.

Importing a step imports no kernels, so that reading a recipe stays quick.
"""

from __future__ import annotations

import pkgutil
from collections.abc import Mapping
from importlib import import_module
from types import MappingProxyType

from pipeline.step import Step


def _found() -> dict[str, Step]:
    steps: dict[str, Step] = {}
    for module in sorted(info.name for info in pkgutil.iter_modules(__path__)):
        step = import_module(f"{__name__}.{module}").STEP
        steps[step.name] = step
    return steps


STEPS: Mapping[str, Step] = MappingProxyType(_found())
"""Every step by its name."""
