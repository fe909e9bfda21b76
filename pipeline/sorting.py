"""What is known of every frame, and which frames a person means by names or by a condition."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, get_args

from pipeline.conditions import RATING, Condition, Field, NotUnderstood
from pipeline.errors import InvalidInput, Problem
from pipeline.manifest import Manifest
from pipeline.records import Assessed, State
from pipeline.shots import shots_of
from pipeline.survey import Survey, chosen_frames, survey

NUMBER, TEXT, FLAG = Field("number"), Field("text"), Field("flag")
FIELDS = {
    "frame": TEXT,
    "rating": RATING,
    "state": Field("word", words=get_args(State)),
    "setup": TEXT,
    "burst": TEXT,
    "taken_at": Field("time"),
    "camera": TEXT,
    "lens": TEXT,
    "iso": NUMBER,
    "exposure_s": NUMBER,
    "aperture": NUMBER,
    "focal_mm": NUMBER,
    "stale": FLAG,
    "approved": FLAG,
    "shot": Field("text", several=True),
    "chart": FLAG,
    "suggested": FLAG,
    "burst.sharpest": FLAG,
}
"""What a condition may ask. ``chart`` is whether the frame shows one; it and the last two are
unknown of frames that were not assessed, and the last one of those that are in no burst."""


def frames_meant(
    folder: Path, manifest: Manifest, named: Sequence[str] = (), where: str | None = None
) -> list[dict[str, Any]]:
    """The frames that are named, by default all, and of those the ones that ``where`` holds for.

    A row for each, by name: a value for each of ``FIELDS``, and ``original``, where its file lies.
    Raises ``InvalidInput``.
    """
    condition = parsed(where) if where is not None else None
    found = survey(folder, manifest)
    chosen = chosen_frames(named, found.states) if named else found.states.keys()
    rows = [row for row in _known(folder, manifest, found) if row["frame"] in chosen]
    return [row for row in rows if condition is None or condition.holds(row)]


def parsed(where: str) -> Condition:
    """A condition that was written on the command line; ``InvalidInput`` says what is wrong."""
    try:
        return Condition.parse(where, FIELDS)
    except NotUnderstood as error:
        at = f"column {error.column}"
        raise InvalidInput([Problem("--where", 0, at, error.found, error.allowed)]) from None


def _known(folder: Path, manifest: Manifest, found: Survey) -> list[dict[str, Any]]:
    assessed = manifest.assessed()
    rows = []
    for row in found.status["frames"]:
        state = found.states[row["frame"]]
        capture = state.original.capture
        said = assessed.get(state.name)
        known = {
            "frame": state.name,
            **{name: row[name] for name in ("rating", "state", "setup", "burst", "stale")},
            **{name: getattr(capture, name) for name in ("taken_at", "camera", "lens", "iso")},
            **{name: getattr(capture, name) for name in ("exposure_s", "aperture", "focal_mm")},
            "approved": state.approved_version is not None,
            "shot": shots_of(found.job, state.name),
            "chart": said.figures.get("chart") if said else None,
            "suggested": said.suggested if said else None,
            "burst.sharpest": _is_sharpest(said),
        }
        in_order = {name: known[name] for name in FIELDS}
        rows.append({**in_order, "original": str(folder / state.original.path)})
    return rows


def _is_sharpest(said: Assessed | None) -> bool | None:
    """Whether the assessment found a frame to be the sharpest of its burst."""
    beside = said.figures.get("beside") if said else None
    return beside["place"] == 1 if beside and beside["place"] else None
