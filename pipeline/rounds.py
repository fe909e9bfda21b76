"""The retouch round trip in plain records: where a frame stands between the job and the retoucher,
and what the workers that pack, examine and carry are given and give back.

Pure: compares records; opens nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal
from uuid import NAMESPACE_URL, UUID, uuid5

from pipeline.records import (
    Artifact,
    Evening,
    FrameState,
    Handoff,
    Request,
    ResolvedStep,
    Returned,
    Round,
    Settled,
    Trip,
    Withdrawn,
)

Severity = Literal["refuse", "ask", "note"]
HowMatched = Literal["identity", "name", "picture"]


# --- where a frame stands ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Away:
    """A hand-off that is with the retoucher, and what it was last decided about."""

    handoff: Handoff
    key: str
    inputs: Mapping[str, Any]

    @property
    def keys(self) -> tuple[str, ...]:
        """The keys of what it goes with: what was sent, and what was decided about since."""
        return self.handoff.key, self.key


@dataclass(frozen=True, slots=True)
class Back:
    """The retoucher's file that a frame's pixels come from.

    ``of`` is the hand-off that it answered, ``file`` what the finish stage builds on: the returned
    file, or what was ``carried`` from it onto a later look. ``key`` and ``inputs`` are those that
    it was sent with or last decided about; ``handled`` are the requests of all rounds behind it.
    """

    of: Handoff
    file: Artifact
    space: str
    carried: bool
    key: str
    inputs: Mapping[str, Any]
    handled: tuple[Request, ...]

    @property
    def keys(self) -> tuple[str, ...]:
        """The keys of what it goes with: what was sent, and what was decided about since."""
        return (self.key,) if self.carried else (self.of.key, self.key)


@dataclass(frozen=True, slots=True)
class Retouch:
    """Where a frame stands: what is out, and what it is made from. Both None: from its original."""

    out: Away | None = None
    back: Back | None = None


def retouch_of(trips: Sequence[Trip]) -> Retouch:
    """Where a frame stands after all that happened to it, oldest first."""
    sent: dict[int, Handoff] = {}
    came: dict[int, Returned] = {}
    out: Away | None = None
    back: Back | None = None
    for trip in trips:
        match trip:
            case Handoff():
                sent[trip.round] = trip
                out = Away(trip, trip.key, trip.inputs)
            case Returned():
                came[trip.round] = trip
                of = sent[trip.round]
                about: Handoff | Away = of
                if out is not None and out.handoff.round == trip.round:
                    about, out = out, None
                back = _back(of, trip.used, trip.space, about, sent)
            case Withdrawn():
                if out is not None and out.handoff.round == trip.round:
                    out = None
            case Settled(how="keep"):
                if out is not None:
                    out = replace(out, key=trip.key, inputs=trip.inputs)
                elif back is not None:
                    back = replace(back, key=trip.key, inputs=trip.inputs)
            case Settled(how="again"):
                out = back = None
            case Settled(how="round"):
                file = came[trip.round]
                back = _back(sent[trip.round], file.used, file.space, trip, sent)
            case Settled(how="carry"):
                assert trip.carried is not None and trip.space is not None
                back = _back(sent[trip.round], trip.carried, trip.space, trip, sent, carried=True)
    return Retouch(out, back)


def _back(
    of: Handoff,
    file: Artifact,
    space: str,
    about: Handoff | Away | Settled,
    sent: Mapping[int, Handoff],
    *,
    carried: bool = False,
) -> Back:
    handled: list[Request] = []
    at: Handoff | None = of
    while at is not None:
        handled += at.requests
        at = None if at.base is None else sent[at.base]
    return Back(of, file, space, carried, about.key, about.inputs, tuple(handled))


def open_requests(requests: Sequence[Request], handled: Sequence[Request]) -> tuple[Request, ...]:
    """The requests that no round of a frame's has carried yet: told apart by what and where."""
    done = [(request.what, request.where, request.files) for request in handled]
    return tuple(
        request for request in requests if (request.what, request.where, request.files) not in done
    )


# --- packing a round --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Development:
    """All that decides a frame's pixels, for a worker that develops it.

    ``steps`` are the frame's whole chain, the finish stage included; ``files`` maps each file that
    a step or a mask names to where it lies, ``others`` each frame that a mask follows to its
    original and the digest of that. ``work.develop`` takes it.
    """

    original: Path
    original_digest: str
    steps: tuple[ResolvedStep, ...]
    files: Mapping[str, Path]
    correction: Mapping[str, Any] | None = None
    even: Evening | None = None
    others: Mapping[str, tuple[Path, str]] = field(default_factory=dict)
    threads: int = 1


@dataclass(frozen=True, slots=True)
class Retouched:
    """A retoucher's file as pixels to build on: a 16-bit RGB TIFF in ``space``."""

    path: Path
    digest: str
    space: str


@dataclass(frozen=True, slots=True)
class Identity:
    """What ties a handed-off TIFF to the job: written into its XMP and read back from it.

    ``document_id`` is that of the frame through all rounds, ``instance_id`` that of this very file,
    ``derived_from`` the instance that it was made from (the original, or what came back before),
    all as ``xmp.did:`` or ``xmp.iid:`` and a UUID. ``digest`` is the key of what was sent.
    """

    job: str
    frame: str
    round: int
    version: int
    key: str
    document_id: str
    instance_id: str
    derived_from: str


def document_of(job: str, state: FrameState) -> str:
    """A frame's xmpMM:DocumentID, the same for all that is ever made of it."""
    named = f"{job}\n{state.name}\n{state.original.digest}"
    return f"xmp.did:{uuid5(NAMESPACE_URL, named)}"


def instance_of(document: str, which: str) -> str:
    """The xmpMM:InstanceID of one file of a document; ``which`` tells it from the others."""
    return f"xmp.iid:{uuid5(UUID(document.removeprefix('xmp.did:')), which)}"


def sent_before(trips: Sequence[Trip], digest: str) -> Handoff | None:
    """The hand-off that a retoucher's file answered, or that it was carried on from."""
    rounds = {
        trip.round
        for trip in trips
        if (isinstance(trip, Returned) and trip.used.digest == digest)
        or (isinstance(trip, Settled) and trip.carried and trip.carried.digest == digest)
    }
    sent = [trip for trip in trips if isinstance(trip, Handoff) and trip.round in rounds]
    return sent[-1] if sent else None


@dataclass(frozen=True, slots=True)
class PackWork:
    """One frame to pack for a round, by a worker.

    Everything goes into ``folder``, inside ``job``, under names that start with ``stem``: the TIFF
    is ``{stem}.tif``. Its pixels are those of ``base`` where the frame goes on from what came back;
    else of ``master``, where the chain has no finish stage (``finish`` False); else ``development``
    up to and without finish. ``master`` is the current finished picture: the reference is made
    from it. ``requests`` are to be numbered and drawn.
    """

    frame: str
    job: Path
    folder: Path
    stem: str
    development: Development
    finish: bool
    master: Artifact
    base: Retouched | None
    requests: tuple[Request, ...]
    space: str
    identity: Identity


@dataclass(frozen=True, slots=True)
class Packed:
    """What a worker packed. Paths are relative to the job and lie in the work's ``folder``.

    ``masks`` are 8-bit pictures of the requests' places, at full size, by the requests' numbers;
    ``files`` are the reference and the overview; ``sha256`` maps the name of every file, the TIFF's
    and the masks' too, to its SHA-256 in hexadecimal. ``notes`` are sentences.
    """

    frame: str
    sent: Artifact
    masks: Mapping[int, Artifact]
    files: tuple[Artifact, ...]
    sha256: Mapping[str, str]
    width: int
    height: int
    seconds: Mapping[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SheetFrame:
    """A frame on the request sheet: its number counts from 1 in the round."""

    packed: Packed
    version: int
    due: str | None
    requests: tuple[Request, ...]


@dataclass(frozen=True, slots=True)
class SheetWork:
    """The round's request sheet (PDF and text) and its checksum list, to be written to ``folder``.

    ``sender`` is the photographer's name, where the job says it. ``do`` gives back the files as a
    tuple of ``Artifact``.
    """

    job: Path
    folder: Path
    job_name: str
    client: str
    round: Round
    space: str
    frames: tuple[SheetFrame, ...]
    sender: str | None = None


# --- taking a round back ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Candidate:
    """A hand-off that a file may be the answer to. What was sent lies in the job, and is read-only.

    ``status`` says what became of it: ``out``; ``back``: a file was accepted for it; ``superseded``
    or ``withdrawn``: it is waited for no more. ``stale`` says in words what changed since, or is
    None. ``returned`` are the digests of the files that were accepted for it before.
    """

    handoff: Handoff
    status: Literal["out", "back", "superseded", "withdrawn"]
    stale: str | None = None
    returned: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Finding:
    """Something about a returned file. ``refuse``: it cannot be taken; ``ask``: a person must
    accept it; ``note``: worth knowing. ``what`` is a word for scripts, ``sentence`` for people."""

    severity: Severity
    what: str
    sentence: str


@dataclass(frozen=True, slots=True)
class ExamineWork:
    """One returned file to examine, by a worker; it is only read.

    ``candidates`` are all hand-offs of the job, the newest first. What is made of the file (the
    change map; ``pixels`` where it has to be converted) goes into ``folder``, inside ``job``.
    ``assume`` names the space of a file without a profile; ``flatten`` allows alpha and further
    pages to be flattened. ``settle_s`` is how long its size and time must have stood still.
    """

    path: Path
    job: Path
    folder: Path
    candidates: tuple[Candidate, ...]
    assume: str | None = None
    flatten: bool = False
    settle_s: float = 1.0
    threads: int = 1


@dataclass(frozen=True, slots=True)
class Examination:
    """What a returned file is, and what is to be said of it.

    ``frame`` and ``round`` are None where it matches nothing, which is a finding of its own.
    ``digest`` and ``size_bytes`` are of the bytes that were examined, None where they could not
    be read. ``pixels`` is the converted file, None where the file is used as it is; ``space`` that
    of whichever is used. ``figures`` are plain JSON values: ``changed`` (share of pixels),
    ``outside`` (share of the changed pixels outside the requests), ``requests`` (by number, the
    share of its region that changed), ``shift`` (x, y in pixels), ``de00`` (outside the requests).
    """

    path: Path
    frame: str | None
    round: int | None
    how: HowMatched | None
    digest: str | None
    size_bytes: int | None
    space: str | None = None
    pixels: Artifact | None = None
    picture: Artifact | None = None
    figures: Mapping[str, Any] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class CarryWork:
    """A retouch to transfer onto the frame as it would be sent now.

    ``pairs`` are what was sent and what came back, one for each round that the retouch went
    through, oldest first. ``development`` is the frame now. What is made goes into ``folder``,
    inside ``job``.
    """

    frame: str
    job: Path
    folder: Path
    pairs: tuple[tuple[Retouched, Retouched], ...]
    development: Development
    space: str
    requests: tuple[Request, ...] = ()


@dataclass(frozen=True, slots=True)
class Carried:
    """What came of it: a 16-bit TIFF in the work's ``space``, and a picture to judge it by.

    Both are None where a finding says why it cannot be carried.
    """

    frame: str
    file: Artifact | None = None
    picture: Artifact | None = None
    figures: Mapping[str, Any] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
