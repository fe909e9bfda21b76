"""Carries a retouch onto a later look of its frame, in a worker, for a person to judge."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from pipeline.rounds import Carried, CarryWork, Finding

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Codes = NDArray[np.uint16]
    Flags = NDArray[np.bool_]

# ours, no source
MOST_CHANGED = 0.5
"""Share of a picture above which a retouch is no longer confined to regions."""
AROUND_PX = 64
"""How much is looked at around a region, at least."""
JOIN_PX = 24
"""Regions that lie nearer to each other are carried as one."""
VISIBLE = 1.0
"""Step of L* across a rim that shows."""
LEAST_RIM = 0.02
"""Share of a region's rim that must step visibly for the region to be named."""
MOST_NUMBERS = 40
PICTURE_PX = 1600


def carry(work: CarryWork) -> Carried:
    """Transfer a retouch onto the frame as it would be sent now, region by region.

    What differs between what was sent and what came back is moved as a relative change of light,
    which fades into the new look around it. It is refused where size or the picture as a whole
    changed. Outside of the regions every pixel is the new look's own.
    """
    import numpy as np

    from pipeline.files.encode import tiff
    from pipeline.files.landing import land
    from pipeline.files.returned import read_returned
    from pipeline.work import developed, reencoded

    threads = work.development.threads
    pixels: Codes = developed(work.development, finish=False, space=work.space)
    painted: Flags = np.zeros(pixels.shape[:2], np.bool_)
    seams: Flags = np.zeros(pixels.shape[:2], np.bool_)
    for sent, returned in work.pairs:
        before, after = (
            reencoded(read_returned(each.path, each.digest), each.space, work.space, threads)
            for each in (sent, returned)
        )
        changed = (before != after).any(axis=2) if before.shape == after.shape else None
        sentence = _hindrance(pixels, after, changed)
        if changed is None or sentence:
            finding = Finding("refuse", "whole", sentence)
            return Carried(work.frame, findings=(finding,))
        painted |= changed
        fresh = pixels.copy()
        for box in _boxes(changed):
            _carry_region(pixels, (fresh, before, after), changed, box, seams, work.space)
    findings = tuple(_seams(seams, painted))
    file = land(work.folder / "carried.tif", tiff(pixels, work.space), work.job)
    picture = land(work.folder / "carried.png", _picture(work, pixels, painted), work.job)
    figures = {"carried": float(painted.mean()), "seams": int(seams.sum())}
    return Carried(work.frame, file, picture, figures, findings)


def _hindrance(pixels: Codes, after: Codes, changed: Flags | None) -> str:
    if changed is None or pixels.shape != after.shape:
        size = " × ".join(map(str, pixels.shape[1::-1]))
        old = " × ".join(map(str, after.shape[1::-1]))
        return f"the frame has {size} pixels now, what came back {old}: nothing lies where it lay"
    share = float(changed.mean())
    if share > MOST_CHANGED:
        return (
            f"the retoucher changed {share:.0%} of the picture, which is not confined to regions "
            "that could be carried; --keep leaves it as it is, --again sends the new look out"
        )
    return ""


def _boxes(changed: Flags) -> Iterator[tuple[slice, slice]]:
    """Windows around the regions that changed, none of them in two windows."""
    import cv2

    _, _, statistics, _ = cv2.connectedComponentsWithStats(_near(changed))
    windows = [(int(y), int(x), int(y + h), int(x + w)) for x, y, w, h, _ in statistics[1:]]
    for top, left, bottom, right in _apart(windows):
        yield slice(top, bottom), slice(left, right)


def _near(flags: Flags) -> NDArray[np.uint8]:
    """Where anything lies within ``JOIN_PX``."""
    import numpy as np

    from pipeline.kernels.masks import near

    return near(flags, JOIN_PX).astype(np.uint8)


def _apart(windows: list[tuple[int, int, int, int]]) -> list[tuple[int, int, int, int]]:
    """Windows joined until none lies over another."""
    done: list[tuple[int, int, int, int]] = []
    waiting = list(windows)
    while waiting:
        top, left, bottom, right = waiting.pop()
        over = [w for w in done if w[0] < bottom and top < w[2] and w[1] < right and left < w[3]]
        if not over:
            done.append((top, left, bottom, right))
            continue
        done = [window for window in done if window not in over]
        over.append((top, left, bottom, right))
        tops, lefts, bottoms, rights = zip(*over, strict=True)
        waiting.append((min(tops), min(lefts), max(bottoms), max(rights)))
    return done


def _carry_region(
    pixels: Codes,
    pictures: tuple[Codes, Codes, Codes],
    changed: Flags,
    box: tuple[slice, slice],
    seams: Flags,
    space: str,
) -> None:
    """Carry what changed in one window into ``pixels``, and mark in ``seams`` where it shows.

    ``pictures`` are the frame as it would be sent now, what was sent, and what came back.
    """
    import numpy as np

    from pipeline.kernels.graft import grafted
    from pipeline.kernels.spaces import SPACES

    rows, columns = (slice(max(side.start - AROUND_PX, 0), side.stop + AROUND_PX) for side in box)
    transfer = SPACES[space].transfer
    curve = transfer.decode(np.arange(65536) / 65535).astype(np.float32)
    flags = changed[rows, columns]
    new, before, after = (curve[codes[rows, columns]].transpose(2, 0, 1) for codes in pictures)
    picture, seam = grafted(new, before, after, flags)
    own = np.zeros(flags.shape, np.bool_)
    inner = zip(box, (rows, columns), strict=True)
    own[tuple(slice(a.start - b.start, a.stop - b.start) for a, b in inner)] = True
    seams[rows, columns] |= own & (seam > VISIBLE)
    own &= flags
    codes = transfer.encode(np.clip(picture.transpose(1, 2, 0)[own], 0, 1))
    pixels[rows, columns][own] = np.rint(codes * 65535).astype(np.uint16)


def _seams(seams: Flags, painted: Flags) -> Iterator[Finding]:
    """Where a carried region may show against what is around it."""
    import cv2
    import numpy as np

    ring = cv2.morphologyEx(painted.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    count, labels = cv2.connectedComponents(_near(painted))
    rims = np.bincount(labels[ring > 0], minlength=count)
    shown = np.bincount(labels[seams], minlength=count)
    for number in range(1, count):
        if rims[number] and shown[number] / rims[number] > LEAST_RIM:
            y, x = np.argwhere(seams & (labels == number)).mean(axis=0)
            place = f"{x / painted.shape[1]:.0%} from the left, {y / painted.shape[0]:.0%} down"
            yield Finding("ask", "seam", f"a seam may show around {place}")


def _picture(work: CarryWork, pixels: Codes, painted: Flags) -> bytes:
    """The frame as it would be, with a line around what was carried."""
    import cv2
    import numpy as np

    from pipeline.files.encode import png
    from pipeline.framing import Size
    from pipeline.outlines import numbered
    from pipeline.rendition import RenditionSpec, render
    from pipeline.work import reencoded

    threads = work.development.threads
    romm = reencoded(pixels, work.space, threads=threads)
    [shown] = render(romm, [RenditionSpec(size=Size(long_edge=PICTURE_PX))], threads)
    size = shown.shape[1::-1]
    regions = {}
    _, labels, statistics, _ = cv2.connectedComponentsWithStats(_near(painted))
    largest = np.argsort(-statistics[1:, cv2.CC_STAT_AREA])[:MOST_NUMBERS] + 1
    for number, label in enumerate(sorted(largest), 1):
        density = (painted & (labels == label)).astype(np.float32)
        regions[number] = cv2.resize(density, size, interpolation=cv2.INTER_AREA)
    return png(numbered(shown, regions))
