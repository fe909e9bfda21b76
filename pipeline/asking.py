"""Writes what is asked of the retoucher into a frame's file, which a person may edit as well.

Comments, order and form of what is there stay as they are.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, MutableMapping, MutableSequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from pipeline import yamlfile
from pipeline.errors import InvalidInput, Problem
from pipeline.job import Frame
from pipeline.manifest import Manifest
from pipeline.masking import NAME_PATTERN
from pipeline.recipe import Layers
from pipeline.records import Request
from pipeline.survey import chosen_frames, read_job
from pipeline.written import FrameFile

MOST_SHOWN = 60
EXAMPLE = "{ellipse: {centre: [0.5, 0.4], radii: [0.1, 0.1]}}"


def ask(
    folder: Path,
    frame: str,
    what: str,
    *,
    where: str | None = None,
    must: bool = False,
    by: str | None = None,
    due: str | None = None,
) -> Request:
    """Add one request to a frame's file, and the day by which it is due where one is given.

    ``where`` is a mask in YAML, such as ``EXAMPLE``, or the name of one that the frame, its setup
    or the recipe defines. Asking for the same again adds
    nothing. Raises ``InvalidInput`` where the frame is not known or the file would not be valid;
    nothing is written then.
    """
    from pipeline.files.landing import land

    with Manifest.open(folder, write=True) as manifest:
        states = manifest.frames()
        names = sorted(chosen_frames([frame], states))
        if len(names) != 1:
            found = f"it means {len(names)} frames"
            raise InvalidInput([Problem(frame, 0, "", found, "one frame")])
        (name,) = names
        job = read_job(folder)
        path = folder / "frames" / f"{name}.yaml"
        request: dict[str, Any] = {"what": what}
        if where is not None:
            request["where"] = _mask(where)
        if must:
            request["must"] = True
        if by is not None:
            request["by"] = by
        text = _with_request(path, name, request, due)
        document = yamlfile.parse(text, f"frames/{name}.yaml", folder)
        layers = Layers(job.steps)
        file = layers.checked(document, FrameFile)
        if file is None:
            raise InvalidInput(layers.problems)
        frames = {**job.frames, name: Frame(document, file)}
        asked = replace(job, frames=frames, resolved={}).resolve(name, states[name].setup)
        land(path, text.encode(), folder)
        return asked.retouch.requests[-1]


def _mask(text: str) -> Any:
    """A mask that was written on the command line, in the form that it was written in."""
    if re.fullmatch(NAME_PATTERN, text):
        return {"named": text}
    try:
        value = YAML().load(text)
    except (YAMLError, ValueError, RecursionError):
        value = None
    if not isinstance(value, Mapping):
        found = f"no mask: {text[:MOST_SHOWN]}"
        raise InvalidInput(
            [Problem("--where", 0, "", found, f'the name of a mask, or "{EXAMPLE}"')]
        )
    return value


def _with_request(path: Path, frame: str, request: Mapping[str, Any], due: str | None) -> str:
    """The text of a frame's file with one request more."""
    yaml = YAML()
    yaml.preserve_quotes = True
    yaml.width = 100
    before = path.read_text(encoding="utf-8-sig") if path.exists() else ""
    # lists stay where the person who wrote them likes them: below their key, or in from it
    below = re.search(r"^-", before, re.MULTILINE)
    yaml.indent(mapping=2, sequence=2 if below else 4, offset=0 if below else 2)
    content: MutableMapping[str, Any] = yaml.load(before) or yaml.map()
    content.setdefault("frame", frame)
    retouch = _filled(content, "retouch", yaml.map())
    asked: MutableSequence[Any] = _filled(retouch, "ask", yaml.seq())
    if request not in asked:
        asked.append(dict(request))
    if due is not None:
        retouch["due"] = due
    stream = io.StringIO()
    yaml.dump(content, stream)
    return stream.getvalue()


def _filled(content: MutableMapping[str, Any], key: str, empty: Any) -> Any:
    """What stands under a key; ``empty`` is put there where nothing does."""
    if content.get(key) is None:
        content[key] = empty
    return content[key]
