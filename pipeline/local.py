"""Local edits, named masks and products: what recipe, setup and frame say, laid over each other.

Names are looked up here, so that what leaves is plain values: a mask without names in it, a product
with its colour and its place. Knows no pixels; what geometry alone can refuse is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from pipeline import wording
from pipeline.edits import EDITS
from pipeline.masking import EDGES, Mask, extent
from pipeline.recipe import Layers, Recipe, WrittenValue, origins_of
from pipeline.records import (
    Origin,
    Request,
    ResolvedProduct,
    ResolvedRetouch,
    ResolvedStep,
)
from pipeline.step import HOLD_VERSION
from pipeline.written import FrameFile, JobFile, RecipeFile, SetupFile
from pipeline.yamlfile import Document, Place, dotted

MOST_SHAPES = 200
"""In one mask, when all names in it have been looked up."""

LocalLayer = tuple[Document, RecipeFile | SetupFile | FrameFile]
"""One file, as it was written and as its model."""
Colour = tuple[float, float, float]
ColourReader = Callable[[Path, str], Colour]
"""Gives the Lab value (D50, 2 degree) of a measured colour: of the file's row of that name, or of
its only one. Raises ``ValueError`` with a sentence."""


class UndefinedHere(Exception):
    """A mask is named that other files define, but none of those at hand."""


@dataclass(frozen=True, slots=True)
class Known:
    """A product's colour, wherever it came from, and where it was written."""

    lab: Colour
    tolerance: float
    geometry: str | None
    origin: Origin


@dataclass(frozen=True, slots=True)
class LocalStage:
    """Local edits in the order in which they are done, the products whose place is known, and what
    the retoucher is asked for."""

    edits: tuple[ResolvedStep, ...] = ()
    products: tuple[ResolvedProduct, ...] = ()
    retouch: ResolvedRetouch = field(default_factory=ResolvedRetouch)


@dataclass(frozen=True, slots=True)
class _Plain:
    """A mask without names: as JSON, where each part stands, the digests of files it reads."""

    value: Mapping[str, Any]
    origins: Mapping[str, Origin]
    files: Mapping[str, str]


def known_products(
    layers: Layers, document: Document, file: JobFile, read_colour: ColourReader | None
) -> dict[str, Known]:
    """The products of a job, those measured as reflectances read by ``read_colour``."""
    known: dict[str, Known] = {}
    for name, product in file.products.items():
        place: Place = ("products", name)
        lab = product.lab
        if product.reflectance is not None:
            written = WrittenValue(product.reflectance, document, (*place, "reflectance"))
            lab = _measured(layers, written, name, read_colour)
        if lab is not None:
            origin = document.origin(place)
            known[name] = Known(lab, product.tolerance, product.geometry, origin)
    return known


def _measured(
    layers: Layers, written: WrittenValue, name: str, read_colour: ColourReader | None
) -> Colour | None:
    if layers.digest(written) is None:
        return None
    try:
        if read_colour is None:
            raise ValueError("reflectance files are not read here")
        return read_colour(layers.files[written.value], name)
    except ValueError as error:
        found = f"{wording.shown(written.value)}: {error}"
        allowed = "measured reflectance, CGATS or CSV, or lab: [L, a, b]"
        layers.report(written.document.problem(written.place, found, allowed))
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        found = f"{wording.shown(written.value)} cannot be read: {reason}"
        layers.report(written.document.problem(written.place, found))
    return None


def held(layers: Layers, recipe: Recipe, products: Mapping[str, Known]) -> ResolvedStep | None:
    """What ``hold`` of a recipe comes to: the products whose colours the look must not move.

    ``stops`` is the exposure that the recipe itself asks for, which is part of its look.
    """
    document, file = recipe.document, recipe.file
    links = [link.resolved for link in recipe.chain if link.resolved]
    stops = sum(step.parameters["stops"] for step in links if step.step == "expose")
    chosen: list[dict[str, Any]] = []
    origins = {"": document.origin(("hold",))}
    for index, name in enumerate(file.hold):
        if product := _known(layers, WrittenValue(name, document, ("hold", index)), products):
            origins[f"products[{len(chosen)}]"] = product.origin
            chosen.append({"name": name, "lab": list(product.lab), "tolerance": product.tolerance})
    if not chosen:
        return None
    parameters = {"products": chosen, "stops": stops}
    return ResolvedStep("hold", "hold", "hold", HOLD_VERSION, parameters, origins)


def _known(layers: Layers, written: WrittenValue, products: Mapping[str, Known]) -> Known | None:
    name = str(written.value)
    if name not in products:
        found = f"no product called {name}{wording.or_did_you_mean(name, products)}"
        allowed = wording.listed(products) or "a product under products: in job.yaml"
        layers.report(written.document.problem(written.place, found, allowed))
    return products.get(name)


def laid_over(
    layers: Layers,
    files: Sequence[LocalLayer],
    products: Mapping[str, Known],
    elsewhere: Collection[str] = (),
) -> LocalStage:
    """The local stage of a recipe, with a setup's and a frame's file over it.

    An entry overrides the earlier one of its name, key by key; new ones join the end. Problems are
    reported to ``layers``. Raises ``UndefinedHere`` where a mask is named that none of ``files``
    defines but that is among ``elsewhere``: a recipe may name what each frame's own file defines.
    """
    masks = {
        name: WrittenValue(mask, document, ("masks", name))
        for document, file in files
        for name, mask in file.masks.items()
    }
    names = _Names(layers, masks, elsewhere)
    for written in masks.values():
        names.looked_up(written)
    placed, absent = _placed(layers, names, files, products)
    edits = [
        edit
        for name, entry in _entries(layers, files).items()
        for edit in _Entry(layers, names, name, entry, products, placed, absent).edits()
    ]
    # gains of light commute: the order in which they are written must make no other picture
    first = [edit for edit in edits if EDITS[edit.step].space == "scene"]
    first.sort(key=lambda edit: (EDITS[edit.step].order, edit.label))
    working = [edit for edit in edits if EDITS[edit.step].space == "working"]
    working.sort(key=lambda edit: edit.step == "match")
    return LocalStage((*first, *working), tuple(placed.values()), _asked(names, files))


def _asked(names: _Names, files: Sequence[LocalLayer]) -> ResolvedRetouch:
    """What the frame's file asks of the retoucher, and how its recipe sends it."""
    found = ResolvedRetouch()
    for document, file in files:
        if isinstance(file, RecipeFile):
            found = replace(found, always=file.retouch.when == "always", space=file.retouch.space)
        elif isinstance(file, FrameFile):
            requests: list[Request] = []
            origins: dict[str, Origin] = {}
            for index, ask in enumerate(file.retouch.ask):
                place: Place = ("retouch", "ask", index)
                origins[f"ask[{index}]"] = document.origin(place)
                where = None
                if ask.where is not None:
                    where = names.looked_up(WrittenValue(ask.where, document, (*place, "where")))
                requests.append(
                    Request(
                        index + 1,
                        ask.what,
                        where.value if where else None,
                        ask.must,
                        where.files if where else {},
                        ask.by,
                    )
                )
                if where:
                    inside = f"ask[{index}].where"
                    origins |= {
                        inside + path.removeprefix("mask"): origin
                        for path, origin in where.origins.items()
                    }
            found = replace(found, requests=tuple(requests), due=file.retouch.due, origins=origins)
    return found


def _entries(layers: Layers, files: Sequence[LocalLayer]) -> dict[str, dict[str, WrittenValue]]:
    """What is written for each entry, by key; "" is the entry as a whole, where it is last."""
    merged: dict[str, dict[str, WrittenValue]] = {}
    for document, file in files:
        here: set[str] = set()
        for index, entry in enumerate(file.local):
            place: Place = ("local", index)
            if entry.name in here:
                found = f"{entry.name} is here twice"
                layers.report(document.problem(place, found, "a name of its own for each"))
            here.add(entry.name)
            values = merged.setdefault(entry.name, {})
            values[""] = WrittenValue(None, document, place)
            for key in sorted(entry.model_fields_set - {"name"}):
                values[key] = WrittenValue(getattr(entry, key), document, (*place, key))
    return merged


def _placed(
    layers: Layers,
    names: _Names,
    files: Sequence[LocalLayer],
    products: Mapping[str, Known],
) -> tuple[dict[str, ResolvedProduct], set[str]]:
    """Where the products are, and the names of those that are not in the picture."""
    last: dict[str, WrittenValue] = {}
    for document, file in files:
        if isinstance(file, RecipeFile):
            continue
        for name, product in file.products.items():
            written = WrittenValue(product, document, ("products", name))
            if _known(layers, WrittenValue(name, document, written.place), products):
                last[name] = written
    placed: dict[str, ResolvedProduct] = {}
    for name, written in last.items():
        if written.value.where is None:
            continue
        at = WrittenValue(written.value.where, written.document, (*written.place, "where"))
        if plain := names.looked_up(at):
            if Mask.model_validate(plain.value).reads_scene:
                found = "a mask by tones, colour or focus, which depend on what the picture shows"
                layers.report(at.document.problem(at.place, found, "a place"))
            known = products[name]
            origins = {"": at.origin, **plain.origins}
            placed[name] = ResolvedProduct(
                name,
                known.lab,
                known.tolerance,
                known.geometry,
                plain.value,
                plain.files,
                origins,
            )
    return placed, {name for name, written in last.items() if written.value.absent}


@dataclass(frozen=True, slots=True)
class _Entry:
    """One entry of the local stage, after all layers."""

    layers: Layers
    names: _Names
    name: str
    values: Mapping[str, WrittenValue]
    products: Mapping[str, Known]
    placed: Mapping[str, ResolvedProduct]
    absent: Collection[str]

    def edits(self) -> Iterator[ResolvedStep]:
        """One resolved edit for each that the entry has, in the order of ``EDITS``."""
        kinds = [kind for kind in EDITS if kind in self.values]
        if not kinds:
            self._report("", "an entry without an edit", f"one or more of {wording.listed(EDITS)}")
        mask = None
        if "mask" in self.values and (mask := self.names.looked_up(self.values["mask"])) is None:
            return
        for kind in kinds:
            if kind == "match":
                yield from self._match(mask)
            elif mask is None:
                self._report("", f"{kind} without a mask", "a mask, which may be whole: true")
            elif EDITS[kind].by_place and not Mask.model_validate(mask.value).by_place:
                found = f"{kind} through a mask that depends on what the picture shows"
                self._report(kind, found, "a mask by place: masks look at the healed picture")
            else:
                yield self._edit(kind, mask)

    def _report(self, key: str, found: str, allowed: str) -> None:
        at = self.values[key]
        self.layers.report(at.document.problem(at.place, found, allowed))

    def _edit(self, kind: str, mask: _Plain, **more: Any) -> ResolvedStep:
        edit, written = EDITS[kind], self.values[kind]
        value = edit.plain(written.value)
        at = self.values[""]
        return ResolvedStep(
            stage="local",
            label=self.name,
            step=kind,
            version=edit.version,
            parameters={"name": self.name, "mask": mask.value, kind: value, **more},
            origins={
                "": at.document.origin(at.place),
                **mask.origins,
                **origins_of(value, written.document, written.place, (kind,)),
            },
            files=mask.files,
        )

    def _match(self, mask: _Plain | None) -> Iterator[ResolvedStep]:
        """A match with its product: without a mask, through the outline that says where it is."""
        written = self.values["match"]
        name = written.value.product
        at = WrittenValue(name, written.document, (*written.place, "product"))
        product, placed = _known(self.layers, at, self.products), self.placed.get(name)
        if product is None or name in self.absent:
            return
        where = placed.where if placed else None
        if mask is None and placed is None:
            found = f"match without a mask, and no file says where {name} is"
            allowed = f"a mask, or products: {{{name}: {{where: ...}}}} in the setup or the frame"
            self._report("match", found, allowed)
            return
        if mask is None:
            assert placed is not None and where is not None
            if "ellipse" in where:  # through it, its outline would show on the product
                found = f"match without a mask, and {name} is known by a spot to measure at"
                self._report("match", found, f"a mask of all that is {name}")
                return
            mask = _Plain(where, placed.origins, placed.files)
        target = {"name": name, "lab": list(product.lab), "tolerance": product.tolerance}
        if where is not None:
            target["where"] = where
        edit = self._edit("match", mask, product=target)
        yield replace(
            edit,
            origins={**edit.origins, "product": product.origin},
            files={**edit.files, **(placed.files if placed else {})},
        )


class _Names:
    """Looks up the names of masks."""

    def __init__(
        self, layers: Layers, masks: Mapping[str, WrittenValue], elsewhere: Collection[str]
    ) -> None:
        self.layers, self.masks, self.elsewhere = layers, masks, elsewhere

    def looked_up(self, written: WrittenValue) -> _Plain | None:
        """A mask as plain values; None, and reported, where it cannot be used."""
        found = _LookingUp(self.layers, self.masks, self.elsewhere)
        value = found.plain(written, ("mask",), ())
        if value is None:
            return None
        mask = Mask.model_validate(value)
        known = extent(mask)
        if known == "nothing":
            self._report(written, f"a mask that selects {known}", "a part of the frame")
        elif known == "everything" and not any(part.whole for _, part in mask.walk()):
            allowed = "a part of the frame, or whole: true"
            self._report(written, f"a mask that selects {known}", allowed)
        return _Plain(value, found.origins, found.files)

    def _report(self, at: WrittenValue, found: str, allowed: str) -> None:
        self.layers.report(at.document.problem(at.place, found, allowed))


@dataclass(slots=True)
class _LookingUp:
    """One mask on its way to plain values; counts its shapes and notes where each part stands."""

    layers: Layers
    masks: Mapping[str, WrittenValue]
    elsewhere: Collection[str]
    origins: dict[str, Origin] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)
    shapes: int = 0

    def plain(
        self, written: WrittenValue, inside: Place, through: tuple[str, ...]
    ) -> dict[str, Any] | None:
        """``inside`` is the place in what comes out, ``through`` the names that led here."""
        mask: Mask = written.value
        self.shapes += 1
        if self.shapes > MOST_SHAPES:
            if self.shapes == MOST_SHAPES + 1:
                found = f"a mask of more than {MOST_SHAPES} shapes, its names looked up"
                self._report(written, (), found, "fewer")
            return None
        if mask.named is not None:
            return self._named(mask, written, inside, through)
        edges = self._edges(mask, written, inside)
        if not mask.parts:
            if mask.painted is not None:
                self._read(
                    WrittenValue(mask.painted, written.document, (*written.place, "painted"))
                )
            value: dict[str, Any] = mask.model_dump(mode="json", by_alias=True, exclude_none=True)
            self.origins.update(origins_of(value, written.document, written.place, inside))
            return value
        parts = [
            self.plain(
                WrittenValue(part, written.document, (*written.place, *place)),
                (*inside, *place),
                through,
            )
            for place, part in mask.parts
        ]
        self.origins[dotted(inside)] = written.origin
        if None in parts:
            return None
        return {mask.kind: parts[0] if mask.kind == "not" else parts, **edges}

    def _named(
        self, mask: Mask, written: WrittenValue, inside: Place, through: tuple[str, ...]
    ) -> dict[str, Any] | None:
        name = str(mask.named)
        if name in through:
            circle = " -> ".join((*through[through.index(name) :], name))
            self._report(written, ("named",), f"a circle of masks: {circle}", "names that end")
            return None
        if name not in self.masks:
            if name in self.elsewhere:
                raise UndefinedHere(name)
            found = f"no mask called {name}{wording.or_did_you_mean(name, self.masks)}"
            allowed = wording.listed(self.masks)
            allowed = allowed or "a mask under masks: of the frame, its setup or the recipe"
            self._report(written, ("named",), found, allowed)
            return None
        edges = self._edges(mask, written, inside)
        if not edges:
            return self.plain(self.masks[name], inside, (*through, name))
        value = self.plain(self.masks[name], (*inside, "all", 0), (*through, name))
        return None if value is None else {"all": [value], **edges}

    def _edges(self, mask: Mask, written: WrittenValue, inside: Place) -> dict[str, Any]:
        """What is done to the mask's edge, which stays where it is when a name is looked up."""
        edges = {key: value for key in EDGES if (value := getattr(mask, key)) is not None}
        for key in edges:
            origin = written.document.origin((*written.place, key))
            self.origins[dotted((*inside, key))] = origin
        return edges

    def _read(self, file: WrittenValue) -> None:
        if digest := self.layers.digest(file):
            self.files[file.value] = digest

    def _report(self, at: WrittenValue, place: Place, found: str, allowed: str) -> None:
        self.layers.report(at.document.problem((*at.place, *place), found, allowed))
