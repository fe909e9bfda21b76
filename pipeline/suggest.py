"""What the figures of frames say beside each other: which of a burst to keep, what to look at.

Pure, and in plain words. Suggests and never decides: a rating is given by a person.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from pipeline.figures import COLOURS
from pipeline.kernels.blur import Focus, sharpness

# what follows is ours, no source
LEAST_SHARE = 0.01
"""Of the frame, clipped or blocked, that is worth a word."""
LEAST_STOPS = 0.5
LEAST_TILT_DEG = 0.5
MOST_UNLIKE = 12
"""Signs of 64 in which pictures of one thing may differ: photographs that scikit-image carries keep
within this when a hundredth is cut off, and each is 26 or more from every other."""
NEIGHBOURS = 3
"""How many frames on, in the order of time, a picture is sought that is nearly the same."""
IN_ONE_THIRD = 0.8
"""Of what is clipped, that is named by the third in which it lies."""
TIE = 0.97
"""Of the sharpest one's sharpness: a frame that has as much may be as sharp."""
FEWEST = 3
"""Frames of which there is a usual exposure."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A frame's figures (``pipeline.figures.measure``), and what it is compared within.

    ``time`` orders frames. A rejected frame and one that shows a chart are compared with nothing.
    """

    frame: str
    figures: Mapping[str, Any]
    setup: str | None = None
    burst: str | None = None
    time: str = ""
    rejected: bool = False


@dataclass(frozen=True, slots=True)
class Suggestion:
    """``beside`` is what the comparison gave, as plain JSON values.

    ``place`` and ``of``: by sharpness, 1 first, of how many of its burst; ``sharpness``: as a share
    of the first one's (``kernels.blur.sharpness``); ``off_stops``: from the
    median of its burst or setup; ``like``: frames that show nearly the same.
    """

    suggested: bool
    reasons: tuple[str, ...]
    beside: Mapping[str, Any]


def suggest(frames: Sequence[Measured]) -> dict[str, Suggestion]:
    """What to say of each frame, by its name."""
    compared = [frame for frame in frames if not (frame.rejected or frame.figures["chart"])]
    places = _places(compared)
    off = dict(_off(compared))
    like = _like(compared)
    found = {}
    for frame in frames:
        place = places.get(frame.frame)
        kept = place is not None and place.number == 1
        stops, usual = off.get(frame.frame, (None, ""))
        reasons = ["shows a chart"] if frame.figures["chart"] else []
        reasons += [_sharpest(frame, place)] if place is not None and kept else []
        reasons += _motion(frame)
        reasons += _shares(frame, "clipped")
        reasons += _shares(frame, "blocked")
        if stops is not None and abs(stops) >= LEAST_STOPS:
            way = "under" if stops < 0 else "over"
            reasons.append(f"{_stops(stops)} {way} the rest of {usual}")
        tilt = frame.figures["tilt_deg"]
        if tilt is not None and abs(tilt) >= LEAST_TILT_DEG and not frame.figures["chart"]:
            reasons.append(
                f"long lines fall {abs(tilt):.1f}° to the {'right' if tilt > 0 else 'left'}"
            )
        alike = like.get(frame.frame, [])
        if alike and frame.burst is None:
            reasons.append(f"nearly the same as {' and '.join(alike)}")
        found[frame.frame] = Suggestion(
            kept,
            tuple(reasons),
            {
                "place": place and place.number,
                "of": place and place.of,
                "sharpness": place and round(place.share, 3),
                "off_stops": None if stops is None else round(stops, 2),
                "like": alike,
            },
        )
    return found


@dataclass(frozen=True, slots=True)
class _Place:
    number: int
    of: int
    share: float
    ties: tuple[str, ...]


def _places(frames: Sequence[Measured]) -> dict[str, _Place]:
    """By focus, within each burst; only what was looked at in one way and size can be compared."""
    groups: dict[tuple[Any, ...], list[Measured]] = defaultdict(list)
    for frame in frames:
        if frame.burst is not None:
            how = tuple(frame.figures[key] for key in ("of", "width_px", "height_px"))
            groups[frame.burst, *how].append(frame)
    largest: dict[str, list[Measured]] = {}
    for (burst, *_), group in groups.items():
        if len(group) > len(largest.get(burst, ())):
            largest[burst] = group
    places = {}
    for group in largest.values():
        if len(group) < 2:
            continue
        found = sharpness([Focus(**frame.figures["focus"]) for frame in group])
        best = max(found) or 1.0
        ranked = sorted(zip(found, group, strict=True), key=lambda each: (-each[0], each[1].frame))
        ties = tuple(frame.frame for value, frame in ranked[1:] if value >= TIE * best)
        for number, (value, frame) in enumerate(ranked, 1):
            places[frame.frame] = _Place(number, len(group), value / best, ties)
    return places


def _off(frames: Sequence[Measured]) -> Iterator[tuple[str, tuple[float, str]]]:
    """How many stops each frame is off, and off what: its burst shows one thing in one light.

    In a setup a burst counts as one frame, for it would outvote all others.
    """
    told = [frame for frame in frames if frame.figures["stops"] is not None]
    bursts: dict[str, list[Measured]] = defaultdict(list)
    for frame in told:
        if frame.burst is not None:
            bursts[frame.burst].append(frame)
    usual = {name: median(f.figures["stops"] for f in group) for name, group in bursts.items()}
    groups: dict[str, list[float]] = defaultdict(list)
    for frame in told:
        if frame.setup is not None and frame.burst is None:
            groups[frame.setup].append(frame.figures["stops"])
    for name, burst in bursts.items():
        for setup in {frame.setup for frame in burst if frame.setup is not None}:
            groups[setup].append(usual[name])
    for frame in told:
        if frame.burst is not None and len(bursts[frame.burst]) >= FEWEST:
            yield frame.frame, (frame.figures["stops"] - usual[frame.burst], frame.burst)
        elif frame.burst is None and frame.setup and len(groups[frame.setup]) >= FEWEST:
            stops = frame.figures["stops"] - median(groups[frame.setup])
            yield frame.frame, (stops, frame.setup)


def _like(frames: Sequence[Measured]) -> dict[str, list[str]]:
    """Frames among each one's neighbours that show nearly the same."""
    ordered = sorted(frames, key=lambda frame: (frame.time, frame.frame))
    like: dict[str, list[str]] = defaultdict(list)
    for at, frame in enumerate(ordered):
        for other in ordered[at + 1 : at + 1 + NEIGHBOURS]:
            one, two = (int(f.figures["fingerprint"], 16) for f in (frame, other))
            if (one ^ two).bit_count() <= MOST_UNLIKE:
                like[frame.frame].append(other.frame)
                like[other.frame].append(frame.frame)
    return like


def _sharpest(frame: Measured, place: _Place) -> str:
    where = "on the subject" if frame.figures["subject"] else "in the middle"
    words = f"sharpest of {place.of} {where}"
    if place.ties:
        more = f" and {len(place.ties) - 1} more" if len(place.ties) > 1 else ""
        words += f", hardly more than {place.ties[0]}{more}"
    return words


def _motion(frame: Measured) -> Iterator[str]:
    if moved := frame.figures["motion"]:
        angle = round(moved["angle_deg"]) % 180
        way = {0: "level", 90: "upright"}.get(angle, f"at {angle}°")
        yield f"blurred by motion, {moved['length_px']:.0f} px {way}"


def _shares(frame: Measured, what: str) -> Iterator[str]:
    """ "right third clipped in red, 4 % of the frame"."""
    cells = frame.figures[what]
    if cells is None:
        return
    sums = {name: sum(map(sum, cells[name])) for name in COLOURS}
    named = [name for name in COLOURS if sums[name] >= LEAST_SHARE]
    if not named:
        return
    whole = [[sum(cells[name][i][j] for name in named) for j in range(3)] for i in range(3)]
    channels = "all colours" if len(named) == 3 else " and ".join(named)
    share = 100 * max(sums[name] for name in named)
    yield f"{_where(whole)} {what} in {channels}, {share:.0f} % of the frame"


def _where(cells: Sequence[Sequence[float]]) -> str:
    total = sum(map(sum, cells))
    across = {
        name: sum(row[j] for row in cells) for j, name in enumerate(("left", "middle", "right"))
    }
    down = {name: sum(row) for name, row in zip(("upper", "middle", "lower"), cells, strict=True)}
    for thirds in (across, down):
        name = max(thirds, key=lambda third: thirds[third])
        if thirds[name] >= IN_ONE_THIRD * total:
            return f"{name} third"
    return "here and there"


def _stops(stops: float) -> str:
    text = f"{abs(stops):.1f}"
    return f"{text} stop" if text == "1.0" else f"{text} stops"
