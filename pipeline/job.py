"""A job's folder: its files checked together, and what they come to for any frame or delivery.

Reads what people write (job.yaml, setups/, frames/, the recipe) and the digests of files that steps
name. Knows nothing of pixels, the manifest or what was done already.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import count
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from pipeline import captions, naming, wording, yamlfile
from pipeline.clocks import body_of
from pipeline.conditions import RATING, Condition
from pipeline.errors import InvalidInput, Problem
from pipeline.icc import OutputProfile, read_output_profile
from pipeline.local import (
    ColourReader,
    Known,
    LocalLayer,
    UndefinedHere,
    held,
    known_products,
    laid_over,
)
from pipeline.masking import Mask
from pipeline.recipe import (
    DEFAULT,
    Chain,
    Layers,
    Model,
    Recipe,
    WrittenValue,
    house_recipes,
    read_recipe,
    shipped,
)
from pipeline.records import (
    REJECTED,
    FrameState,
    Origin,
    ResolvedChart,
    ResolvedDelivery,
    ResolvedFrame,
    ResolvedProduct,
    ResolvedRetouch,
    ResolvedStep,
)
from pipeline.selection import FramePattern
from pipeline.step import Step
from pipeline.steps import STEPS
from pipeline.written import SIZES, Delivery, FrameFile, JobFile, OutputSpace, SetupFile
from pipeline.yamlfile import Document, Place

JOB_FILE = "job.yaml"
DEFAULT_EDITION = "after-2014"
ENDINGS = {"jpeg": "jpg", "tiff": "tif", "png": "png", "webp": "webp", "avif": "avif", "jxl": "jxl"}
HOLD_CMYK = ("jpeg", "tiff")
"""The formats that can hold four inks; PNG (ISO/IEC 15948), WebP (RFC 9649) and the others as we
write them hold RGB."""

NOBODY = "the client's name"
"""Who a new job is for, until somebody says."""


@dataclass(frozen=True, slots=True)
class Setup:
    """A setup's file, and its frames as patterns."""

    document: Document
    file: SetupFile
    patterns: tuple[FramePattern, ...]

    def lists(self, frame: str) -> bool:
        """Whether the file lists this frame."""
        return any(pattern.matches(frame) for pattern in self.patterns)


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame's file."""

    document: Document
    file: FrameFile


@dataclass(frozen=True, slots=True)
class DeliveryOrder:
    """A delivery's settings, where each was written, and the ICC profile that its files are for."""

    delivery: Delivery
    values: Mapping[str, WrittenValue]
    profile: OutputProfile | None = None

    @property
    def settings(self) -> dict[str, Any]:
        """``Delivery.settings``, with the profile's digest: another file makes other pictures."""
        settings = self.delivery.settings
        if self.profile:
            settings["space"]["digest"] = self.profile.digest
        return settings

    def origin(self, key: str) -> Origin:
        """Where a setting stands; nowhere for a default."""
        return self.values[key].origin if key in self.values else DEFAULT


@dataclass(frozen=True, slots=True)
class Resolved:
    """What a setup's and a frame's file make of the recipe, where the products are, what the
    retoucher is asked for, and the frames that masks follow, without what decides of it yet."""

    steps: tuple[ResolvedStep, ...]
    products: tuple[ResolvedProduct, ...]
    retouch: ResolvedRetouch
    follows: Mapping[str, Mapping[str, Any]]


Key = tuple[str | None, str | None, str | None]
"""A setup and a frame that have files, and the frame whose masks are followed."""


@dataclass(frozen=True)
class Job:
    """A job whose files are all valid.

    ``files`` maps paths that steps and masks name to where they lie. ``charts`` are those of the
    setups that have one, ``products`` the colours of the job's products. ``resolved`` keeps what
    comes of a setup's, a followed frame's and a frame's file, which frames without a file of their
    own share.
    """

    folder: Path
    document: Document
    file: JobFile
    recipe: Recipe
    setups: Mapping[str, Setup]
    frames: Mapping[str, Frame]
    deliveries: Mapping[str, DeliveryOrder]
    steps: Mapping[str, Step]
    files: dict[str, Path]
    selection: Condition
    charts: Mapping[str, ResolvedChart]
    products: Mapping[str, Known]
    resolved: dict[Key, Resolved] = field(repr=False)

    @property
    def originals_in_place(self) -> Path | None:
        """The folder outside or inside the job whose originals are used where they are."""
        return self.folder / self.file.originals if self.file.originals else None

    def is_select(self, state: FrameState) -> bool:
        """Whether a frame is to be finished."""
        return self.selection.holds({"rating": state.rating})

    def setup_of(self, frame: str, grouped: str | None = None) -> str | None:
        """The setup whose file lists a frame, or else the one that ingest ``grouped`` it in."""
        return _setup_of(self.setups, frame) or grouped

    def resolve(self, frame: str, grouped: str | None = None) -> ResolvedFrame:
        """What is done to a frame: recipe, then setup, then the frame's own file.

        Raises ``InvalidInput`` where the three are valid alone but not together.
        """
        setup = self.setup_of(frame, grouped)
        within, own = self.setups.get(setup or ""), self.frames.get(frame)
        origin = _origin(frame, within, own)
        key = (setup if within else None, frame if own else None, origin)
        if key not in self.resolved:
            layers = Layers(self.steps)
            chain = _laid(layers, self.recipe.chain, within)
            chain = _laid(layers, _with_spots(layers, chain, self.frames, origin), own)
            files = [within, _followed(self.frames, origin), own]
            found = _resolved(layers, self.recipe, chain, files, self.products)
            if layers.problems:
                raise InvalidInput(layers.problems)
            self.files.update(layers.files)
            self.resolved[key] = found
        found = self.resolved[key]
        chart = self.charts.get(setup or "") if _from_chart(found.steps) else None
        return ResolvedFrame(
            frame,
            self.recipe.name,
            setup,
            found.steps,
            chart,
            found.products,
            retouch=found.retouch,
            follows=found.follows,
        )

    def check_charts(self, selects: Mapping[str, str | None]) -> list[Problem]:
        """Which of the selects, each with its group, need a chart that nobody named."""
        without: dict[Origin, list[str]] = {}
        for frame, grouped in selects.items():
            resolved = self.resolve(frame, grouped)
            if (origin := _from_chart(resolved.steps)) and resolved.chart is None:
                without.setdefault(origin, []).append(frame)
        return [
            Problem(
                origin.file,
                origin.line,
                "balance.from",
                f"chart, and no chart is named for {_few(frames)}",
                "chart: {frame: NAME} in the setup's file, or another balance",
            )
            for origin, frames in without.items()
        ]

    def check_frames(self, known: Collection[str]) -> list[Problem]:
        """What the files say of frames that are not in the job.

        A range or a glob may have gaps, for frames are deleted in the camera, but has to mean at
        least one frame.
        """
        known = frozenset(known)
        problems = [
            document.problem(place, f"no frame {pattern.text} was ingested", "frames of the job")
            for document, place, pattern in self._mentions()
            if not pattern.among(known)
        ]
        return problems + list(_overlaps(self.setups, known))

    def _mentions(self) -> Iterator[tuple[Document, Place, FramePattern]]:
        """Every place where a file names frames."""
        for name, frame in self.frames.items():
            yield frame.document, ("frame",), FramePattern(name, frozenset((name,)))
        for setup in self.setups.values():
            for place, pattern in _patterns(setup.document.value.get("frames"), ("frames",)):
                yield setup.document, place, pattern
            if chart := setup.file.chart:
                pattern = FramePattern(chart.frame, frozenset((chart.frame,)))
                yield setup.document, ("chart", "frame"), pattern
            if setup.file.follow:
                written = setup.document.value["follow"].get("frames")
                for place, pattern in _patterns(written, ("follow", "frames")):
                    yield setup.document, place, pattern
        for order in self.deliveries.values():
            if order.delivery.frames not in (("approved",), ("selects",)):
                written = order.values["frames"]
                for place, pattern in _patterns(written.value, written.place):
                    yield written.document, place, pattern

    def resolve_delivery(
        self, name: str, states: Sequence[FrameState], versions: Mapping[str, int] | None = None
    ) -> ResolvedDelivery:
        """A delivery's settings, and the file of each of ``states`` that belongs to it.

        ``seq`` counts from 1 in the order of capture; but what was packed is known by its number,
        keeps it, and leaves it to no other. ``versions`` gives the version that each frame will
        carry, by default its newest. Raises ``InvalidInput`` for a name that is not in the job, and
        where two files would get one name or one none.
        """
        if name not in self.deliveries:
            found = f"no delivery called {name}{wording.or_did_you_mean(name, self.deliveries)}"
            allowed = wording.listed(self.deliveries)
            raise InvalidInput([self.document.problem(("deliveries",), found, allowed)])
        order = self.deliveries[name]
        delivery = order.delivery
        chosen = sorted(
            (state for state in states if self._belongs(delivery, state)),
            key=lambda state: (state.original.capture.taken_at or "", state.name),
        )
        numbers = _numbered(name, chosen, states)
        chosen.sort(key=lambda state: numbers[state.name])
        rows = [
            {
                "client": self.file.client,
                "job": self.file.job,
                "delivery": name,
                "frame": state.name,
                "seq": numbers[state.name],
                "setup": self.setup_of(state.name, state.setup),
                "rating": state.rating,
                "version": (versions or {}).get(
                    state.name, state.latest.number if state.latest else None
                ),
                "date": (state.original.capture.taken_at or "")[:10],
                "taken_at": state.original.capture.taken_at,
                "product": "-".join(p.name for p in self.resolve(state.name, state.setup).products),
                "width": delivery.width or delivery.long_edge or delivery.short_edge,
                "crop": (delivery.crop or "").replace(":", "x"),
            }
            for state in chosen
        ]
        names = naming.file_names(delivery.name, rows, order.origin("name"))
        ending = ENDINGS[delivery.format]
        metadata, origins = self._metadata(order)
        texts = [self._own_metadata(order, metadata, row) for row in rows]
        if problems := [problem for own in texts for problem in own.problems]:
            raise InvalidInput(problems)
        files = {
            state.name: {
                "path": f"deliveries/{name}/{file_name}.{ending}",
                **self._set_clock(delivery, state),
                **own.said,
                **self._framing(delivery, state),
            }
            for state, file_name, own in zip(chosen, names, texts, strict=True)
        }
        settings = order.settings
        return ResolvedDelivery(
            name=name,
            settings=settings,
            metadata=metadata,
            files=files,
            origins={
                **{key: order.origin(key) for key in settings},
                **origins,
                "file.taken_at": self.document.origin(("clocks",)),
            },
            numbers=numbers,
        )

    def _framing(self, delivery: Delivery, state: FrameState) -> dict[str, Any]:
        """What decides which part of a frame is shown, as ``cropping.Cropping`` reads it."""
        own = self.frames.get(state.name)
        framing: dict[str, Any] = {}
        if own and own.file.crop:
            part = own.file.crop
            framing["crop"] = [part.left, part.top, part.right, part.bottom]
        if delivery.cuts:
            resolved = self.resolve(state.name, state.setup)
            if own and own.file.focal:
                framing["focal"] = list(own.file.focal)
            elif subject := self._subject(state):
                framing["subject"] = subject
            keep = [
                {"name": product.name, "where": product.where, "files": product.files}
                for product in resolved.products
            ]
            framing |= {"keep": keep} if keep else {}
        return {"framing": framing} if framing else {}

    def _subject(self, state: FrameState) -> dict[str, Any] | None:
        """The first mask, the frame's own before the setup's and the recipe's, of a subject."""
        layers = [layer.file for layer in reversed(self._special(state.name, state.setup))]
        for file in (*layers, self.recipe.file):
            for mask in file.masks.values():
                if mask.kind == "subject":
                    return mask.model_dump(mode="json", by_alias=True, exclude_none=True)
        return None

    def _set_clock(self, delivery: Delivery, state: FrameState) -> dict[str, str | None]:
        """The capture time, where job.yaml corrects it and the delivery's files say it."""
        capture = state.original.capture
        if delivery.metadata != "full" or body_of(capture, self.file.clocks) is None:
            return {}
        return {"taken_at": capture.taken_at}

    def _belongs(self, delivery: Delivery, state: FrameState) -> bool:
        if state.rating == REJECTED:
            return False
        if delivery.frames == ("approved",):
            return state.approved_version is not None
        if delivery.frames == ("selects",):
            return self.is_select(state)
        return any(FramePattern.parse(text).matches(state.name) for text in delivery.frames)

    def reminders(
        self, states: Sequence[FrameState], deliveries: Collection[str] | None = None
    ) -> list[str]:
        """What deliveries, by default all, still lack that a careful person would say of them."""
        found: dict[str, list[str]] = {}
        of_all = captions.said_by(self.file)
        notes: list[str] = []
        if self.file.client == NOBODY:
            notes.append(f'job.yaml still says "{NOBODY}", and so does every sheet')
        for name in self.deliveries if deliveries is None else deliveries:
            notes += _without_table(self.deliveries[name])
            delivery = self.deliveries[name].delivery
            if delivery.metadata == "none":
                continue
            on_screens = delivery.for_screens and delivery.metadata == "full"
            for state in states:
                if self._belongs(delivery, state):
                    said = of_all
                    for layer in self._special(state.name, state.setup):
                        said = captions.laid_over(said, captions.said_by(layer.file))
                    for kind in captions.missing(said, read_on_screens=on_screens):
                        found.setdefault(kind, []).append(state.name)
        return [*dict.fromkeys(notes), *captions.reminders(found)]

    def _special(self, frame: str, grouped: str | None) -> list[Setup | Frame]:
        """The files that are about a frame, the most special last."""
        layers = (self.setups.get(self.setup_of(frame, grouped) or ""), self.frames.get(frame))
        return [layer for layer in layers if layer]

    def _metadata(self, order: DeliveryOrder) -> tuple[dict[str, Any], dict[str, Origin]]:
        """What all files of a delivery carry, and where each piece stands."""
        said = _carried(order.delivery, captions.said_by(self.file))
        metadata = {name: value for name, value in said.items() if value}
        origins = {
            f"metadata.{name}": self.document.origin(captions.place_of(self.file, name))
            for name in metadata
        }
        if order.delivery.description and order.delivery.metadata == "full":
            metadata["description"] = order.delivery.description
            origins["metadata.description"] = order.origin("description")
        return metadata, origins

    def _own_metadata(
        self, order: DeliveryOrder, metadata: Mapping[str, Any], row: Mapping[str, Any]
    ) -> _Own:
        """What a file says that the others of its delivery do not, fields filled in."""
        own: dict[str, Any] = {}
        problems = []
        layers = self._special(row["frame"], row["setup"])
        for layer in layers:
            own = captions.laid_over(own, _carried(order.delivery, captions.said_by(layer.file)))
        whole = captions.laid_over(metadata, own)
        said = {name: whole[name] for name in own}
        for name in sorted(captions.TEMPLATES & whole.keys()):
            try:
                text = captions.filled(whole[name], row)
            except ValueError as error:
                at: Job | Setup | Frame = next(
                    (layer for layer in layers[::-1] if name in captions.said_by(layer.file)), self
                )
                place = captions.place_of(at.file, name)
                found = f"frame {row['frame']}: {error}"
                problems.append(at.document.problem(place, found, "fields that every frame has"))
                continue
            if text != whole[name]:
                said[name] = text
        return _Own(said, problems)


def _without_table(order: DeliveryOrder) -> Iterator[str]:
    """Words where a profile has no colours of its own for the intent."""
    space = order.delivery.space
    if order.profile is None or not isinstance(space, OutputSpace):
        return
    if instead := order.profile.instead_of(space.intent):
        yield (
            f"{space.profile} has no table for the intent {space.intent}: its {instead} one is used"
        )


@dataclass(frozen=True, slots=True)
class _Own:
    """What one file says besides what all of its delivery do, and what hinders it."""

    said: dict[str, Any]
    problems: list[Problem]


def _carried(delivery: Delivery, said: Mapping[str, Any]) -> dict[str, Any]:
    """What of a file's words goes into the files of a delivery."""
    kept = {"full": said.keys(), "rights-only": captions.RIGHTS, "none": ()}[delivery.metadata]
    return {
        name: value for name, value in said.items() if name in kept and name not in captions.SHOWN
    }


def find_job(start: Path) -> Path:
    """The job's folder that ``start`` is in or below; ``InvalidInput`` where there is none."""
    start = start.resolve()
    for folder in (start, *start.parents):
        if (folder / JOB_FILE).is_file():
            return folder
    found = f"no {JOB_FILE} here or in any folder above"
    allowed = "a job's folder, also as --job DIR; safelight new DIR makes one"
    raise InvalidInput([Problem(str(start), 0, "", found, allowed)])


def load_job(
    folder: Path, steps: Mapping[str, Step] = STEPS, read_colour: ColourReader | None = None
) -> Job:
    """Read and check every file of a job.

    ``read_colour`` reads the products that are measured as reflectances. Raises ``InvalidInput``
    with every problem of every file.
    """
    layers = Layers(steps)
    document = layers.read(folder / JOB_FILE, JOB_FILE, folder)
    file = layers.checked(document, JobFile) if document else None
    recipe = _recipe(layers, document, folder) if document else None
    setups = {
        setup.setup: Setup(written, setup, tuple(map(FramePattern.parse, setup.frames)))
        for written, setup in _files(layers, folder, "setups", SetupFile, "setup")
    }
    frames = {
        frame.frame: Frame(written, frame)
        for written, frame in _files(layers, folder, "frames", FrameFile, "frame")
    }
    layers.report(*_overlaps(setups, ()))
    orders = _orders(layers, document, recipe) if document else {}
    products = known_products(layers, document, file, read_colour) if document and file else {}
    _check_follows(layers, setups, frames)
    if file:
        _check_shots(layers, file, frames)
    resolved = _chains(layers, recipe, setups, frames, products if file else None)
    charts = {name: _chart(layers, setup) for name, setup in setups.items() if setup.file.chart}
    if layers.problems or document is None or file is None or recipe is None:
        in_reading_order = sorted(
            layers.problems,
            key=lambda problem: (problem.file != JOB_FILE, problem.file, problem.line),
        )
        raise InvalidInput(in_reading_order)
    return Job(
        folder=folder,
        document=document,
        file=file,
        recipe=recipe,
        setups=setups,
        frames=frames,
        deliveries=orders,
        steps=steps,
        files=layers.files,
        selection=Condition.parse(file.selects, {"rating": RATING}),
        charts=charts,
        products=products,
        resolved=resolved,
    )


def _files(
    layers: Layers, folder: Path, subfolder: str, model: type[Model], key: str
) -> Iterator[tuple[Document, Model]]:
    """The valid files of a subfolder, each called like the thing that it is about."""
    try:
        paths = sorted((folder / subfolder).iterdir())
    except FileNotFoundError:
        return
    except OSError as error:
        found = f"the folder cannot be read: {(error.strerror or str(error)).lower()}"
        layers.report(Problem(subfolder, 0, "", found, ""))
        return
    for path in paths:
        shown = f"{subfolder}/{path.name if path.name.isprintable() else ascii(path.name)}"
        if path.suffix == ".yml":
            layers.report(Problem(shown, 0, "", "the ending .yml", ".yaml"))
        if path.suffix != ".yaml" or path.name.startswith("."):
            continue
        document = layers.read(path, shown, folder)
        if document is None:
            continue
        file = layers.checked(document, model)
        if file is None:
            layers.entries(document, "adjust")
            continue
        name = getattr(file, key)
        if unicodedata.normalize("NFC", path.stem) != unicodedata.normalize("NFC", name):
            found = f"the file is called {wording.shown(path.stem)}, the {key} {name}"
            layers.report(document.problem((key,), found, "one name for both"))
        yield document, file


def _recipe(layers: Layers, document: Document, folder: Path) -> Recipe | None:
    """The recipe that job.yaml names: a house recipe, or a file inside the job."""
    written = document.value.get("recipe") if isinstance(document.value, dict) else None
    if not isinstance(written, str):
        return None
    if re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]*", written):
        house = shipped("recipes")
        path, root = house / f"{written}.yaml", house
        if not path.is_file():
            names = house_recipes()
            found = f"no house recipe called {written}{wording.or_did_you_mean(written, names)}"
            allowed = f"{wording.listed(names)}, or the path of a recipe inside the job"
            layers.report(document.problem(("recipe",), found, allowed))
            return None
        return read_recipe(layers, path, f"recipes/{path.name}", root)
    try:
        path = yamlfile.inside(folder, written)
        if not path.is_file():
            raise ValueError("there is no such file")
    except ValueError as error:
        found = f"{wording.shown(written)}: {error}"
        allowed = "a house recipe's name, or the path of a recipe inside the job"
        layers.report(document.problem(("recipe",), found, allowed))
        return None
    return read_recipe(layers, path, written, folder)


def _chains(
    layers: Layers,
    recipe: Recipe | None,
    setups: Mapping[str, Setup],
    frames: Mapping[str, Frame],
    products: Mapping[str, Known] | None,
) -> dict[Key, Resolved]:
    """What comes of the recipe alone, of every setup, and of every frame that has a file."""
    if recipe is None:
        # without the chain below it, an override cannot be judged; its form can
        layers_above: list[Setup | Frame] = [*setups.values(), *frames.values()]
        for layer in layers_above:
            layers.entries(layer.document, "adjust")
        return {}
    chains: dict[Key, Chain] = {(None, None, None): recipe.chain}
    for name, setup in setups.items():
        chains[name, None, None] = _laid(layers, recipe.chain, setup)
        if setup.file.follow:
            named = setup.file.follow.origin
            chain = _with_spots(layers, chains[name, None, None], frames, named)
            chains[name, None, named] = chain
    for name, frame in frames.items():
        within = _setup_of(setups, name)
        origin = _origin(name, setups.get(within or ""), frame)
        chain = _with_spots(layers, chains[within, None, None], frames, origin)
        chains[within, name, origin] = _laid(layers, chain, frame)
    if products is None:  # what the job's own file says of them is not valid
        return {}
    layers_above = [*setups.values(), *frames.values()]
    elsewhere = {name for layer in (recipe, *layers_above) for name in layer.file.masks}
    resolved = {}
    for key, chain in chains.items():
        followed = _followed(frames, key[2])
        above = [setups.get(key[0] or ""), followed, frames.get(key[1] or "")]
        with suppress(UndefinedHere):  # no harm where no frame comes to this: ``resolve`` will say
            resolved[key] = _resolved(layers, recipe, chain, above, products, elsewhere)
    return resolved


def _chart(layers: Layers, setup: Setup) -> ResolvedChart:
    """What a setup's file says of its chart."""
    chart, document = setup.file.chart, setup.document
    assert chart is not None
    inputs: dict[str, Any] = {"edition": chart.edition or DEFAULT_EDITION}
    if chart.values is not None:
        written = WrittenValue(chart.values, document, ("chart", "values"))
        inputs = {"values": layers.digest(written)}
    if chart.corners is not None:
        inputs["corners"] = [list(corner) for corner in chart.corners]
    origins = {key: document.origin(("chart", key)) for key in document.value["chart"]}
    return ResolvedChart(setup.file.setup, chart.frame, inputs, chart.values, origins)


def _from_chart(steps: Sequence[ResolvedStep]) -> Origin | None:
    """Where it stands that the balance comes from a chart, or None."""
    for step in steps:
        if step.step == "balance" and step.parameters.get("from") == "chart":
            return step.origins["from"]
    return None


def _few(names: Sequence[str]) -> str:
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def _laid(layers: Layers, chain: Chain, layer: Setup | Frame | None) -> Chain:
    return layers.over(chain, layers.entries(layer.document, "adjust")) if layer else chain


def _resolved(
    layers: Layers,
    recipe: Recipe,
    chain: Chain,
    above: Sequence[Setup | Frame | None],
    products: Mapping[str, Known],
    elsewhere: Collection[str] = (),
) -> Resolved:
    """A chain's steps with the local stage between them; see ``local.laid_over``."""
    files: list[LocalLayer] = [(recipe.document, recipe.file)]
    files += [(layer.document, layer.file) for layer in above if layer]
    local = laid_over(layers, files, products, elsewhere)
    hold = held(layers, recipe, products)
    steps = [link.resolved for link in chain if link.resolved]
    finish = [step for step in steps if step.stage == "finish"]
    before = [step for step in steps if step.stage != "finish"]
    chained = (*before, *((hold,) if hold else ()), *local.edits, *finish)
    masks = [Mask.model_validate(edit.parameters["mask"]) for edit in local.edits]
    followed = {name for mask in masks for name in mask.followed}
    spots = [spot for step in steps for spot in step.parameters.get("spots", ())]
    followed |= {spot["follows"] for spot in spots if "follows" in spot}
    return Resolved(chained, local.products, local.retouch, {name: {} for name in sorted(followed)})


def _numbered(
    delivery: str, chosen: Sequence[FrameState], states: Sequence[FrameState]
) -> dict[str, int]:
    """What ``seq`` is of each of the ``chosen``, in the order in which they stand."""
    known = {s.name: s.numbers[delivery] for s in states if delivery in s.numbers}
    free = count(max(known.values(), default=0) + 1)
    return {s.name: known[s.name] if s.name in known else next(free) for s in chosen}


def _origin(name: str, setup: Setup | None, frame: Frame | None) -> str | None:
    """The frame whose local edits one gets, or None."""
    if frame and frame.file.follow:
        return frame.file.follow.origin
    follow = setup.file.follow if setup else None
    if follow is None or follow.origin == name:
        return None
    patterns = map(FramePattern.parse, follow.frames)
    meant = not follow.frames or any(pattern.matches(name) for pattern in patterns)
    return follow.origin if meant else None


def _can_be_followed(file: FrameFile) -> bool:
    return bool(file.local) or any("spotting" in entry for entry in file.adjust)


def _followed(frames: Mapping[str, Frame], origin: str | None) -> Frame | None:
    """What is followed of a frame's file: its masks and local edits, carried from there."""
    if origin is None or origin not in frames:
        return None
    frame = frames[origin]
    carried = {name: mask.carried_from(origin) for name, mask in frame.file.masks.items()}
    edits = tuple(
        edit.model_copy(update={"mask": edit.mask.carried_from(origin)}) if edit.mask else edit
        for edit in frame.file.local
    )
    return Frame(frame.document, FrameFile(frame=origin, masks=carried, local=edits))


def _with_spots(
    layers: Layers, chain: Chain, frames: Mapping[str, Frame], origin: str | None
) -> Chain:
    """A chain with the declared spots of a followed frame, carried from there."""
    if origin is None or origin not in frames:
        return chain
    carried = []
    for entry in layers.entries(frames[origin].document, "adjust"):
        written = entry.values.get("spots")
        if entry.step.name == "spotting" and written and isinstance(written.value, tuple):
            spots = tuple(
                {"follows": origin, **spot} if isinstance(spot, dict) else spot
                for spot in written.value
            )
            carried.append(replace(entry, values={"spots": replace(written, value=spots)}))
    return layers.over(chain, carried)


def _check_follows(
    layers: Layers, setups: Mapping[str, Setup], frames: Mapping[str, Frame]
) -> None:
    """Report what cannot be followed: a frame without edits, itself, or one that follows too."""
    above: list[tuple[str | None, Setup | Frame]] = [
        *((None, setup) for setup in setups.values()),
        *frames.items(),
    ]
    for name, layer in above:
        if layer.file.follow is None:
            continue
        origin = layer.file.follow.origin
        found = None
        if origin == name:
            found = "itself"
        elif origin not in frames or not _can_be_followed(frames[origin].file):
            meant = wording.or_did_you_mean(origin, frames)
            found = f"{origin}, whose file has neither local edits nor spots{meant}"
        elif frames[origin].file.follow:
            found = f"{origin}, which follows another frame itself"
        if found:
            allowed = "a frame whose own file has what is to be carried"
            layers.report(layer.document.problem(("follow", "from"), found, allowed))


def _check_shots(layers: Layers, file: JobFile, frames: Mapping[str, Frame]) -> None:
    """Report what frames serve and the shot list does not have."""
    for frame in frames.values():
        for index, name in enumerate(frame.file.shots):
            if name not in file.shots:
                found = f"no shot called {name}{wording.or_did_you_mean(name, file.shots)}"
                allowed = wording.listed(file.shots) or f"shots of {JOB_FILE}; it lists none"
                layers.report(frame.document.problem(("shots", index), found, allowed))


def _setup_of(setups: Mapping[str, Setup], frame: str) -> str | None:
    return next((name for name, setup in setups.items() if setup.lists(frame)), None)


def _overlaps(setups: Mapping[str, Setup], known: Collection[str]) -> Iterator[Problem]:
    """Frames that two setups list: those written out, and of the globs those that are known."""
    for later, setup in enumerate(setups.values()):
        for earlier in list(setups.values())[:later]:
            for place, pattern in _patterns(setup.document.value.get("frames"), ("frames",)):
                names = pattern.names or pattern.among(_names(earlier, known))
                if shared := sorted(filter(earlier.lists, names)):
                    more = f" and {len(shared) - 1} more" if len(shared) > 1 else ""
                    found = f"{shared[0]}{more} in the setup {earlier.file.setup} already"
                    yield setup.document.problem(place, found, "each frame in one setup")


def _names(setup: Setup, known: Collection[str]) -> frozenset[str]:
    return frozenset(known).union(*(pattern.names for pattern in setup.patterns))


def _patterns(written: Any, place: Place) -> Iterator[tuple[Place, FramePattern]]:
    """The patterns of a checked document, each with its place."""
    if isinstance(written, str):
        yield place, FramePattern.parse(written)
    else:
        for index, text in enumerate(written or ()):
            yield (*place, index), FramePattern.parse(text)


def _orders(layers: Layers, document: Document, recipe: Recipe | None) -> dict[str, DeliveryOrder]:
    """Every delivery: what the recipe brings, and over it what job.yaml says, key by key."""
    written = document.value.get("deliveries") if isinstance(document.value, dict) else None
    written = written if isinstance(written, dict) else {}
    brought = recipe.deliver if recipe else {}
    orders: dict[str, DeliveryOrder] = {}
    twins: dict[str, str] = {}
    for name in (*written, *(name for name in brought if name not in written)):
        place: Place = ("deliveries", name)
        if naming.is_device(name) or name.casefold() in twins:
            found = f"the name {name}"
            allowed = "names that differ in more than case, and no device's"
            layers.report(document.problem(place, found, allowed))
        twins.setdefault(name.casefold(), name)
        values: dict[str, WrittenValue] = {}
        at = WrittenValue(None, document, place)
        if name in brought:
            at = brought[name]
            values = _settings(at)
            if not values and name not in written:
                found = f"no delivery called {name} in {JOB_FILE}"
                found += wording.or_did_you_mean(name, written)
                layers.report(at.document.problem(at.place, found, wording.listed(written)))
                continue
        if name in written:
            at = WrittenValue(written[name], document, place)
            later = _settings(at)
            if later.keys() & set(SIZES):
                values = {key: value for key, value in values.items() if key not in SIZES}
            values.update(later)
        if delivery := _delivery(layers, values, at):
            profile = _output_profile(layers, delivery, values)
            orders[name] = DeliveryOrder(delivery, values, profile)
    return orders


def _output_profile(
    layers: Layers, delivery: Delivery, values: Mapping[str, WrittenValue]
) -> OutputProfile | None:
    """The profile that a delivery's space names; None, and reported, where it cannot be used."""
    if not isinstance(delivery.space, OutputSpace):
        return None
    space = values["space"]
    written = WrittenValue(delivery.space.profile, space.document, (*space.place, "profile"))
    digest = layers.digest(written)
    if digest is None:
        return None
    try:
        profile = read_output_profile(layers.files[written.value], digest)
    except ValueError as error:
        found = f"{wording.shown(written.value)}: {error}"
        allowed = "an ICC profile of the class output or display, for RGB or CMYK"
        layers.report(written.document.problem(written.place, found, allowed))
        return None
    if profile.codes == "CMYK" and delivery.format not in HOLD_CMYK:
        kind = values["format"]
        found = f"{delivery.format} cannot hold CMYK, which {written.value} is for"
        layers.report(kind.document.problem(kind.place, found, wording.listed(HOLD_CMYK)))
    return profile


def _settings(written: WrittenValue) -> dict[str, WrittenValue]:
    return {
        key: WrittenValue(value, written.document, (*written.place, key))
        for key, value in (written.value if isinstance(written.value, dict) else {}).items()
        if value is not None
    }


def _delivery(
    layers: Layers, values: Mapping[str, WrittenValue], at: WrittenValue
) -> Delivery | None:
    def locate(place: Place) -> tuple[Document, Place]:
        if place and (value := values.get(str(place[0]))):
            return value.document, (*value.place, *place[1:])
        return at.document, (*at.place, *place)

    settings = {key: value.value for key, value in values.items()}
    try:
        return Delivery.model_validate(settings)
    except ValidationError as error:
        layers.report(*wording.problems(error, Delivery, settings, locate))
        return None
