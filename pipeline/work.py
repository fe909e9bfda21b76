"""What a worker does with one frame: open, develop, land the master, render and land deliveries.

Runs in a process of its own. It gets a plain record and returns one; it knows neither the manifest
nor the plan, and everything it writes goes through ``files.landing``.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.engines import Failure
from pipeline.engines.tries import may_pass
from pipeline.errors import ChartUnread, FrameFailed, SafelightError
from pipeline.figures import AssessWork
from pipeline.records import Artifact, ResolvedProduct, ResolvedStep, Shown
from pipeline.rounds import (
    Carried,
    CarryWork,
    Development,
    Examination,
    ExamineWork,
    Packed,
    PackWork,
    Retouched,
    SheetWork,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from pipeline.files.metadata import Blocks
    from pipeline.frame import Source
    from pipeline.kernels.chart import Corners
    from pipeline.kernels.dust import Evidence
    from pipeline.kernels.references import Edition
    from pipeline.rendition import RenditionSpec

ProductLabs = dict[str, tuple[float, float, float]]

PPI = 300
"""What files say of their resolution where no medium does; common practice for print."""


@dataclass(frozen=True, slots=True)
class DeliveredFile:
    """One file to make for a delivery: where it goes, its settings, what it says of itself.

    ``settings`` are those of ``ResolvedDelivery``; ``framing`` is as in ``cropping.Cropping``;
    ``profile`` is the file of the ICC profile that its space names.
    """

    delivery: str
    path: str
    settings: Mapping[str, Any]
    blocks: Blocks
    framing: Mapping[str, Any] = field(default_factory=dict)
    profile: Path | None = None


@dataclass(frozen=True, slots=True)
class FrameWork:
    """All that a worker needs to know about one frame. Paths of files made are relative to ``job``.

    ``recorded`` is the master to start from where it is current; else the original is developed
    into ``master``, or ``retouched`` finished into it.
    """

    frame: str
    job: Path
    development: Development
    master: str
    recorded: Artifact | None = None
    retouched: Retouched | None = None
    deliveries: tuple[DeliveredFile, ...] = ()


@dataclass(frozen=True, slots=True)
class FrameDone:
    """What came of it. ``master`` is None where the recorded one was current.

    ``shown`` is what those of the ``delivered`` show that show a part or have a border.
    ``unfinished`` says why a delivery is not among those ``delivered``; the rest is in place.
    ``notes`` are what a person should know of the frame, in sentences.
    """

    frame: str
    master: Artifact | None
    delivered: Mapping[str, Artifact]
    shown: Mapping[str, Shown] = field(default_factory=dict)
    seconds: Mapping[str, float] = field(default_factory=dict)
    unfinished: Failure | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ChartWork:
    """A chart to read: of a published ``edition``, unless it has ``values`` of its own in a file.

    ``corners`` are given where the chart was placed by hand.
    """

    original: Path
    original_digest: str
    edition: Edition
    values: Path | None
    corners: Corners | None


@dataclass(frozen=True, slots=True)
class ChartRead:
    """What came of it, as plain JSON values. ``warnings`` are sentences, such as of a glare."""

    correction: Mapping[str, Any]
    reading: Mapping[str, Any]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ProductsWork:
    """Products to read in one frame, through the ``steps`` that speak of its light."""

    original: Path
    original_digest: str
    steps: tuple[ResolvedStep, ...]
    products: tuple[ResolvedProduct, ...]
    files: Mapping[str, Path]
    correction: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class DustWork:
    """A frame to be searched for dust."""

    original: Path
    original_digest: str


@dataclass(frozen=True, slots=True)
class DustRead:
    """What came of it, in the sensor's orientation, and what that is (Exif, 1 to 8)."""

    evidence: Evidence
    orientation: int


@dataclass(frozen=True, slots=True)
class SmallWork:
    """A frame to be made small, from its original or its master, at most ``long_edge_px`` long."""

    path: Path
    long_edge_px: int
    is_master: bool = False


Work = (
    FrameWork
    | ChartWork
    | ProductsWork
    | DustWork
    | SmallWork
    | AssessWork
    | PackWork
    | SheetWork
    | ExamineWork
    | CarryWork
)
Done = (
    FrameDone
    | ChartRead
    | ProductLabs
    | DustRead
    | bytes
    | dict[str, Any]
    | Packed
    | tuple[Artifact, ...]
    | Examination
    | Carried
)


def prepare() -> None:
    """Load what nearly every frame needs: a second of work, while a process waits for its first."""
    import pipeline.develop
    import pipeline.files.encode
    import pipeline.files.raw  # noqa: F401
    from pipeline.kernels.elementary import load_compiled

    load_compiled()


def do(work: Work) -> Done:
    """What a worker is asked for. Raises ``SafelightError`` with a sentence."""
    done: Done
    match work:
        case FrameWork():
            done = make_frame(work)
        case ChartWork():
            done = read_chart(work)
        case ProductsWork():
            done = read_products(work)
        case DustWork():
            done = search_dust(work)
        case SmallWork():
            from pipeline.files.preview import small_master, small_original

            small = small_master if work.is_master else small_original
            done = small(work.path, work.long_edge_px)
        case AssessWork():
            from pipeline.figures import measure

            done = measure(work)
        case PackWork():
            from pipeline.round_files import pack

            done = pack(work)
        case SheetWork():
            from pipeline.round_files import write_sheets

            done = write_sheets(work)
        case ExamineWork():
            from pipeline.takeback import examine

            done = examine(work)
        case CarryWork():
            from pipeline.carrying import carry

            done = carry(work)
    return done


def search_dust(work: DustWork) -> DustRead:
    """What a frame says of dust."""
    from pipeline.files.raw import open_original
    from pipeline.kernels.dust import evidence
    from pipeline.kernels.orient import sensor_view

    source = open_original(work.original, work.original_digest)
    stored = sensor_view(source.preview(), source.orientation)
    return DustRead(evidence(stored), source.orientation)


def read_products(work: ProductsWork) -> ProductLabs:
    """The L*a*b* of the products that can be read, by their names."""
    from pipeline.chain import product_colours
    from pipeline.files.painted import read_painted
    from pipeline.files.raw import open_original
    from pipeline.kernels.correction import Correction

    source = open_original(work.original, work.original_digest)
    correction = Correction.from_json(work.correction) if work.correction else None
    painted = {path: digest for p in work.products for path, digest in p.files.items()}
    try:
        return product_colours(
            source,
            work.steps,
            work.products,
            work.files,
            correction,
            {path: read_painted(work.files[path], painted[path]) for path in painted},
        )
    except ValueError as error:
        raise SafelightError(str(error)) from error


def read_chart(work: ChartWork) -> ChartRead:
    """Find, read and fit a chart."""
    from pipeline.files.raw import open_original
    from pipeline.kernels.chart import measure
    from pipeline.kernels.finding import NotFound, find_chart
    from pipeline.kernels.fitting import fit_correction
    from pipeline.kernels.recognition import doubt
    from pipeline.kernels.references import reference_xyz

    source = open_original(work.original, work.original_digest)
    try:
        if work.values:
            from pipeline.files.measured import read_chart as read_own_chart

            reference = read_own_chart(work.values)
        else:
            reference = reference_xyz(work.edition)
        picture = source.preview()
        if work.corners is not None:
            corners, placed = work.corners, "by hand"
        else:
            found = find_chart(picture, reference)
            if isinstance(found, NotFound):
                raise ChartUnread(
                    f"{found.reason}; give corners: in the setup's file, or another frame"
                )
            corners, placed = found.corners, "found"
        readings = measure(picture, corners)
        if reason := doubt(readings.rgb, reference, readings.usable):
            raise ChartUnread(
                f"{reason}; corners are those of dark skin, bluish green, black and white, in this "
                "order"
            )
        correction = fit_correction(
            readings.rgb,
            reference,
            usable=readings.usable,
            noise=readings.error,
            camera_matrix=source.light.to_working(source.light.as_shot),
        )
    except ValueError as error:
        raise ChartUnread(str(error)) from error
    reading = {
        "placed": placed,
        "corners": [list(corner) for corner in corners],
        "rgb": readings.rgb.tolist(),
        "noise": readings.noise.tolist(),
        "usable": readings.usable.tolist(),
    }
    return ChartRead(correction.to_json(), reading, readings.warnings)


def make_frame(work: FrameWork) -> FrameDone:
    """Make what is missing of a frame."""
    from pipeline.develop import MASTER_SPACE
    from pipeline.files.encode import read_master, tiff
    from pipeline.files.landing import land

    clock = _Clock()
    landed = None
    notes: list[str] = []
    if work.recorded is not None:
        pixels = read_master(work.job / work.recorded.path, work.recorded.digest)
        clock.lap("read master")
    else:
        pixels = (
            finished(work.retouched, work.development, notes.append)
            if work.retouched
            else developed(work.development, notes.append)
        )
        clock.lap("develop")
        landed = land(work.job / work.master, tiff(pixels, MASTER_SPACE, ppi=PPI), work.job)
        clock.lap("write master")
    shown: dict[str, Shown] = {}
    delivered, error = _deliver(work, pixels, notes, shown)
    clock.lap("deliver")
    if error is not None and may_pass(error):
        raise error  # the engine tries the frame again, and makes the same files
    unfinished = Failure(str(error), error.exit_code) if error else None
    return FrameDone(work.frame, landed, delivered, shown, clock.laps, unfinished, tuple(notes))


def developed(
    development: Development,
    say: Callable[[str], None] = lambda _sentence: None,
    *,
    finish: bool = True,
    space: str = "romm-rgb",
) -> NDArray[np.uint16]:
    """Develop an original: uint16 (height, width, 3), codes of ``space``, upright.

    Without ``finish`` up to and without the finish stage: what a retoucher gets. ``say`` is told,
    in sentences, what a person should know of the frame. Raises ``FrameFailed``.
    """
    from pipeline.develop import master_pixels
    from pipeline.files.painted import read_painted
    from pipeline.files.raw import open_original
    from pipeline.kernels.correction import Correction

    source = open_original(development.original, development.original_digest, development.threads)
    fitted, files = development.correction, development.files
    correction = Correction.from_json(fitted) if fitted else None
    painted = {
        path: digest
        for step in development.steps
        if step.stage == "local"
        for path, digest in step.files.items()
    }
    try:
        return master_pixels(
            source,
            development.steps,
            files,
            correction,
            development.threads,
            painted={path: read_painted(files[path], painted[path]) for path in painted},
            say=say,
            even=development.even,
            others=opener(development.others),
            finish=finish,
            space=space,
        )
    except ValueError as error:
        raise FrameFailed(str(error)) from error


def reencoded(
    pixels: NDArray[np.uint16], space: str, to: str = "romm-rgb", threads: int = 1
) -> NDArray[np.uint16]:
    """16-bit codes (height, width, 3) of one space as codes of another."""
    from pipeline.develop import master_pixels
    from pipeline.files.returned import as_source

    if space == to:
        return pixels
    return master_pixels(as_source(pixels, space), (), threads=threads, space=to)


def opener(others: Mapping[str, tuple[Path, str]]) -> Callable[[str], Source]:
    """Opens frames by their names, from their originals and digests."""
    from pipeline.files.raw import open_original

    return lambda name: open_original(*others[name])


def finished(
    retouched: Retouched,
    development: Development,
    say: Callable[[str], None] = lambda _sentence: None,
) -> NDArray[np.uint16]:
    """The finish stage on a retoucher's file: uint16 (height, width, 3), ROMM RGB codes, upright.

    Raises ``FrameFailed``.
    """
    from pipeline.develop import master_pixels
    from pipeline.files.returned import open_returned

    source = open_returned(retouched.path, retouched.digest, retouched.space)
    steps = [step for step in development.steps if step.stage == "finish"]
    try:
        return master_pixels(source, steps, development.files, threads=development.threads, say=say)
    except ValueError as error:
        raise FrameFailed(str(error)) from error


def _deliver(
    work: FrameWork, pixels: NDArray[np.uint16], notes: list[str], shown: dict[str, Shown]
) -> tuple[dict[str, Artifact], SafelightError | None]:
    """The files that are in place, and what kept the rest from it."""
    delivered: dict[str, Artifact] = {}
    if not work.deliveries:
        return delivered, None
    from pipeline.cropping import Cropping
    from pipeline.files.formats import written
    from pipeline.files.landing import land
    from pipeline.rendition import RenditionSpec, render

    height, width = pixels.shape[:2]
    cropping = Cropping(work.development, width, height)
    try:
        specs = [
            RenditionSpec.of(_rendered(file), cropping.part(file.settings, file.framing))
            for file in work.deliveries
        ]
        notes += cropping.notes
        pictures = render(pixels, specs, work.development.threads)
        for file, spec, picture in zip(work.deliveries, specs, pictures, strict=True):
            codes, profile = _in_profile(file, picture, work.development.threads, notes)
            ppi = _ppi(file, spec, picture.shape, notes)
            done = written(
                codes, spec.space, file.settings, ppi=ppi, blocks=file.blocks, profile=profile
            )
            notes += [f"{file.delivery}: {note}" for note in done.notes]
            delivered[file.delivery] = land(work.job / file.path, done.content, work.job)
            if part := spec.shown(width, height):
                shown[file.delivery] = part
    except SafelightError as error:
        return delivered, error
    return delivered, None


def _ppi(file: DeliveredFile, spec: RenditionSpec, shape: tuple[int, ...], notes: list[str]) -> int:
    """What a file says of its resolution: on paper, what makes it as large as was asked."""
    paper = spec.size.print
    if paper is None:
        return spec.sharpen_for.ppi if spec.sharpen_for else PPI
    height, width = shape[:2]
    across, down = paper.edges(width, height)
    shares = [has / edge for has, edge in ((width, across), (height, down)) if edge]
    ppi = round(paper.ppi * max(shares))
    if ppi < paper.ppi:
        notes.append(
            f"{file.delivery}: it prints at {ppi} pixels an inch, {paper.ppi} were asked: the "
            "frame has no more"
        )
    return ppi


def _rendered(file: DeliveredFile) -> Mapping[str, Any]:
    """What is rendered of a file: what a profile's space is made from has all its colours yet."""
    if file.profile is None:
        return file.settings
    return {**file.settings, "space": "romm-rgb", "bits": 16}


def _in_profile(
    file: DeliveredFile, picture: NDArray[Any], threads: int, notes: list[str]
) -> tuple[NDArray[Any], bytes | None]:
    """A rendition in the codes of the ICC profile that a file is for, if it is for one."""
    if file.profile is None:
        return picture, None
    from pipeline.files.output import open_output

    output = open_output(file.profile, file.settings["space"])
    if note := output.note(picture):
        notes.append(f"{file.delivery}: {note}")
    return output.codes(picture, file.settings["bits"], threads), output.profile


class _Clock:
    """Wall time by part, for the benchmark and for the curious."""

    def __init__(self) -> None:
        self.laps: dict[str, float] = {}
        self._last = time.perf_counter()

    def lap(self, name: str) -> None:
        now = time.perf_counter()
        self.laps[name] = now - self._last
        self._last = now
