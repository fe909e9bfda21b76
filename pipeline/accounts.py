"""What each round and each retoucher came to: frames, days out, rounds needed.

Pure: counts records; opens nothing.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from typing import Any

from pipeline.moments import day_of
from pipeline.records import FrameState, Handoff, Returned, Round, Withdrawn
from pipeline.rounds import retouch_of

SECONDS_A_DAY = 86400
ACTIVE_IN_A_SHEET = ("=", "+", "-", "@", "\t", "\r")
"""A cell that begins so is a formula to spreadsheets (OWASP, CSV injection)."""


@dataclass(frozen=True, slots=True)
class RoundAccount:
    """One round: how many frames went, came back, are out still, or are waited for no more.

    ``days_out`` is the mean over its frames, up to now for those that are out; ``late`` how many
    came, or are, beyond their day. ``rounds_needed`` is the mean number of rounds that its frames
    have been through with this retoucher, up to this one.
    """

    round: int
    retoucher: str
    handed_off: str
    due: str | None
    frames: int
    back: int
    out: int
    withdrawn: int
    late: int
    days_out: float
    rounds_needed: float


@dataclass(frozen=True, slots=True)
class RetoucherAccount:
    """All of one retoucher's rounds together; ``frames`` counts each frame once."""

    retoucher: str
    rounds: int
    frames: int
    out: int
    late: int
    days_out: float
    rounds_needed: float


@dataclass(frozen=True, slots=True)
class _Leg:
    """One frame in one round."""

    handoff: Handoff
    back: str | None
    out: bool
    days: float
    nth: int
    now: str

    @property
    def late(self) -> bool:
        """Whether it came, or is still out, beyond its day."""
        until = self.back or (self.now if self.out else None)
        return bool(until and self.handoff.due and day_of(until) > self.handoff.due)


def accounts(
    states: Mapping[str, FrameState], rounds: Sequence[Round], now: str
) -> tuple[list[RoundAccount], list[RetoucherAccount]]:
    """Both accounts, as of ``now`` (ISO 8601)."""
    legs = [leg for state in states.values() for leg in _legs(state, now)]
    by_round = []
    for each in rounds:
        own = [leg for leg in legs if leg.handoff.round == each.number]
        back = sum(leg.back is not None for leg in own)
        out = sum(leg.out for leg in own)
        by_round.append(
            RoundAccount(
                each.number,
                each.to,
                each.at,
                each.due,
                len(own),
                back,
                out,
                len(own) - back - out,
                sum(leg.late for leg in own),
                _mean([leg.days for leg in own]),
                _mean([leg.nth for leg in own]),
            )
        )
    by_retoucher = []
    for to in dict.fromkeys(each.to for each in rounds):
        own = [leg for leg in legs if leg.handoff.to == to]
        last = {leg.handoff.frame: leg.nth for leg in own}
        by_retoucher.append(
            RetoucherAccount(
                to,
                len({leg.handoff.round for leg in own}),
                len(last),
                sum(leg.out for leg in own),
                sum(leg.late for leg in own),
                _mean([leg.days for leg in own]),
                _mean(list(last.values())),
            )
        )
    return by_round, by_retoucher


def _legs(state: FrameState, now: str) -> Iterator[_Leg]:
    """A frame's rounds in order. A hand-off that was withdrawn or superseded ends there."""
    out = retouch_of(state.trips).out
    nth: dict[str, int] = {}
    for index, trip in enumerate(state.trips):
        if not isinstance(trip, Handoff):
            continue
        later = state.trips[index + 1 :]
        back = next(
            (t.at for t in later if isinstance(t, Returned) and t.round == trip.round), None
        )
        ended = next(
            (
                t.at
                for t in later
                if (isinstance(t, Withdrawn) and t.round == trip.round) or isinstance(t, Handoff)
            ),
            None,
        )
        is_out = out is not None and out.handoff.round == trip.round
        until = back or (now if is_out else ended) or trip.at
        nth[trip.to] = nth.get(trip.to, 0) + 1
        yield _Leg(trip, back, is_out, _days(trip.at, until), nth[trip.to], now)


def _days(start: str, end: str) -> float:
    seconds = (datetime.fromisoformat(end) - datetime.fromisoformat(start)).total_seconds()
    return max(0.0, seconds / SECONDS_A_DAY)


def _mean(values: Sequence[float]) -> float:
    return round(sum(values) / len(values), 2) if values else 0.0


def to_csv(rows: Sequence[RoundAccount]) -> str:
    """The rounds as CSV (RFC 4180), a heading first."""
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow(field.name for field in fields(RoundAccount))
    for row in rows:
        writer.writerow([_inert(value) for value in asdict(row).values()])
    return stream.getvalue()


def _inert(value: Any) -> Any:
    active = isinstance(value, str) and value.startswith(ACTIVE_IN_A_SHEET)
    return f"'{value}" if active else value
