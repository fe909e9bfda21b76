"""Changes a frame's file, which a person may edit as well.

Comments, order and form of what is there stay as they are.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, MutableMapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

from pipeline import yamlfile
from pipeline.errors import InvalidInput, Problem
from pipeline.job import Frame, Job
from pipeline.recipe import Layers
from pipeline.written import FrameFile

Content = MutableMapping[str, Any]


def frame_path(folder: Path, frame: str) -> Path:
    """Where what is special about a frame is written."""
    return folder / "frames" / f"{frame}.yaml"


def changed(
    folder: Path, job: Job, frame: str, change: Callable[[Content], None]
) -> tuple[str, Job]:
    """The text of a frame's file after a change, and the job with it; nothing is written yet.

    Raises ``InvalidInput`` where the file would not be valid, or a comment in it would be lost.
    """
    path = frame_path(folder, frame)
    before = path.read_text(encoding="utf-8-sig") if path.exists() else ""
    text, shown = _changed_text(before, frame, change), f"frames/{path.name}"
    if text.count("#") < before.count("#"):  # it stood with what the change takes out
        found = "a comment would be lost with what is taken out"
        raise InvalidInput([Problem(shown, 0, "", found, "that change by hand")])
    document = yamlfile.parse(text, shown, folder)
    layers = Layers(job.steps)
    file = layers.checked(document, FrameFile)
    if file is None:
        raise InvalidInput(layers.problems)
    frames = {**job.frames, frame: Frame(document, file)}
    return text, replace(job, frames=frames, resolved={})


def _changed_text(before: str, frame: str, change: Callable[[Content], None]) -> str:
    yaml = YAML()
    yaml.preserve_quotes = True
    yaml.width = 100
    # lists stay where the person who wrote them likes them: below their key, or in from it
    below = re.search(r"^-", before, re.MULTILINE)
    yaml.indent(mapping=2, sequence=2 if below else 4, offset=0 if below else 2)
    content: Content = yaml.load(before) or yaml.map()
    content.setdefault("frame", frame)
    change(content)
    stream = io.StringIO()
    yaml.dump(content, stream)
    return stream.getvalue()


def filled(content: Content, key: str, empty: Any) -> Any:
    """What stands under a key; ``empty`` is put there where nothing does."""
    if content.get(key) is None:
        content[key] = empty
    return content[key]
