"""Packs one frame for a round, in a worker, and the round's request sheet."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pipeline.masking import Mask
from pipeline.places import places
from pipeline.records import Artifact, Request
from pipeline.rounds import Packed, PackWork, SheetWork
from pipeline.viewing import USUAL

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from pipeline.files.landing import Content
    from pipeline.frame import Float32

PPI = 300
PICTURE_PX = 2048
"""Long edge of the pictures that are only looked at."""
QUALITY = 92
LEAST_DENSITY = 1 / 512
"""What nobody could see."""


def pack(work: PackWork) -> Packed:
    """Make a frame's files. Raises ``SafelightError``."""
    from pipeline.files.encode import jpeg, read_master, tiff
    from pipeline.files.identity import xmp_of
    from pipeline.files.metadata import Blocks
    from pipeline.framing import Size
    from pipeline.rendition import RenditionSpec, render
    from pipeline.work import reencoded

    landing = _Landing(work)
    threads = work.development.threads
    pixels = _pixels(work)
    blocks = Blocks(xmp=xmp_of(work.identity))
    content = tiff(pixels, work.space, ppi=PPI, blocks=blocks, deflated=True, threads=threads)
    sent = landing.land(".tif", content)
    del content
    shown = RenditionSpec(size=Size(long_edge=PICTURE_PX), sharpen_for=USUAL["screen"])
    master = read_master(work.job / work.master.path, work.master.digest)
    [finished] = render(master, [shown], threads)
    del master
    files = [landing.land("_reference.jpg", jpeg(finished, "srgb", quality=QUALITY, ppi=PPI))]
    [picture] = render(reencoded(pixels, work.space, threads=threads), [shown], threads)
    height, width = pixels.shape[:2]
    del pixels  # masks of this size take as much again
    masks, regions, notes = _masks(work, (height, width), picture.shape[:2], landing)
    if regions:
        from pipeline.outlines import numbered

        overview = jpeg(numbered(picture, regions), "srgb", quality=QUALITY, ppi=PPI)
        files.append(landing.land("_requests.jpg", overview))
    return Packed(
        frame=work.frame,
        sent=sent,
        masks=masks,
        files=tuple(files),
        sha256=landing.sha256,
        width=width,
        height=height,
        notes=tuple(notes),
    )


def _pixels(work: PackWork) -> NDArray[np.uint16]:
    """What is sent: (height, width, 3) codes of the work's space."""
    from pipeline.files.encode import read_master
    from pipeline.files.returned import read_returned
    from pipeline.work import developed, reencoded

    base = work.base
    if base is not None:
        pixels = read_returned(base.path, base.digest)
        return reencoded(pixels, base.space, work.space, work.development.threads)
    if not work.finish and work.space == "romm-rgb":
        return read_master(work.job / work.master.path, work.master.digest)
    return developed(work.development, finish=False, space=work.space)


# --- where things are asked for ---


def _masks(
    work: PackWork, size: tuple[int, int], small: tuple[int, int], landing: _Landing
) -> tuple[dict[int, Artifact], dict[int, Float32], list[str]]:
    """The mask pictures of the requests at ``size``, what they select at ``small``, and notes."""
    import cv2
    import numpy as np

    from pipeline.files.encode import png

    masks: dict[int, Artifact] = {}
    regions: dict[int, Float32] = {}
    notes = []
    for request, density in _densities(work, size):
        if density.max() < LEAST_DENSITY:
            notes.append(
                f"request {request.number} ({request.what}): its mask selects nothing in this "
                "frame, so that no place is shown for it"
            )
            continue
        codes = np.asarray(cv2.convertScaleAbs(density, alpha=255), np.uint8)
        masks[request.number] = landing.land(f"_mask-{request.number}.png", png(codes))
        region = cv2.resize(density, small[::-1], interpolation=cv2.INTER_AREA)
        regions[request.number] = np.asarray(region, np.float32)
    return masks, regions, notes


def _densities(work: PackWork, size: tuple[int, int]) -> Iterator[tuple[Request, Float32]]:
    """What each request's mask selects, one after the other."""
    placed = [request for request in work.requests if request.where is not None]
    masks = [Mask.model_validate(request.where) for request in placed]
    digests = {path: digest for request in placed for path, digest in request.files.items()}
    yield from zip(placed, places(work.development, masks, digests, size), strict=True)


# --- the round's own files ---


def write_sheets(work: SheetWork) -> tuple[Artifact, ...]:
    """Write the request sheet and the checksums. Raises ``SafelightError``."""
    from pipeline.files.landing import land
    from pipeline.request_sheet import as_pdf, as_text

    pictures = {}
    for frame in work.frames:
        shown = next(
            (f for f in frame.packed.files if f.path.endswith("_requests.jpg")),
            frame.packed.files[0],
        )
        pictures[frame.packed.frame] = (work.job / shown.path).read_bytes()
    contents = {"requests.pdf": as_pdf(work, pictures), "requests.txt": as_text(work).encode()}
    sums = {name: sha for frame in work.frames for name, sha in frame.packed.sha256.items()}
    sums |= {name: hashlib.sha256(content).hexdigest() for name, content in contents.items()}
    # two spaces and the name: what sha256sum -c reads
    contents["SHA256SUMS"] = "".join(f"{sums[name]}  {name}\n" for name in sorted(sums)).encode()
    return tuple(land(work.folder / name, content, work.job) for name, content in contents.items())


@dataclass(slots=True)
class _Landing:
    """Lands a frame's files under its stem and keeps their SHA-256 by their names."""

    work: PackWork
    sha256: dict[str, str] = field(default_factory=dict)

    def land(self, ending: str, content: Content) -> Artifact:
        from pipeline.files.landing import Summing, land

        path = self.work.folder / f"{self.work.stem}{ending}"
        summing = Summing(content)
        artifact = land(path, summing, self.work.job)
        self.sha256[path.name] = summing.sha256.hexdigest()
        return artifact
