"""Sets right what bodies' clocks noted: one offset for each body, from job.yaml.

The manifest keeps what the camera noted; whoever reads capture times corrects them here first.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta

from pipeline.records import Capture, FrameState

OFFSET = re.compile(r"([+-])(\d{1,6}):([0-5]\d):([0-5]\d)")


def seconds_of(offset: str) -> int:
    """The seconds to add to a clock, of ``+00:03:12``: a sign, hours, minutes, seconds.

    Raises ``ValueError`` in words.
    """
    found = OFFSET.fullmatch(offset)
    if found is None:
        raise ValueError("a sign, hours, minutes and seconds, such as +00:03:12 or -01:00:00")
    hours, minutes, seconds = map(int, found.groups()[1:])
    return (-1 if found[1] == "-" else 1) * (3600 * hours + 60 * minutes + seconds)


def body_of(capture: Capture, clocks: Iterable[str]) -> str | None:
    """The entry of job.yaml's clocks that is about the body: its serial number, or its name."""
    names = {name.casefold(): name for name in clocks}
    for said in (capture.serial, capture.camera):
        if said is not None and said.casefold() in names:
            return names[said.casefold()]
    return None


def corrected(capture: Capture, clocks: Mapping[str, str]) -> Capture:
    """What was noted, its time moved by the offset of its body; fraction and zone stay."""
    body = body_of(capture, clocks)
    if body is None or capture.taken_at is None:
        return capture
    written, rest = capture.taken_at[:19], capture.taken_at[19:]
    try:
        moved = datetime.fromisoformat(written) + timedelta(seconds=seconds_of(clocks[body]))
    except (ValueError, OverflowError):  # no calendar has that time
        return capture
    return replace(capture, taken_at=moved.isoformat() + rest)


def on_time(
    states: Mapping[str, FrameState], clocks: Mapping[str, str]
) -> Mapping[str, FrameState]:
    """Every frame with its capture time corrected."""
    if not clocks:
        return states
    return {
        name: replace(
            state,
            original=replace(state.original, capture=corrected(state.original.capture, clocks)),
        )
        for name, state in states.items()
    }


def unknown(clocks: Iterable[str], captures: Iterable[Capture]) -> dict[str, str]:
    """Entries that are about none of the bodies, and the bodies that there are, in words."""
    bodies = list(captures)
    met = {body_of(capture, clocks) for capture in bodies}
    names = sorted({f"{each.camera or '?'} ({each.serial or 'no number'})" for each in bodies})
    return {name: ", ".join(names[:5]) for name in clocks if name not in met}
