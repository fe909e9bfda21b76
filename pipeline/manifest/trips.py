"""What happens between the job and the retoucher, to JSON and back, as the manifest keeps it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from pipeline.hashing import canonical_json
from pipeline.records import (
    Artifact,
    Handoff,
    Request,
    Returned,
    Round,
    Settled,
    Trip,
    Withdrawn,
)

KINDS: Mapping[str, type[Trip]] = {
    "handed off": Handoff,
    "taken back": Returned,
    "settled": Settled,
    "withdrawn": Withdrawn,
}


def kind_of(trip: Trip) -> str:
    """What happened, as the manifest and the history call it."""
    return next(kind for kind, model in KINDS.items() if type(trip) is model)


def to_text(trip: Trip) -> str:
    """A trip as canonical JSON."""
    return canonical_json(asdict(trip)).decode()


def from_text(kind: str, text: str) -> Trip:
    """The trip that ``to_text`` wrote."""
    plain: dict[str, Any] = json.loads(text)
    for field in ("sent", "file", "pixels", "picture", "carried"):
        if plain.get(field) is not None:
            plain[field] = Artifact(**plain[field])
    if kind == "handed off":
        plain["requests"] = _requests(plain["requests"])
        plain["files"] = _artifacts(plain["files"])
        plain["masks"] = {int(n): Artifact(**mask) for n, mask in plain["masks"].items()}
    return KINDS[kind](**plain)


def files_to_text(round_: Round) -> str:
    """The files of a round that belong to no single frame."""
    return canonical_json([asdict(file) for file in round_.files]).decode()


def files_from_text(text: str) -> tuple[Artifact, ...]:
    """The files that ``files_to_text`` wrote."""
    return _artifacts(json.loads(text))


def requests_to_text(requests: Sequence[Request]) -> str:
    """Requests as canonical JSON."""
    return canonical_json([asdict(request) for request in requests]).decode()


def requests_from_text(text: str) -> tuple[Request, ...]:
    """The requests that ``requests_to_text`` wrote."""
    return _requests(json.loads(text))


def _requests(plain: list[dict[str, Any]]) -> tuple[Request, ...]:
    return tuple(Request(**request) for request in plain)


def _artifacts(plain: list[dict[str, Any]]) -> tuple[Artifact, ...]:
    return tuple(Artifact(**file) for file in plain)
