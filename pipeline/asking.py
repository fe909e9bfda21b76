"""Writes what is asked of the retoucher into a frame's file."""

from __future__ import annotations

import re
from collections.abc import Mapping, MutableSequence
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from pipeline.errors import InvalidInput, Problem
from pipeline.framefile import Content, changed, filled, frame_path
from pipeline.manifest import Manifest
from pipeline.masking import NAME_PATTERN
from pipeline.records import Request
from pipeline.rounds import open_requests, retouch_of
from pipeline.survey import chosen_frames, read_job

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
    or the recipe defines. Asking for the same again adds nothing. Raises ``InvalidInput`` where the
    frame is not known, the file would not be valid, or the same came back already, and would not
    go out again; nothing is written then.
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
        request: dict[str, Any] = {"what": what}
        if where is not None:
            request["where"] = _mask(where)
        if must:
            request["must"] = True
        if by is not None:
            request["by"] = by

        from_last = 1

        def change(content: Content) -> None:
            nonlocal from_last
            retouch = filled(content, "retouch", {})
            asked: MutableSequence[Any] = filled(retouch, "ask", [])
            if request not in asked:
                asked.append(request)
            from_last = len(asked) - asked.index(request)
            if due is not None:
                retouch["due"] = due

        text, later = changed(folder, job, name, change)
        # what the setup asks comes before
        asked = later.resolve(name, states[name].setup).retouch.requests[-from_last]
        back = retouch_of(states[name].trips).back
        if back and not open_requests([asked], back.handled):
            found = f'"{what}" came back in round {back.of.round} already'
            allowed = f"other words; or safelight settle {name} --again, which sends all out again"
            raise InvalidInput([Problem(name, 0, "", found, allowed)])
        land(frame_path(folder, name), text.encode(), folder)
        return asked


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
