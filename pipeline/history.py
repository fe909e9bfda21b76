"""What happened to a frame, event by event, in plain words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.records import Event

SETTLED = {
    "keep": "round {round} stands, whatever changed since",
    "again": "round {round} set aside; it goes out again",
    "carry": "round {round} carried onto the new look",
    "round": "gone back to what came in round {round}",
}


def in_words(event: Event) -> str:
    """One line of a frame's history: "developed v2: tone.contrast 1.10 -> 1.12 in ..."."""
    detail = event.detail
    told = {
        "handed off": _handed_off,
        "taken back": _taken_back,
        "withdrawn": "hand-off of round {round} to {by} withdrawn".format_map,
        "settled": _settled,
        "approved": _approved,
        "packed": "packed, {bag}: {change}".format_map,
        "moved": "its original is now {path}".format_map,
        "sidecar differed": "{path} said {rating}, where the job had {before}".format_map,
        "taken out": "taken out of {delivery}".format_map,
        "reopened": "v{version} was approved; {reason}".format_map,
    }.get(event.what)
    if told is None:
        return _plainly(event)
    return ": ".join(part for part in (told(detail), detail.get("note")) if part)


def _handed_off(detail: Mapping[str, Any]) -> str:
    asked = detail.get("requests", 0)
    words = f"handed off v{detail['version']} to {detail['to']}, round {detail['round']}"
    words += f", with {asked} request{'' if asked == 1 else 's'}"
    if due := detail.get("due"):
        words += f", due {due}"
    if earlier := detail.get("supersedes"):
        words += f", in place of round {earlier}"
    return words


def _taken_back(detail: Mapping[str, Any]) -> str:
    words = f"taken back from {detail['by']}, round {detail['round']}"
    asked = "; ".join(detail.get("asked", ()))
    return f"{words}, accepted although {asked}" if asked else words


def _settled(detail: Mapping[str, Any]) -> str:
    return SETTLED[detail["how"]].format_map(detail)


def _approved(detail: Mapping[str, Any]) -> str:
    words = f"approved v{detail['version']}"
    if by := detail.get("by"):
        words += f" by {by}"
    if without := detail.get("without"):
        words += f", without {'; '.join(without)}"
    return words


def _plainly(event: Event) -> str:
    detail = event.detail
    subject = {
        "rated": detail.get("rating"),
        "grouped": f"into {detail.get('burst')}" if detail.get("burst") else "into no burst",
        "delivered": f"{detail.get('delivery')} v{detail.get('version')}",
        "ingested": detail.get("path"),
    }.get(event.what, f"v{detail['version']}" if "version" in detail else "")
    reason = detail.get("reason") or detail.get("problem") or ""
    path = detail.get("path", "") if event.what.startswith("deliver") else ""
    words = " ".join(str(part) for part in (event.what, subject) if part not in ("", None))
    return ": ".join(part for part in (words, reason or path) if part)
