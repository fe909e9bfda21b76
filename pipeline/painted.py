"""Whether painted masks fit the frames that they are for: said before anything runs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from pipeline.errors import Problem
from pipeline.masking import Mask, fits
from pipeline.records import Capture, FrameState, Origin, ResolvedFrame
from pipeline.yamlfile import dotted


def check_painted(
    frames: Iterable[ResolvedFrame],
    states: Mapping[str, FrameState],
    files: Mapping[str, Path],
) -> list[Problem]:
    """Painted masks that are none, or that have another ratio of sides than a frame of theirs.

    ``files`` maps each path that a mask names to where it lies. Only headers are read.
    """
    problems: dict[tuple[str, str], Problem] = {}
    sizes: dict[str, tuple[int, int] | str] = {}
    for frame in frames:
        upright = _upright(states[frame.frame].original.capture)
        for path, where, origin in _painted(frame):
            if path not in sizes:
                sizes[path] = _size(files[path])
            size = sizes[path]
            if isinstance(size, str):
                problems.setdefault((path, ""), _problem(origin, where, f"{path}: {size}"))
            elif upright and not fits(size, upright):
                found = (
                    f"{path} has {size[1]} × {size[0]} pixels, {frame.frame} has {upright[1]} × "
                    f"{upright[0]}"
                )
                key = (path, f"{upright}")
                problems.setdefault(
                    key, _problem(origin, where, found, "a mask of the frame's aspect ratio")
                )
    return list(problems.values())


def _problem(origin: Origin, where: str, found: str, allowed: str = "") -> Problem:
    return Problem(origin.file, origin.line, where, found, allowed)


def _size(path: Path) -> tuple[int, int] | str:
    from pipeline.files.painted import painted_size

    try:
        return painted_size(path)
    except (ValueError, OSError) as error:
        return str(error)


def _upright(capture: Capture) -> tuple[int, int] | None:
    """Height and width of the upright frame, where the camera noted them."""
    if capture.height is None or capture.width is None:
        return None
    turned = capture.orientation >= 5
    return (capture.width, capture.height) if turned else (capture.height, capture.width)


def _painted(frame: ResolvedFrame) -> Iterator[tuple[str, str, Origin]]:
    """Each painted file of a frame, in which mask, and where that was written."""
    masks = [
        (step.label, step.parameters["mask"], step.origins)
        for step in frame.steps
        if step.stage == "local"
    ]
    masks += [(product.name, product.where, product.origins) for product in frame.products]
    for name, plain, origins in masks:
        yield from _painted_in(plain, name, "mask", origins)
    for index, request in enumerate(frame.retouch.requests):
        if request.where is not None:
            where, origins = f"ask[{index}].where", frame.retouch.origins
            yield from _painted_in(request.where, "retouch", where, origins)


def _painted_in(
    plain: Mapping[str, Any], name: str, root: str, origins: Mapping[str, Origin]
) -> Iterator[tuple[str, str, Origin]]:
    for place, mask in Mask.model_validate(plain).walk((root,)):
        if mask.painted is not None:
            at = dotted((*place, "painted"))
            yield mask.painted, f"{name}.{at}", origins.get(at) or origins.get(root) or origins[""]
