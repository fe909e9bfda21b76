"""Results in words: tables on a terminal, the same lines into a pipe."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from pipeline.records import Action, Event, FrameState, ResolvedFrame

if TYPE_CHECKING:
    from pipeline.ingest import Ingested
    from pipeline.run import Report
    from pipeline.verify import Finding

EXAMPLES = 4


def _table(headings: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Aligned columns; the last one wraps on a terminal."""
    from rich import box
    from rich.console import Console
    from rich.table import Table

    console = Console()
    if not console.is_terminal:
        for row in rows:
            print("\t".join("" if cell is None else str(cell) for cell in row))
        return
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, header_style="bold")
    for heading in headings:
        table.add_column(heading, no_wrap=heading != headings[-1])
    from rich.text import Text

    for row in rows:
        table.add_row(*(Text("" if cell is None else str(cell)) for cell in row))
    console.print(table)


def _frames(count: int) -> str:
    return f"{count} frame" if count == 1 else f"{count} frames"


def plan(actions: Sequence[Action]) -> None:
    """What would be done; frames that need nothing are counted."""
    work = [action for action in actions if action.action != "nothing"]
    if work:
        _table(
            ("frame", "action", "version", "why"),
            [
                (
                    action.frame,
                    f"{action.action} {action.delivery}" if action.delivery else action.action,
                    f"v{action.version}" if action.version else "",
                    action.reason,
                )
                for action in work
            ],
        )
    reasons = Counter(
        "not selected" if action.reason.startswith("not a select") else
        "rejected" if action.reason == "rejected" else "up to date"
        for action in actions if action.action == "nothing"
    )  # fmt: skip
    idle = [f"{count} {reason}" for reason, count in reasons.items()]
    print("; ".join([f"{len(work)} to do", *idle]) + ".")


def done(report: Report, *, show_details: bool) -> None:
    """What a run did, each failed frame with its reason."""
    for note in report.notes:
        print(note)
    for frame, failure in report.failed.items():
        print(f"{frame}: {failure.sentence}", file=sys.stderr)
        if show_details and failure.details:
            print(failure.details, file=sys.stderr)
    for action in report.untouched:
        if action.action in ("stale", "wait"):
            print(f"{action.frame}: {action.action}: {action.reason}")
    parts = []
    if report.developed:
        parts.append(f"{_frames(len(report.developed))} developed")
    deliveries = Counter(file.delivery for file in report.delivered)
    parts += [f"{name}: {count} files" for name, count in deliveries.items()]
    if report.failed:
        parts.append(f"{len(report.failed)} failed")
    current = sum(
        action.action == "nothing" and action.version is not None for action in report.untouched
    )
    if current or not parts:
        parts.append(f"{current} up to date")
    print("; ".join(parts) + ".")


def as_json(report: Report) -> dict[str, Any]:
    """The same for scripts."""
    return {
        "developed": [
            {
                "frame": version.frame,
                "version": version.number,
                "reason": version.reason,
                "master": version.master.path,
            }
            for version in report.developed
        ],
        "delivered": [
            {
                "frame": file.frame,
                "delivery": file.delivery,
                "version": file.version,
                "path": file.artifact.path,
            }
            for file in report.delivered
        ],
        "failed": [
            {"frame": frame, "reason": failure.sentence} for frame, failure in report.failed.items()
        ],
        "notes": report.notes,
        "seconds": dict(report.seconds),
    }


def status(found: Mapping[str, Any]) -> None:
    """A row for each frame, and the counts."""
    rows = [
        (
            row["frame"],
            row["rating"],
            row["setup"],
            row["burst"],
            row["state"] + (" (stale)" if row["stale"] else ""),
            f"v{row['version']}" if row["version"] else "",
            " ".join(f"{name} v{number}" for name, number in row["delivered"].items()),
            row["problem"] or row["reason"],
        )
        for row in found["frames"]
    ]
    if rows:
        headings = ("frame", "rating", "setup", "burst", "state", "version", "delivered", "why")
        _table(headings, rows)
    counts = [f"{count} {name}" for name, count in found["counts"].items() if count]
    print(f"{found['job']}: {', '.join(counts) or 'no frames yet; safelight ingest SOURCE'}.")


def ingested(result: Ingested) -> None:
    """What came in."""
    for name, reason in result.failed.items():
        print(f"{name}: {reason}", file=sys.stderr)
    parts = [f"{_frames(len(result.new))} copied and verified"]
    if result.known:
        parts.append(f"{len(result.known)} there already")
    if result.failed:
        parts.append(f"{len(result.failed)} failed")
    print("; ".join(parts) + ".")


def verified(files: int, findings: Sequence[Finding]) -> None:
    """What is not as recorded, or that all is."""
    for finding in findings:
        print(f"{finding.frame}: {finding.kind}: {finding.path}: {finding.what}", file=sys.stderr)
    print(f"{files} files read again; {len(findings) or 'none'} not as recorded.")


def frame(resolved: ResolvedFrame, state: FrameState, events: Sequence[Event]) -> None:
    """A frame's chain with the origin of each value, its capture data, and its history."""
    capture = state.original.capture
    facts = [
        capture.taken_at,
        f"{capture.exposure_s:.4g} s" if capture.exposure_s else None,
        f"f/{capture.aperture:g}" if capture.aperture else None,
        f"ISO {capture.iso:g}" if capture.iso else None,
        f"{capture.focal_mm:g} mm" if capture.focal_mm else None,
    ]
    where = [f"rating {state.rating}", resolved.setup, state.burst, f"recipe {resolved.recipe}"]
    print(f"{state.name}  {state.original.path}")
    print("  " + ", ".join(str(fact) for fact in facts if fact))
    print("  " + ", ".join(str(part) for part in where if part))
    print()
    _table(
        ("stage", "step", "value", "written in"),
        [
            (step.stage, step.label, f"{path}: {value}" if path else value, origin)
            for step in resolved.steps
            for path, value, origin in _values(step.parameters, step.origins)
        ],
    )
    print()
    for event in events:
        detail = ", ".join(
            f"{key} {value}" for key, value in event.detail.items()
            if key in ("version", "reason", "delivery", "path", "rating", "problem")
        )  # fmt: skip
        print(f"  {event.at[:19].replace('T', ' ')}  {event.what}  {detail}".rstrip())


def _values(
    parameters: Mapping[str, Any], origins: Mapping[str, Any]
) -> list[tuple[str, Any, Any]]:
    """Every parameter with the origin of its most specific written part."""
    rows: list[tuple[str, Any, Any]] = []

    def walk(value: Any, path: str) -> None:
        if isinstance(value, Mapping):
            for key, item in value.items():
                walk(item, f"{path}.{key}" if path else key)
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            for index, item in enumerate(value):
                walk(item, f"{path}[{index}]")
        else:
            rows.append((path, value, origins.get(path, origins.get("", ""))))

    walk(parameters, "")
    return rows


def frame_as_json(
    resolved: ResolvedFrame, state: FrameState, events: Sequence[Event]
) -> dict[str, Any]:
    """The same for scripts."""
    return {
        "frame": state.name,
        "original": asdict(state.original),
        "rating": state.rating,
        "setup": resolved.setup,
        "burst": state.burst,
        "recipe": resolved.recipe,
        "steps": [
            {
                "stage": step.stage,
                "name": step.label,
                "step": step.step,
                "parameters": step.parameters,
                "origins": {path: str(origin) for path, origin in step.origins.items()},
            }
            for step in resolved.steps
        ],
        "versions": [
            {
                "version": version.number,
                "key": version.key,
                "reason": version.reason,
                "master": version.master.path,
                "made_at": version.made_at,
            }
            for version in state.versions
        ],
        "events": [asdict(event) for event in events],
    }
