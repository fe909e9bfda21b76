"""Results in words: tables on a terminal, the same lines into a pipe."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import printable
from pipeline.history import in_words
from pipeline.moments import time_of
from pipeline.parcel import changes_plainly, counted_changes
from pipeline.records import (
    Action,
    Assessed,
    Event,
    FrameState,
    MeasuredChart,
    ResolvedFrame,
)
from pipeline.wording import counted

if TYPE_CHECKING:
    from pipeline.assess import AssessReport, DustReport
    from pipeline.bagging import Bagged
    from pipeline.contact import Contacted
    from pipeline.ingest import Ingested
    from pipeline.proof.records import ColourReport
    from pipeline.run import Report
    from pipeline.verify import Finding

MOST_UNBROKEN = 16
"""Characters of one word in a table; a longer one may be folded where the terminal is narrow."""

MOST_NAMED = 20
THINGS = {"jpeg": "JPEG", "sidecar": "sidecar", "movie": "movie"}
FOR_A_PERSON = {"stale": "for you to settle", "wait": "waiting"}
"""Actions that Safelight does not take, but a person."""


def table(headings: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Every column into a pipe; on a terminal those that say something, wrapped between words."""
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    cells = [["" if cell is None else str(cell) for cell in row] for row in rows]
    console = Console()
    if not console.is_terminal:
        for line in cells:
            print("\t".join(line))
        return
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False, header_style="bold")
    columns = zip(headings, zip(*cells, strict=True), strict=True)
    shown = {heading: column for heading, column in columns if any(column)}
    for heading, column in shown.items():
        # what cannot be broken between words is never cut off: names are typed from here
        widest = max(len(word) for text in (heading, *column) for word in text.split())
        table.add_column(heading, overflow="fold", min_width=min(widest, MOST_UNBROKEN))
    for row in zip(*shown.values(), strict=True):
        table.add_row(*map(Text, row))
    console.print(table)


def few(names: Sequence[str]) -> str:
    """The first names, and how many more there are."""
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def _idle(action: Action) -> str:
    """Why an action of the kind ``nothing`` is none."""
    if action.reason.startswith("not a select"):
        return "not selected"
    return "rejected" if action.reason == "rejected" else "up to date"


def plan(actions: Sequence[Action]) -> None:
    """What would be done, and what waits for a person; frames that need nothing are counted."""
    worded = [action for action in actions if action.action != "nothing"]
    if worded:
        table(
            ("frame", "action", "version", "why"),
            [
                (
                    action.frame,
                    f"{action.action} {action.delivery}" if action.delivery else action.action,
                    f"v{action.version}" if action.version else "",
                    action.reason,
                )
                for action in worded
            ],
        )
    kinds = Counter[str](action.action for action in worded)
    parts = [f"{len(worded) - sum(kinds[kind] for kind in FOR_A_PERSON)} to do"]
    parts += [f"{kinds[kind]} {text}" for kind, text in FOR_A_PERSON.items() if kinds[kind]]
    idle = Counter(_idle(action) for action in actions if action.action == "nothing")
    parts += [f"{count} {reason}" for reason, count in idle.items()]
    print("; ".join(parts) + ".")


def notes(report: Report) -> None:
    """What is worth a word of the frames that a run did."""
    for chart in report.charts:
        print(_chart(chart))
    for note in report.notes:
        print(note)


def done(report: Report, *, named: bool = False, show_details: bool = False) -> None:
    """What a run did, each failed frame with its reason.

    ``named`` says that a person named the frames, and wants to hear of each that was left out.
    """
    notes(report)
    for frame, failure in report.failed.items():
        print(f"{frame}: {failure.sentence}", file=sys.stderr)
        if show_details and failure.details:
            print(failure.details, file=sys.stderr)
    said = set()
    for action in report.untouched:
        if action.action in FOR_A_PERSON:
            # a delivery that waits for the very thing that its frame waits for says nothing new
            if (action.frame, action.reason) not in said:
                print(f"{action.frame}: {action.action}: {action.reason}")
            said.add((action.frame, action.reason))
        elif named and _idle(action) != "up to date":
            print(f"{action.frame}: left out, {action.reason}")
    parts = report.made
    held = Counter(a.delivery for a in report.untouched if a.action == "wait" and a.delivery)
    parts += [f"{name}: {count} held back" for name, count in held.items()]
    if report.failed:
        parts.append(f"{len(report.failed)} failed")
    current = sum(
        action.action == "nothing" and _idle(action) == "up to date" for action in report.untouched
    )
    if current:
        parts.append(f"{current} up to date")
    _remind(report.reminders)
    if report.page:
        print(f"Shown at {report.page}")
    print(("; ".join(parts) or "nothing to do") + ".")


def _remind(reminders: Sequence[str]) -> None:
    for reminder in reminders:
        say(f"reminder: {reminder}")


def say(line: str) -> None:
    """A line, on a terminal broken between words."""
    from rich.console import Console
    from rich.text import Text

    console = Console()
    if console.is_terminal:
        console.print(Text(line))
    else:
        print(line)


def _chart(chart: MeasuredChart) -> str:
    """What was read from a chart, in a line."""
    fit = chart.correction
    left_out = fit["loo_mean"][str(fit["degree"])]
    return (
        f"chart of {chart.setup} in {chart.frame}: root polynomial of degree {fit['degree']}, "
        f"mean ΔE00 {fit['mean']:.2f}, {left_out:.2f} on patches left out of the fit"
    )


def as_json(report: Report) -> dict[str, Any]:
    """The same for scripts."""
    return {
        "charts": [
            {
                "setup": chart.setup,
                "frame": chart.frame,
                "key": chart.key,
                "correction": dict(chart.correction),
                "warnings": list(chart.warnings),
            }
            for chart in report.charts
        ],
        "developed": [
            {
                "frame": version.frame,
                "version": version.number,
                "reason": version.reason,
                "master": version.master.path,
            }
            for version in report.developed
        ],
        "remade": report.remade,
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
        "page": report.page,
        "reminders": report.reminders,
        "seconds": dict(report.seconds),
    }


def status(found: Mapping[str, Any]) -> None:
    """A row for each frame, the next thing to do on top, and the counts.

    On a terminal each reason and each next step once, with its frames.
    """
    from rich.console import Console

    from pipeline.cli.rounds import requests, retouch
    from pipeline.cli.sorting import shots
    from pipeline.status import by_urgency

    headings = ["frame", "rating", "setup", "burst", "state", "version", "delivered"]
    headings += ["retouch", "why", "next"]
    shown = by_urgency(found["frames"])
    rows = [
        [
            row["frame"],
            row["rating"],
            row["setup"],
            row["burst"],
            row["state"] + (", stale" if row["stale"] else ""),
            f"v{row['version']}" if row["version"] else "",
            " ".join(f"{name} v{number}" for name, number in row["delivered"].items()),
            retouch(row),
            row["problem"] or _reopened(row) or row["reason"],
            row["next"],
        ]
        for row in shown
    ]
    if not Console().is_terminal:
        table(headings, rows)
    elif rows:
        table(headings[:-2], [row[:-2] for row in rows])
        print()
        _once([(row[0], row[-2]) for row in rows])
        _once([(row["frame"], row["next"]) for row in shown if row["step"] != "done"], "next: ")
    for line in requests(shown):
        print(line)
    for sentence in found["hindered"]:
        print(sentence, file=sys.stderr)
    counts = [f"{count} {name}" for name, count in found["counts"].items() if count]
    _remind(found["reminders"])
    print(f"{found['job']}: {', '.join(counts) or 'no frames yet; safelight ingest SOURCE'}.")
    shots(found["shots"])


def _once(pairs: Sequence[tuple[str, str | None]], prefix: str = "") -> None:
    """Each text once, after the frames that it is said of; a frame's own name in it counts not."""
    texts: dict[str, list[str]] = {}
    for name, text in pairs:
        if text:
            texts.setdefault(text.replace(name, "FRAME"), []).append(name)
    for text, frames in texts.items():
        named = text.replace("FRAME", frames[0]) if len(frames) == 1 else text
        print(f"{few(frames)}: {prefix}{named}")


def _reopened(row: Mapping[str, Any]) -> str | None:
    """What was approved and has changed since."""
    approved = row["approved"]
    if not approved or not approved["reopened"]:
        return None
    return f"v{approved['version']} was approved; {approved['reopened']}"


def ingested(result: Ingested, *, in_place: bool = False, second_copy: Path | None = None) -> None:
    """What came in, by a copy or ``in_place``, and what did not."""
    for name, reason in result.failed.items():
        print(reason if reason.startswith(name) else f"{name}: {reason}", file=sys.stderr)
    if result.refusal:
        print(result.refusal, file=sys.stderr)
    for name in result.not_twice[:MOST_NAMED]:
        print(f"{name}: not in the second copy", file=sys.stderr)
    if len(result.not_twice) > MOST_NAMED:
        more = counted(len(result.not_twice) - MOST_NAMED, "more file")
        print(f"and {more} not in the second copy; --json names them.", file=sys.stderr)
    for note in result.notes:
        print(note)
    if result.renamed:
        names = [f"{Path(path).name} is {frame}" for path, frame in result.renamed.items()]
        frames = counted(len(names), "frame")
        print(f"{frames} renamed, the file's name being taken or hard to type: {few(names)}")
    if result.left:
        names = list(result.left)[:3] + ["..."] * (len(result.left) > 3)
        were = "it was" if len(result.left) == 1 else "they were"
        print(f"{counted(len(result.left), 'file')} left where {were}: {', '.join(names)}")
    kinds = Counter(companion.kind for companion in result.along)
    how = "noted where they are" if in_place else "copied and verified"
    along = [f"{number} {THINGS[kind]}{'s' * (number > 1)}" for kind, number in kinds.items()]
    parts = [f"{', '.join([counted(len(result.new), 'frame'), *along])} {how}"]
    if result.known:
        anew = f", {len(result.moved)} of them noted where they are now" if result.moved else ""
        again = f", {len(result.again)} of them copied again" if result.again else ""
        parts.append(f"{len(result.known)} there already{anew}{again}")
    if result.failed:
        parts.append(f"{len(result.failed)} failed")
    if second_copy is not None:
        parts.append(f"{counted(result.copied_twice, 'file')} in {printable(str(second_copy))} too")
    print("; ".join(parts) + ".")


def assessed(found: AssessReport, *, show_details: bool = False) -> None:
    """Every frame with what was measured that is worth a word; the suggested ones are marked."""
    for name, failure in found.failed.items():
        print(f"{name}: {failure.sentence}", file=sys.stderr)
        if show_details and failure.details:
            print(failure.details, file=sys.stderr)
    rows = []
    for name, one in found.frames.items():
        beside = one.figures["beside"]
        place, off = beside["place"], beside["off_stops"]
        rows.append(
            (
                name,
                f"{place} of {beside['of']}" if place else "",
                "" if off is None else f"{round(off, 1) + 0.0:+.1f}",
                "keep" if one.suggested else "",
                "; ".join(one.reasons),
            )
        )
    if rows:
        table(("frame", "sharpness", "stops", "suggested", "why"), rows)
    parts = [f"{counted(len(found.frames), 'frame')}, {found.measured} measured now"]
    keep = sum(one.suggested for one in found.frames.values())
    parts += [f"{keep} suggested to keep"] if keep else []
    parts += [f"{len(found.failed)} failed"] if found.failed else []
    print("; ".join(parts) + ". Ratings are yours: safelight rate.")


def assessed_as_json(found: AssessReport) -> dict[str, Any]:
    """The same for other programs, with all figures (``pipeline.figures.measure``)."""
    return {
        "frames": [
            {"frame": name, **suggested(one), "figures": dict(one.figures)}
            for name, one in found.frames.items()
        ],
        "measured": found.measured,
        "failed": [{"frame": name, "reason": f.sentence} for name, f in found.failed.items()],
    }


def suggested(one: Assessed) -> dict[str, Any]:
    """What an assessment says of a frame, without its figures."""
    return {"suggested": one.suggested, "reasons": list(one.reasons)}


def dust(found: DustReport, *, show_details: bool = False) -> None:
    """Every speck of each body, and what the frames have of them."""
    for name, failure in found.failed.items():
        print(f"{name}: {failure.sentence}", file=sys.stderr)
        if show_details and failure.details:
            print(failure.details, file=sys.stderr)
    for body, specks in found.specks.items():
        names = found.frames[body]
        spotted = sum(bool(found.spots[name]) for name in names)
        if not specks:
            print(f"{body}: no dust in {counted(len(names), 'frame')}.")
            continue
        rows = [
            [
                number,
                f"{100 * speck.x:.1f} % across, {100 * speck.y:.1f} % down",
                f"{200 * speck.radius:.2f} %",
                f"{speck.stops:.2f} stops",
                counted(speck.scenes, "scene"),
                f"{100 * speck.confidence:.0f} %",
            ]
            for number, speck in enumerate(specks, 1)
        ]
        print(f"{body}: dust in {spotted} of {counted(len(names), 'frame')}, places on the sensor:")
        table(("", "place", "width", "depth", "seen in", "confidence"), rows)
    if any(found.specks.values()):
        print("`- spotting: {dust: true}` in a recipe or a frame's file fills them.")


def dust_as_json(found: DustReport) -> dict[str, Any]:
    """The same for other programs; places in shares, radii in percent of the long side."""
    return {
        "bodies": [
            {
                "body": body,
                "frames": list(found.frames[body]),
                "specks": [
                    {**speck._asdict(), "radius": round(100 * speck.radius, 3)} for speck in specks
                ],
            }
            for body, specks in found.specks.items()
        ],
        "frames": [
            {
                "frame": name,
                "spots": [
                    {"at": list(s.at), "radius": s.radius, "confidence": s.confidence}
                    for s in spots
                ],
            }
            for name, spots in found.spots.items()
        ],
        "failed": [{"frame": name, "reason": f.sentence} for name, f in found.failed.items()],
    }


def contact(done: Contacted) -> None:
    """Where the sheet lies, and the frames that have no picture on it."""
    for name, failure in done.failed.items():
        print(f"{name}: {printable(failure.sentence)}", file=sys.stderr)
    pages = counted(done.pages, "page")
    print(f"{counted(done.frames, 'frame')} on {pages} in {done.pdf}")
    if done.png:
        print(f"as pictures: {done.png[0].parent}")


def contact_as_json(done: Contacted) -> dict[str, Any]:
    """The same for scripts."""
    return {
        "pdf": str(done.pdf),
        "pages": done.pages,
        "frames": done.frames,
        "png": [str(path) for path in done.png],
        "failed": [{"frame": k, "reason": v.sentence} for k, v in done.failed.items()],
    }


def packed(done: Bagged) -> None:
    """What was packed and where, what is new in it, and which frames are not inside and why."""
    for change in done.changes:
        if done.made and done.since and change.what != "unchanged":
            print(f"{change.frame}: {change.in_words}")
    for name, reason in done.left_out.items():
        print(f"not inside: {name}: {reason}")
    count = counted(len(done.bag.files), "picture")
    if not done.made:
        print(f"nothing changed since {done.bag.name}: {count} in {done.folder}.")
    elif done.since is None:
        print(f"{done.bag.name}: {count} packed in {done.folder}.")
    else:
        words = counted_changes(done.changes)
        print(f"{done.bag.name}: {count} packed in {done.folder}; since {done.since}: {words}.")
    if done.zip:
        print(f"as one file: {done.zip}")


def packed_as_json(done: Bagged) -> dict[str, Any]:
    """The same for scripts."""
    return {
        "bag": done.folder,
        "made": done.made,
        "zip": done.zip,
        "since": done.since,
        "changes": changes_plainly(done.changes),
        "left_out": [{"frame": k, "reason": v} for k, v in done.left_out.items()],
    }


def verified(files: int, findings: Sequence[Finding]) -> None:
    """What is not as recorded, or that all is."""
    for finding in findings:
        print(f"{finding.frame}: {finding.kind}: {finding.path}: {finding.what}", file=sys.stderr)
    print(f"{counted(files, 'file')} read again; {len(findings) or 'none'} not as recorded.")


def colour(found: ColourReport, page: str, exported: Sequence[Path]) -> None:
    """The colour report in a few rows: charts, then files, then what is not as agreed."""
    from pipeline.proof.report import name_of

    if found.corrections:
        table(
            ("chart", "setup", "before", "after", "90 %", "worst", "left out"),
            [
                (
                    result.correction.frame,
                    result.correction.setup,
                    f"{result.before.mean:.2f}",
                    f"{result.after.mean:.2f}",
                    f"{result.after.p90:.2f}",
                    f"{result.after.max:.2f}",
                    _two(result.correction.held_out_de00),
                )
                for result in found.corrections
            ],
        )
        print()
    rows = [
        (
            name_of(measured),
            result.difference.name,
            f"{result.difference.de00:.2f}",
            f"{result.tolerance:g}",
            "" if result.passed else "over",
        )
        for measured in found.files
        for result in measured.products
    ]
    rows += [
        (name_of(measured), "chart", f"{measured.chart.mean:.2f}", "", measured.file.rendering)
        for measured in found.files
        if measured.chart
    ]
    if rows:
        table(("file", "what", "ΔE00", "tolerance", ""), rows)
        print()
    for failure in found.failures:
        print(failure.sentence, file=sys.stderr)
    for path in exported:
        print(f"written: {path}")
    verdict = "as agreed" if found.passed else f"{counted(len(found.failures), 'thing')} to look at"
    print(f"{found.job}: {counted(len(found.files), 'file')} measured, {verdict}; see {page}.")


def _two(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


def frame(resolved: ResolvedFrame, state: FrameState, events: Sequence[Event]) -> None:
    """A frame's chain with the origin of each value, its capture data, and its history."""
    capture = state.original.capture
    where = [
        f"rating {state.rating}",
        f"setup {resolved.setup}" if resolved.setup else None,
        state.burst,
        f"recipe {resolved.recipe}",
    ]
    print(f"{state.name}  {state.original.path}")
    print("  " + ", ".join(fact for fact in (capture.taken_at, capture.exposure) if fact))
    print("  " + ", ".join(str(part) for part in where if part))
    print()
    table(
        ("stage", "step", "value", "written in"),
        [
            (step.stage, step.label, _written(path, value), origin)
            for step in resolved.steps
            for path, value, origin in _values(step.parameters, step.origins)
        ],
    )
    print()
    for event in events:
        print(f"  {time_of(event.at)}  {in_words(event)}")


def _written(path: str, value: Any) -> str:
    """A parameter as a person would write it in a file."""
    text = str(value).lower() if isinstance(value, bool) else str(value)
    return f"{path}: {text}" if path else text


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
