"""Coming down to the selects, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from pipeline.cli.report import few, say, table
from pipeline.records import Capture
from pipeline.wording import counted

if TYPE_CHECKING:
    from pipeline.assigning import Assigned
    from pipeline.proposing import Proposed

HEADINGS = (
    *("frame", "rating", "state", "setup", "burst", "taken at", "camera", "lens", "exposure"),
    *("shots", "assessed"),
)


def frames(rows: Sequence[Mapping[str, Any]]) -> None:
    """A line for each frame that is meant, and how many they are."""
    if rows:
        table(HEADINGS, [_cells(row) for row in rows])
    print(f"{counted(len(rows), 'frame')}.")


def _cells(row: Mapping[str, Any]) -> list[object]:
    suggested = {True: "suggested", False: "not suggested", None: ""}
    settings = {name: row[name] for name in ("iso", "exposure_s", "aperture", "focal_mm")}
    return [
        row["frame"],
        row["rating"],
        row["state"] + (", stale" if row["stale"] else ""),
        row["setup"],
        row["burst"],
        row["taken_at"],
        row["camera"],
        row["lens"],
        Capture(**settings).exposure,
        " ".join(row["shot"]),
        "a chart" if row["chart"] else suggested[row["suggested"]],
    ]


def setups(found: Proposed) -> None:
    """Each setup that could be and why, or the file that it was written into."""
    if found.setups:
        table(
            ("setup", "frames", "count", "from", "to", "light", "chart", "why"),
            [
                (
                    proposal.name,
                    " ".join(proposal.patterns),
                    len(proposal.group.frames),
                    proposal.group.first_at[:16],
                    proposal.group.last_at[:16],
                    proposal.light,
                    few(proposal.charts) if proposal.charts else "",
                    proposal.why,
                )
                for proposal in found.setups
            ],
        )
    for frame, reason in found.left_out.items():
        print(f"{frame}: left out, {reason}")
    for setup, charts in found.charts.items():
        verb = "show" if len(charts) > 1 else "shows"
        print(f"{setup}: {few(charts)} {verb} a chart, and its file names none")
    if found.unknown:
        count = counted(found.unknown, "frame")
        print(f"In {count} nobody has looked for a chart: safelight assess does.")
    written = [proposal.written for proposal in found.setups if proposal.written]
    if written:
        print(f"written: {', '.join(written)}. Name each for its light.")
    elif found.setups:
        print(f"{counted(len(found.setups), 'setup')} proposed; --write makes their files.")
    else:
        print("Nothing to propose: no frame is without a setup.")


def setups_as_json(found: Proposed) -> dict[str, Any]:
    """The same for scripts."""
    return {
        "setups": [
            {
                "setup": proposal.name,
                "frames": list(proposal.group.frames),
                "patterns": list(proposal.patterns),
                "from": proposal.group.first_at,
                "to": proposal.group.last_at,
                "exposure_value": proposal.group.exposure_value,
                "balance_stops": proposal.group.balance_stops,
                "why": proposal.group.why,
                "beside": list(proposal.beside),
                "charts": list(proposal.charts),
                "written": proposal.written,
            }
            for proposal in found.setups
        ],
        "left_out": [{"frame": k, "reason": v} for k, v in found.left_out.items()],
        "charts": {setup: list(frames) for setup, frames in found.charts.items()},
        "unknown": found.unknown,
    }


def assigned(shot: str, done: Assigned, *, remove: bool) -> None:
    """Which frames serve a shot now, or no longer."""
    for warning in done.warnings:
        print(f"warning: {warning}")
    verb = "serve" if len(done.frames) > 1 else "serves"
    no_longer = " no longer" if remove else ""
    print(f"{few(done.frames)}{no_longer} {verb} {shot}.")


def shots(rows: Sequence[Mapping[str, Any]]) -> None:
    """What of the shot list is still owed, and what about it is odd."""
    for row in rows:
        wanted = ", ".join(filter(None, (row["product"], row["use"])))
        if row["missing"]:
            others = f"; no select: {few(row['others'])}" if row["others"] else ""
            of = f"{len(row['selects'])} of {counted(row['count'], 'select')}"
            say(f"shot {row['shot']}{f' ({wanted})' if wanted else ''}: {of}{others}")
        for warning in row["warnings"]:
            say(f"shot {row['shot']}: {warning}")
