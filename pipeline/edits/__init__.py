"""The local edits that an entry under ``local:`` can name: every module here defines one, ``EDIT``.

Importing an edit imports no kernels, so that reading a recipe stays quick.
"""

from __future__ import annotations

import pkgutil
from collections.abc import Mapping
from importlib import import_module
from types import MappingProxyType

from pipeline.edit import Edit


def _found() -> dict[str, Edit]:
    names = [info.name for info in pkgutil.iter_modules(__path__)]
    edits = [import_module(f"{__name__}.{name}").EDIT for name in names]
    return {edit.name: edit for edit in sorted(edits, key=lambda edit: edit.order)}


EDITS: Mapping[str, Edit] = MappingProxyType(_found())
"""Every edit by its name, in the order in which one entry does them."""
