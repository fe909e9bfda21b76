"""The retouch round trip in words."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, TextIO

from pipeline.cli.report import as_json, few, table
from pipeline.errors import InvalidInput, Problem, printable
from pipeline.history import SETTLED, in_words
from pipeline.moments import day_of, time_of
from pipeline.records import Event
from pipeline.wording import counted, shown

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.accounts import RetoucherAccount, RoundAccount
    from pipeline.handoff import HandedOff
    from pipeline.retouch import Decided, TakenBack, Verdict

OUTCOMES = {
    "accepted": "taken back",
    "known": "taken back already",
    "asked": "waits for your word; --accept takes it",
    "refused": "refused",
}


def _say(text: str, stream: TextIO | None = None) -> None:
    """A line, with whatever a terminal would obey written out: names of files come from outside."""
    print(printable(text), file=stream or sys.stdout)


def retouch(row: Mapping[str, Any]) -> str:
    """Of a row of the status: with whom a frame is and until when, or what has to go out."""
    known = row["retouch"]
    if known is None:
        return ""
    due = f", due {known['due']}" if known["due"] else ""
    if known["since"]:
        late = ", overdue" if known["overdue"] else ""
        return f"round {row['round']}, with {known['to']} since {day_of(known['since'])}{due}{late}"
    waiting = sum(request["stands"] == "to hand off" for request in known["requests"])
    back = f"round {row['round']}, back from {known['to']}" if known["to"] else ""
    to_go = f"{counted(waiting, 'request')} to hand off{due}" if waiting else ""
    return "; ".join(part for part in (back, to_go) if part)


def requests(rows: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """A line for each request that is out or has to go out, and where it was written."""
    for row in rows:
        for request in row["retouch"]["requests"] if row["retouch"] else ():
            if request["stands"] == "back":
                continue
            must = " (must)" if request["must"] else ""
            written = f" ({request['written']})" if request["written"] else ""
            place = f"{row['frame']} {request['number']}"
            by = f" asked by {request['by']}" if request["by"] else ""
            yield f"{place}: {request['what']}{must}{by}: {request['stands']}{written}"


def handed_off(done: HandedOff) -> None:
    """What went out, and what did not."""
    for note in done.notes:
        _say(note)
    for name, failure in done.failed.items():
        _say(f"{name}: {failure.sentence}", sys.stderr)
    if done.round is None:
        _say("nothing was handed off." if done.failed else "nothing has to be handed off.")
        return
    names = few([handoff.frame for handoff in done.sent])
    due = f", due {done.round.due}" if done.round.due else ""
    failed = f"; {len(done.failed)} failed" if done.failed else ""
    _say(f"round {done.round.number} for {done.round.to}{due}: {names}{failed}.")
    _say(f"all that is needed lies in {done.folder}")


def handed_off_as_json(done: HandedOff) -> dict[str, Any]:
    """The same for scripts."""
    return {
        "round": done.round.number if done.round else None,
        "folder": done.folder,
        "sent": [
            {
                "frame": handoff.frame,
                "version": handoff.version,
                "path": handoff.sent.path,
                "due": handoff.due,
                "requests": [asdict(request) for request in handoff.requests],
            }
            for handoff in done.sent
        ],
        "failed": [{"frame": k, "reason": v.sentence} for k, v in done.failed.items()],
        "notes": done.notes,
    }


def taken_back(done: TakenBack) -> None:
    """Every file with what became of it and what was found; then the versions made of them."""
    for verdict in done.verdicts:
        _verdict(verdict)
    if done.ignored:
        _say(f"left aside, no TIFF: {few(done.ignored)}")
    for version in done.developed.developed:
        _say(f"{version.frame}: v{version.number}, {version.reason}")
    for name, failure in done.developed.failed.items():
        _say(f"{name}: {failure.sentence}", sys.stderr)
    _say(f"{done.said}.")


def _verdict(verdict: Verdict) -> None:
    examined = verdict.examination
    stream = sys.stdout if verdict.outcome in ("accepted", "known") else sys.stderr
    matched = f" is {examined.frame}, round {examined.round}" if examined.frame else ""
    matched += f" (by its {examined.how})" if examined.how else ""
    _say(f"{examined.path}{matched}: {OUTCOMES[verdict.outcome]}", stream)
    for finding in verdict.findings:
        _say(f"  {finding.sentence}", stream)
    if changed := figures(examined.figures):
        _say(f"  {changed}", stream)
    if verdict.returned and verdict.returned.picture:
        _say(f"  what changed: {verdict.returned.picture.path}", stream)


def figures(measured: Mapping[str, Any]) -> str:
    """How much changed of what came back, and where; empty where nothing was compared."""
    parts = []
    if measured.get("changed") is not None:
        parts.append(f"{measured['changed']:.2%} of the pixels changed")
    most = measured.get("most")
    if most is not None and most != measured["changed"]:
        parts.append(f"{most:.2%} clearly more than the rest" if most else "all about as much")
    if measured.get("outside") is not None and most != 0:
        parts.append(f"{measured['outside']:.1%} of those outside what was asked")
    return ", ".join(parts)


def taken_back_as_json(done: TakenBack) -> dict[str, Any]:
    """The same for scripts."""
    developed = as_json(done.developed)
    return {
        "files": [_verdict_as_json(verdict) for verdict in done.verdicts],
        "ignored": done.ignored,
        "developed": developed["developed"],
        "failed": developed["failed"],
    }


def _verdict_as_json(verdict: Verdict) -> dict[str, Any]:
    examined, returned = verdict.examination, verdict.returned
    return {
        "path": str(examined.path),
        "frame": examined.frame,
        "round": examined.round,
        "matched": examined.how,
        "outcome": verdict.outcome,
        "findings": [asdict(finding) for finding in verdict.findings],
        "figures": dict(examined.figures),
        "kept": returned.file.path if returned else None,
        "picture": returned.picture.path if returned and returned.picture else None,
    }


def decided(done: Decided, how: str) -> None:
    """What was decided, what is shown first, and what follows."""
    for name, findings in done.findings.items():
        for finding in findings:
            _say(f"{name}: {finding.sentence}")
    for name, path in done.shown.items():
        _say(f"{name}: look at {path}")
    for name in done.nothing:
        _say(f"{name}: nothing to settle")
    for name, failure in (done.failed | done.developed.failed).items():
        _say(f"{name}: {failure.sentence}", sys.stderr)
    for settled in done.settled:
        words = SETTLED[settled.how].format(round=settled.round)
        _say(f"{settled.frame}: {words}")
    for version in done.developed.developed:
        _say(f"{version.frame}: v{version.number}, {version.reason}")
    if how == "carry" and done.shown and not done.settled:
        _say("nothing counts yet: the same with --accept makes it so.")


def history(events: Sequence[Event]) -> None:
    """A frame's story, oldest first."""
    for event in events:
        _say(f"{time_of(event.at)}  {in_words(event)}")


def accounts(rounds: Sequence[RoundAccount], retouchers: Sequence[RetoucherAccount]) -> None:
    """A row for each round, then one for each retoucher."""
    if not rounds:
        _say("nothing was handed off yet.")
        return
    headings = ("round", "retoucher", "handed off", "due", "frames", "back", "out", "withdrawn")
    table(
        (*headings, "late", "days out", "rounds needed"),
        [
            (
                row.round,
                row.retoucher,
                day_of(row.handed_off),
                row.due,
                row.frames,
                row.back,
                row.out,
                row.withdrawn,
                row.late,
                f"{row.days_out:.1f}",
                f"{row.rounds_needed:.1f}",
            )
            for row in rounds
        ],
    )
    print()
    table(
        ("retoucher", "rounds", "frames", "out", "late", "days out", "rounds needed"),
        [
            (
                row.retoucher,
                row.rounds,
                row.frames,
                row.out,
                row.late,
                f"{row.days_out:.1f}",
                f"{row.rounds_needed:.1f}",
            )
            for row in retouchers
        ],
    )


def write_csv(path: Path, text: str) -> None:
    """Write a table where a person wants it; only ever over an earlier table."""
    from pipeline.files.landing import land

    if path.suffix.lower() != ".csv" or (path.exists() and not path.is_file()):
        found = f"the name {shown(str(path))}"
        raise InvalidInput([Problem("--csv", 0, "", found, "a file that ends in .csv")])
    land(path, text.encode(), path.parent)
