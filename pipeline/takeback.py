"""Examines one returned file, in a worker: whose answer it is, whether it can be used, what was
done to it.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import UnreadableOriginal
from pipeline.rounds import Candidate, Examination, ExamineWork, Finding, HowMatched

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from pipeline.files.returned import Opened
    from pipeline.records import Artifact, Handoff

    Codes = NDArray[np.uint16]
    Flags = NDArray[np.bool_]

# what follows is ours, no source
MOST_MOVED_PX = 0.15
MOST_AT_EDGE_PX = 0.4
MOST_DE00 = 1.0
MOST_UNLIKE = 18
"""Signs of 64 in which the fingerprints of a picture and its retouch may differ."""
LOOKED_AT = 4
"""Sent pictures that a file without a name is laid on, those first that look most like it."""
LEAST_SAME = 0.3
"""Share of pixels that a retouch leaves as they were, where nothing else says whose it is."""
MOST_WINDOWS = 9
"""All windows of ``motion_between``: each of them must show the same."""
ALIKE = 0.5
"""Correlation of two pictures below which one is no retouch of the other."""
MARGIN = 0.01
"""Of the long edge: how far around what was asked a retoucher may reach."""
STANDS_OUT = 4
"""Times the median difference: what was done to a place, where all was changed a little."""
SAME_CODES = 8
"""Of 65535, between two profiles that mean the same."""
UNTOUCHED_CODES = 48
"""Of 65535, between what two conversions make of the same colour."""
TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
"""TIFF 6.0, section 2, and BigTIFF's, of either byte order."""
SMALL_PX = 256
MAP_PX = 1600


def examine(work: ExamineWork) -> Examination:
    """What a returned file is, and what is to be said of it. Its path is only read."""
    examining = _Examining(work)
    try:
        examining.go()
    except _Refused as refused:
        examining.findings.append(refused.finding)
    found = examining.found
    if found:
        examining.findings += _doubts(found)
    return Examination(
        path=work.path,
        frame=found.handoff.frame if found else None,
        round=found.handoff.round if found else None,
        how=examining.how,
        digest=examining.digest,
        size_bytes=examining.size_bytes,
        space=found.handoff.space if found else None,
        pixels=examining.made,
        picture=examining.picture,
        figures=examining.figures,
        findings=tuple(examining.findings),
    )


class _Refused(Exception):
    """Nothing more can be said of a file."""

    def __init__(self, what: str, sentence: str) -> None:
        self.finding = Finding("refuse", what, sentence)


class _Examining:
    """What is known of one file, so far."""

    def __init__(self, work: ExamineWork) -> None:
        self.work = work
        self.how: HowMatched | None = None
        self.found: Candidate | None = None
        self.digest: str | None = None
        self.size_bytes: int | None = None
        self.made: Artifact | None = None
        self.picture: Artifact | None = None
        self.figures: dict[str, Any] = {}
        self.findings: list[Finding] = []

    def go(self) -> None:
        """Find out all, as far as one thing lets the next be asked. Raises ``_Refused``."""
        from pipeline.files.returned import opened, read_returned
        from pipeline.hashing import digest_bytes

        work = self.work
        data = _read(work.path, work.settle_s)
        if data[:4] not in TIFF_STARTS:
            kind = "a JPEG" if data[:2] == b"\xff\xd8" else "another kind of file"
            raise _Refused(
                "format", f"it is {kind}; a TIFF of 16 bits was sent, and is to come back"
            )
        self.digest, self.size_bytes = digest_bytes(data), len(data)
        try:
            back = opened(data)
        except UnreadableOriginal as error:
            raise _Refused("unreadable", f"it cannot be read: {error}") from error
        except Exception as error:  # tifffile raises whatever damage leads it into
            raise _Refused("unreadable", "it cannot be read: it is damaged or cut short") from error
        self.how, self.found = _matched(work, back)
        if self.found is None:
            raise _Refused("unknown", "it belongs to no frame that was handed off")
        sent = self.found.handoff
        if refusals := list(_refusals(sent, back, work)):
            self.findings += refusals
            return
        before = read_returned(work.job / sent.sent.path, sent.sent.digest)
        after = self._usable(sent, back, data, before)
        self._compare(sent, before, after)

    def _usable(self, sent: Handoff, back: Opened, data: bytes, before: Codes) -> Codes:
        """The codes in the space that was sent; what had to be done for that is noted and kept."""
        from pipeline.files.encode import tiff
        from pipeline.files.landing import land
        from pipeline.files.returned import flattened

        pixels: Codes = back.pixels
        notes = []
        if back.extras:
            pixels, share = flattened(data, back)
            laid = f"; {share:.2%} of the pixels were laid on white" if share else ""
            notes.append(Finding("note", "flattened", f"transparency was taken off{laid}"))
        if back.pages:
            pages = "one further page was" if back.pages == 1 else f"{back.pages} pages were"
            notes.append(Finding("note", "flattened", f"{pages} left out"))
        pixels, said = _in_space(pixels, back.profile, self.work.assume, sent.space, before)
        notes += [said] if said else []
        self.findings += notes
        if pixels is not back.pixels or any(note.what != "profile" for note in notes):
            path = self.work.folder / "converted.tif"
            content = tiff(pixels, sent.space, deflated=True, threads=self.work.threads)
            self.made = land(path, content, self.work.job)
        return pixels

    def _compare(self, sent: Handoff, before: Codes, after: Codes) -> None:
        """What was done: the figures, the findings, the map."""
        different = _difference(before, after)
        self.figures["changed"] = float((different > 0).mean())
        if not self.figures["changed"]:
            self.findings.append(Finding("ask", "unchanged", "nothing was done to it"))
            return
        self._lies_on(before, after)
        stands_out = different > STANDS_OUT * _median(different)
        self.figures["most"] = float(stands_out.mean())
        asked = _asked(self.work, sent, different.shape)
        self._requests(sent, stands_out, asked)
        anywhere = _around(asked, different.shape)
        if asked and all(request.number in asked for request in sent.requests):
            many = int(stands_out.sum())
            self.figures["outside"] = float((stands_out & ~anywhere).sum() / many) if many else 0.0
        self._as_a_whole(sent, before, after, anywhere)
        self.picture = _map(self.work, sent, after, stands_out, asked)

    def _lies_on(self, before: Codes, after: Codes) -> None:
        """Raises ``_Refused`` for what was moved, scaled or cropped, or shows something else."""
        from pipeline.kernels.register import motion_between

        motion = motion_between(before[..., 1], after[..., 1])
        if not motion.windows and _likeness(before, after) < ALIKE:
            raise _Refused("picture", "it shows something else than what was sent")
        self.figures["shift"] = [round(motion.right, 2), round(motion.down, 2)]
        sentence = None
        if abs(motion.grown) > MOST_AT_EDGE_PX:
            share = 2 * motion.grown / max(before.shape[:2])
            which = "larger" if share > 0 else "smaller"
            sentence = f"what it shows is {which} by {abs(share):.2%}: it was scaled or cropped"
        elif abs(motion.turned) > MOST_AT_EDGE_PX:
            sentence = f"it was turned: its edges lie {abs(motion.turned):.1f} pixels off"
        elif max(abs(motion.right), abs(motion.down)) > MOST_MOVED_PX:
            right, down = self.figures["shift"]
            sentence = f"it was moved: {right:+g} pixels to the right, {down:+g} down"
        if sentence:
            raise _Refused("moved", f"{sentence}; it must lie on what was sent")

    def _requests(self, sent: Handoff, stands_out: Flags, asked: Mapping[int, Flags]) -> None:
        shares = {number: float(stands_out[region].mean()) for number, region in asked.items()}
        self.figures["requests"] = {str(number): share for number, share in shares.items()}
        for request in sent.requests:
            if request.must and shares.get(request.number) == 0:
                sentence = (
                    f"request {request.number} ({request.what}) must be done, and nothing changed "
                    "where it was asked"
                )
                self.findings.append(Finding("ask", "undone", sentence))

    def _as_a_whole(self, sent: Handoff, before: Codes, after: Codes, asked: Flags) -> None:
        """A change of exposure or colour that nobody asked for."""
        import numpy as np

        from pipeline.kernels.difference import delta_e_2000

        cells = _small(asked.astype(np.uint8) * 255) == 0
        if not cells.any():
            return
        first, second = (_lab(_small(codes)[cells], sent.space) for codes in (before, after))
        self.figures["de00"] = de00 = round(float(np.median(delta_e_2000(first, second))), 2)
        if de00 <= MOST_DE00:
            return
        lighter, *_ = np.median(second - first, axis=0)
        chroma = np.median(np.hypot(*second[:, 1:].T) - np.hypot(*first[:, 1:].T))
        how = [f"L* {lighter:+.1f}", f"C* {chroma:+.1f}"]
        sentence = (
            "outside of what was asked, colour or exposure changed as a whole, by ΔE00 "
            f"{de00:.1f} ({', '.join(how)})"
        )
        self.findings.append(Finding("ask", "colour", sentence))


def _read(path: Path, settle_s: float) -> bytes:
    """The bytes of a file that stood still. Raises ``_Refused``."""
    try:
        first = path.stat()
        age = time.time() - first.st_mtime
        if age < settle_s:
            time.sleep(settle_s - max(age, 0.0))
        data = path.read_bytes()
        last = path.stat()
    except OSError as error:
        raise _Refused("unreadable", f"it cannot be read: {error.strerror}") from error
    size, when = first.st_size, first.st_mtime_ns
    if (last.st_size, last.st_mtime_ns, len(data)) != (size, when, size):
        raise _Refused("changing", "it is still being written; take it back when it is whole")
    return data


# --- whose answer it is ---


def _matched(work: ExamineWork, back: Opened) -> tuple[HowMatched | None, Candidate | None]:
    """The hand-off that a file answers: by what it says of itself, its name, or what it shows."""
    from pipeline.files.identity import identity_of

    said = identity_of(back.xmp) if back.xmp else None
    for candidate in work.candidates:
        if said and said.instance_id == candidate.handoff.instance_id:
            return "identity", candidate
    for candidate in work.candidates:
        if work.path.stem == Path(candidate.handoff.sent.path).stem:
            return "name", candidate
    shown = _shown(work, back)
    return ("picture", shown) if shown else (None, None)


def _shown(work: ExamineWork, back: Opened) -> Candidate | None:
    """The hand-off whose picture a file shows; raises ``_Refused`` where it may be of two frames.

    Those that look most like it at a glance are laid under it: a retouch leaves most of the pixels
    as they were, to the last bit, or where all were changed, every window still shows the same. Of
    the rounds of a frame, the one that is waited for is meant.
    """
    import numpy as np

    from pipeline.files.returned import read_returned
    from pipeline.kernels.fingerprint import fingerprint, unlikeness
    from pipeline.kernels.register import motion_between

    pixels = back.pixels
    if pixels.dtype != np.uint16 or pixels.ndim != 3:
        return None
    looks = fingerprint(_small(pixels)[..., 1])
    near = []
    for candidate in work.candidates:
        reference = _reference(work.job, candidate.handoff)
        if reference is not None:
            unlike = unlikeness(looks, fingerprint(reference))
            if unlike <= MOST_UNLIKE:
                near.append((unlike, candidate.status != "out", candidate))
    near.sort(key=lambda each: each[:2])
    same: dict[str, tuple[float, Candidate]] = {}
    for _, _, candidate in near[:LOOKED_AT]:
        handoff = candidate.handoff
        if pixels.shape != (handoff.height, handoff.width, 3):
            continue
        sent = read_returned(work.job / handoff.sent.path, handoff.sent.digest)
        share = float((sent == pixels).all(axis=2).mean())
        if (
            share < LEAST_SAME
            and motion_between(sent[..., 1], pixels[..., 1]).windows < MOST_WINDOWS
        ):
            continue
        if handoff.frame not in same or share > same[handoff.frame][0]:
            same[handoff.frame] = share, candidate
    most = max((share for share, _ in same.values()), default=0.0)
    if most >= LEAST_SAME:  # to the last bit; what only looks alike is of the same burst
        same = {frame: each for frame, each in same.items() if each[0] >= LEAST_SAME}
    if len(same) > 1:
        frames = " and ".join(sorted(same))
        raise _Refused("unknown", f"it shows what was sent as {frames}; name it as it was sent")
    return next((candidate for _, candidate in same.values()), None)


def _reference(job: Path, handoff: Handoff) -> NDArray[np.float32] | None:
    """The reference picture of a hand-off, small and grey; None where it is gone."""
    import cv2
    import numpy as np

    for file in handoff.files:
        if file.path.endswith("_reference.jpg"):
            try:
                data = np.frombuffer((job / file.path).read_bytes(), np.uint8)
            except OSError:
                return None
            grey = cv2.imdecode(data, cv2.IMREAD_REDUCED_GRAYSCALE_4)
            return None if grey is None else grey.astype(np.float32)
    return None


# --- whether it can be used ---


def _refusals(sent: Handoff, back: Opened, work: ExamineWork) -> Iterator[Finding]:
    """Why a file cannot be taken."""
    shape = back.pixels.shape
    if shape[:2] != (sent.height, sent.width):
        found = f"it has {shape[1]} × {shape[0]} pixels, {sent.width} × {sent.height} were sent"
        yield Finding("refuse", "size", found)
    if back.pixels.dtype.str[1:] != "u2":
        bits = 8 * back.pixels.dtype.itemsize
        yield Finding("refuse", "depth", f"it has {bits} bits a channel, 16 were sent")
    if back.colours != 3:
        yield Finding("refuse", "channels", "it is grey; a picture in colour was sent")
    if back.extras and not work.flatten:
        channels = back.colours + len(back.extras)
        kind = "transparency" if {1, 2} & {*back.extras} else "more than the three colours"
        found = f"it has {channels} channels, with {kind}; --flatten takes its colours alone"
        yield Finding("refuse", "channels", found)
    if back.pages and not work.flatten:
        found = f"it has {1 + back.pages} pages; --flatten takes the first one alone"
        yield Finding("refuse", "pages", found)
    if back.profile is None and work.assume is None:
        found = f"it has no colour profile; --assume {sent.space} takes it as what was sent"
        yield Finding("refuse", "profile", found)


def _in_space(
    pixels: Codes, profile: bytes | None, assume: str | None, space: str, before: Codes
) -> tuple[Codes, Finding | None]:
    """Codes in the space that was sent, and what was done for it; raises ``_Refused``.

    What nobody touched is taken from what was sent, so that no conversion there and back can have
    changed it.
    """
    import numpy as np

    from pipeline.files.profile import converted, profile_of
    from pipeline.files.proofread import profile_name

    ours = profile_of(space)
    said = f"it has no colour profile and was taken as {assume}" if profile is None else None
    theirs = profile_of(assume or space) if profile is None else profile
    if theirs == ours:
        return pixels, Finding("note", "profile", said) if said else None
    name = assume if profile is None else profile_name(theirs)
    sample = np.random.default_rng(1).integers(0, 65536, (64, 64, 3)).astype(np.uint16)
    try:
        if _difference(converted(sample, theirs, ours), sample).max() <= SAME_CODES:
            return pixels, None
        after = converted(pixels, theirs, ours)
        there = converted(before, ours, theirs)
        there_and_back = converted(there, theirs, ours)
    except UnreadableOriginal as error:
        raise _Refused("profile", str(error)) from error
    untouched = _difference(after, there_and_back) <= UNTOUCHED_CODES
    after[untouched] = before[untouched]
    sentence = f"it came back in {name} and was converted to {space}, which was sent"
    return after, Finding("note", "profile", sentence)


def _doubts(candidate: Candidate) -> Iterator[Finding]:
    """What a person must accept before a file counts."""
    number = candidate.handoff.round
    if candidate.stale:
        yield Finding("ask", "stale", f"{candidate.stale}, since it was sent")
    if candidate.status != "out":
        was = {
            "back": "came back already",
            "superseded": "was superseded",
            "withdrawn": "was withdrawn",
        }[candidate.status]
        yield Finding("ask", "round", f"nothing is waited for: round {number} {was}")


# --- what was done to it ---


def _asked(work: ExamineWork, sent: Handoff, shape: tuple[int, ...]) -> dict[int, Flags]:
    """Where each request with a place asks for something, by its number."""
    from pipeline.files.painted import read_painted

    regions = {}
    for number, mask in sent.masks.items():
        try:
            codes = read_painted(work.job / mask.path, mask.digest)
        except ValueError as error:
            raise _Refused("mask", f"the place of request {number} is lost: {error}") from error
        if codes.shape == shape and codes.any():
            regions[number] = codes >= codes.max() / 2
    return regions


def _around(asked: Mapping[int, Flags], shape: tuple[int, ...]) -> Flags:
    """Where anything was asked, and a little around it."""
    import numpy as np

    from pipeline.kernels.masks import near

    inside = np.zeros(shape, np.bool_)
    for region in asked.values():
        inside |= region
    return near(inside, round(MARGIN * max(shape)))


def _map(
    work: ExamineWork, sent: Handoff, after: Codes, changed: Flags, asked: Mapping[int, Flags]
) -> Artifact:
    """A picture of what changed, hatched, with the requests' outlines and numbers."""
    import cv2
    import numpy as np

    from pipeline.files.encode import png
    from pipeline.files.landing import land
    from pipeline.framing import Size
    from pipeline.kernels.overlay import overlaid
    from pipeline.outlines import numbered
    from pipeline.rendition import RenditionSpec, render
    from pipeline.work import reencoded

    romm = reencoded(after, sent.space, threads=work.threads)
    [shown] = render(romm, [RenditionSpec(size=Size(long_edge=MAP_PX))], work.threads)
    size = shown.shape[1::-1]

    def reduced(flags: Flags) -> NDArray[np.float32]:
        density = cv2.resize(flags.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        return np.asarray(density, np.float32)

    picture = overlaid(shown, reduced(changed))
    picture = numbered(picture, {number: reduced(region) for number, region in asked.items()})
    return land(work.folder / "changes.png", png(picture), work.job)


def _difference(first: Codes, second: Codes) -> Codes:
    """The largest of the three channels' differences, (h, w)."""
    import cv2
    import numpy as np

    red, green, blue = cv2.split(cv2.absdiff(first, second))
    return np.asarray(cv2.max(cv2.max(red, green), blue), np.uint16)


def _median(different: Codes) -> int:
    """The median of many codes, from how often there is each."""
    import numpy as np

    counts = np.bincount(different.ravel())
    return int(np.searchsorted(counts.cumsum(), different.size / 2))


def _small(codes: NDArray[Any]) -> NDArray[np.float32]:
    import cv2
    import numpy as np

    height, width = codes.shape[:2]
    by = min(1.0, SMALL_PX / max(height, width))
    size = max(1, round(width * by)), max(1, round(height * by))
    return np.asarray(cv2.resize(codes, size, interpolation=cv2.INTER_AREA), np.float32)


def _likeness(before: Codes, after: Codes) -> float:
    import numpy as np

    first, second = (_small(codes)[..., 1].ravel() for codes in (before, after))
    if min(first.std(), second.std()) == 0:
        return 1.0
    return float(np.corrcoef(first, second)[0, 1])


def _lab(codes: NDArray[np.float32], space: str) -> NDArray[np.float64]:
    """L*a*b* of codes (n, 3) of 0 to 65535."""
    from pipeline.kernels.gamut import lab_of_linear
    from pipeline.kernels.spaces import SPACES

    return lab_of_linear(SPACES[space].transfer.decode(codes / 65535), space)
