"""Proposes setups: frames shot under one light, by what the cameras noted of time and light.

A pure function on capture data; it opens nothing and looks at no pixels. All is a proposal.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from statistics import median

from pipeline.records import Capture

MOST_GAP_S = 600
"""Ours: within ten minutes lights are nudged, not rebuilt, and a longer pause in the frames is
looked at by the person anyway. Too many groups are put together faster than one is taken apart."""
MOST_STOPS = 1.5
"""Of exposure value, ours: a bracket's or a hand's one stop is no other light; two stops are."""
MOST_BALANCE_STOPS = 0.25
"""Of red against blue, ours: what automatic white balance wanders from frame to frame stays
below; from daylight to tungsten it is more than a stop."""
LASTS = 3
"""Frames for which a change has to last, and that have to lie before it, ours: a test, a slip or a
bracket is shorter."""


@dataclass(frozen=True, slots=True)
class Group:
    """Frames under one light, in the order of time, and why they begin where they do.

    ``exposure_value`` is the median for ISO 100; ``balance_stops`` that of the as-shot red against
    blue, higher under bluer light. None where no frame notes it.
    """

    frames: tuple[str, ...]
    first_at: str
    last_at: str
    why: str
    exposure_value: float | None
    balance_stops: float | None


@dataclass(frozen=True, slots=True)
class _Taken:
    name: str
    said: str
    at: datetime
    body: tuple[str | None, str | None]
    light: Mapping[str, float | None]


def exposure_value(capture: Capture) -> float | None:
    """For ISO 100: log2(N² / t) - log2(S / 100), exposure value as in ISO 2720; None if unknown."""
    if not (capture.aperture and capture.exposure_s and capture.iso):
        return None
    return math.log2(capture.aperture**2 / capture.exposure_s) - math.log2(capture.iso / 100)


def balance_stops(capture: Capture) -> float | None:
    """As-shot gain of red over that of blue, in stops: the bluer the light, the higher."""
    if not (capture.as_shot_red and capture.as_shot_blue):
        return None
    return math.log2(capture.as_shot_red / capture.as_shot_blue)


def groups_of(captures: Mapping[str, Capture]) -> tuple[list[Group], list[str]]:
    """Groups in the order of time, and the frames whose time nobody noted.

    A group ends with a pause of more than ``MOST_GAP_S``, or where exposure value or balance of one
    body's next ``LASTS`` frames all lie on one side of what the group's median is, by more than
    ``MOST_STOPS`` or ``MOST_BALANCE_STOPS``.
    """
    taken = sorted(_noted(captures), key=lambda each: (each.at, each.name))
    groups = []
    for why, stretch in _by_pauses(taken):
        for reason, group in _by_light(stretch):
            groups.append(_group(group, reason or why))
    known = {each.name for each in taken}
    return groups, [name for name in captures if name not in known]


def _noted(captures: Mapping[str, Capture]) -> Iterator[_Taken]:
    times: dict[str, datetime] = {}
    for name, capture in captures.items():
        try:
            times[name] = datetime.fromisoformat(capture.taken_at or "")
        except ValueError:
            continue
    if not all(at.tzinfo for at in times.values()):  # then only what the clocks showed compares
        times = {name: at.replace(tzinfo=None) for name, at in times.items()}
    for name, at in times.items():
        capture = captures[name]
        light = {"exposure": exposure_value(capture), "balance": balance_stops(capture)}
        body = (capture.camera, capture.serial)
        yield _Taken(name, capture.taken_at or "", at, body, light)


def _by_pauses(taken: Sequence[_Taken]) -> Iterator[tuple[str, list[_Taken]]]:
    why, stretch = "the first frames", list(taken[:1])
    for before, after in pairwise(taken):
        pause = (after.at - before.at).total_seconds()
        if pause > MOST_GAP_S:
            yield why, stretch
            why, stretch = f"{_lasting(pause)} after {before.name}", []
        stretch.append(after)
    if stretch:
        yield why, stretch


def _by_light(stretch: Sequence[_Taken]) -> Iterator[tuple[str, list[_Taken]]]:
    why, group = "", list[_Taken]()
    for place, shot in enumerate(stretch):
        reason = _other_light(group, stretch[place:])
        if reason:
            yield why, group
            why, group = f"{reason} than before {shot.name}", []
        group.append(shot)
    yield why, group


def _other_light(group: Sequence[_Taken], coming: Sequence[_Taken]) -> str | None:
    """How the light of the frames to come differs from the group's, where that lasts."""
    body = coming[0].body
    ahead = [shot for shot in coming if shot.body == body][:LASTS]
    behind = [shot for shot in group if shot.body == body]
    words = []
    for kind, most, up, down in (
        ("balance", MOST_BALANCE_STOPS, "bluer", "redder"),
        ("exposure", MOST_STOPS, "brighter", "darker"),
    ):
        before = [value for shot in behind if (value := shot.light[kind]) is not None]
        after = [value for shot in ahead if (value := shot.light[kind]) is not None]
        if len(before) < LASTS or len(after) < LASTS:
            continue
        changes = [value - median(before) for value in after]
        if min(changes) > most or max(changes) < -most:
            way = up if changes[0] > 0 else down
            words.append(f"{abs(median(changes)):.1f} stops {way}")
    return " and ".join(words) or None


def _group(shots: Sequence[_Taken], why: str) -> Group:
    middle = {}
    for kind in ("exposure", "balance"):
        values = [value for shot in shots if (value := shot.light[kind]) is not None]
        middle[kind] = round(median(values), 2) if values else None
    names = tuple(shot.name for shot in shots)
    first, last = shots[0].said, shots[-1].said
    return Group(names, first, last, why, middle["exposure"], middle["balance"])


def _lasting(seconds: float) -> str:
    """``12 minutes``, ``3 hours``, ``2 days``: a pause as a person says it."""
    for length, unit in ((86_400, "days"), (3_600, "hours")):
        if seconds >= 2 * length:
            return f"{seconds / length:.0f} {unit}"
    return f"{seconds / 60:.0f} minutes"
