"""Recipes: files to chains of steps, each value with the place it was written at.

Knows the registry of steps and how one layer lies over another; nothing of jobs, frames or pixels.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, ValidationError

from pipeline import wording, yamlfile
from pipeline.errors import InvalidInput, Problem
from pipeline.hashing import digest_file
from pipeline.records import Origin, ResolvedStep
from pipeline.step import Step
from pipeline.written import NAME_PATTERN, RecipeFile, delivery_default
from pipeline.yamlfile import Document, Place, dotted

Stage = Literal["look", "adjust", "finish"]
STAGES: tuple[Stage, ...] = ("look", "adjust", "finish")
DEFAULT = Origin("default", 0)

Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class WrittenValue:
    """A value, and the place that it was written at."""

    value: Any
    document: Document
    place: Place

    @property
    def origin(self) -> Origin:
        """File and line."""
        return self.document.origin(self.place)


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a list of steps. ``named`` tells a label of its own from the step's name."""

    step: Step
    label: str
    named: bool
    values: Mapping[str, WrittenValue]
    document: Document
    place: Place

    @property
    def plain(self) -> dict[str, Any]:
        """The parameters as they go to the step's model."""
        return {key: written.value for key, written in self.values.items()}

    def locate(self, inside: Place) -> tuple[Document, Place]:
        """Where a place inside the parameters was written."""
        value = self.values.get(str(inside[0])) if inside else None
        if value is None:
            return self.document, (*self.place, *inside)
        return value.document, (*value.place, *inside[1:])


@dataclass(frozen=True, slots=True)
class Link:
    """One step of a chain: what was written, and what came of it (None: nothing valid)."""

    stage: Stage
    entry: Entry
    resolved: ResolvedStep | None


Chain = tuple[Link, ...]


@dataclass(frozen=True, slots=True)
class Recipe:
    """A recipe's chain, and the settings of deliveries that it brings, by their names."""

    name: str
    document: Document
    file: RecipeFile
    chain: Chain
    deliver: Mapping[str, WrittenValue]


class Layers:
    """Lays steps over each other and collects every problem on the way.

    ``files`` maps each path that a step names to the file it means.
    """

    def __init__(self, steps: Mapping[str, Step]) -> None:
        self.steps = steps
        self.files: dict[str, Path] = {}
        self._problems: dict[Problem, None] = {}
        self._digests: dict[Path, str] = {}

    @property
    def problems(self) -> list[Problem]:
        """Every problem so far, each once."""
        return list(self._problems)

    def report(self, *problems: Problem) -> None:
        """Note problems; the same one may come from several frames."""
        self._problems.update(dict.fromkeys(problems))

    def read(self, path: Path, shown: str, root: Path) -> Document | None:
        """A document, or None where it cannot be read."""
        try:
            return yamlfile.read(path, shown, root)
        except InvalidInput as error:
            self.report(*error.problems)
            return None

    def checked(self, document: Document, model: type[Model]) -> Model | None:
        """A document as its model, or None where it is not valid."""
        try:
            return model.model_validate(document.value)
        except ValidationError as error:
            self.report(
                *wording.problems(error, model, document.value, lambda place: (document, place))
            )
            return None

    def entries(self, document: Document, stage: str) -> list[Entry]:
        """The valid entries of one list of steps; the others are reported."""
        entries: dict[str, Entry] = {}
        written = document.value.get(stage) if isinstance(document.value, dict) else None
        for index, item in enumerate(written if isinstance(written, tuple) else ()):
            place = (stage, index)
            if isinstance(item, dict) and (entry := self._entry(document, place, item)):
                if entry.label in entries:
                    found = f"{entry.label} is here twice"
                    self.report(document.problem(place, found, "a name: of its own for each"))
                entries.setdefault(entry.label, entry)
                self._report_values(entry)
        return list(entries.values())

    def _entry(self, document: Document, place: Place, written: dict[str, Any]) -> Entry | None:
        names = [key for key in written if key != "name"]
        if len(names) != 1:
            found = f"{len(names)} steps in one entry" if names else "an entry without a step"
            self.report(document.problem(place, found, "one step behind each dash"))
            return None
        (name,) = names
        if name not in self.steps:
            found = f"unknown step{wording.or_did_you_mean(name, self.steps)}"
            self.report(document.problem((*place, name), found, wording.listed(self.steps)))
            return None
        label = written.get("name", name)
        if not isinstance(label, str) or not re.search(NAME_PATTERN, label):
            allowed = "letters, digits, _ and -"
            self.report(document.problem((*place, "name"), wording.shown(label), allowed))
            return None
        step, inside = self.steps[name], (*place, name)
        values = _parameters(step, written[name], document, inside)
        if values is None:
            schema = step.parameters.model_json_schema()
            allowed = wording.described(schema, schema)
            self.report(document.problem(inside, wording.shown(written[name]), allowed))
            return None
        return Entry(step, label, "name" in written, values, document, inside)

    def chain(self, document: Document) -> Chain:
        """The chain of a recipe."""
        links: dict[str, Link] = {}
        for stage in STAGES:
            for entry in self.entries(document, stage):
                if entry.label in links:
                    found = f"{entry.label} is in {links[entry.label].stage} already"
                    allowed = "a name: of its own for each"
                    self.report(document.problem(entry.place, found, allowed))
                links[entry.label] = Link(stage, entry, self._resolved(stage, entry))
        return tuple(links.values())

    def over(self, chain: Chain, entries: Iterable[Entry]) -> Chain:
        """A chain with a later layer's entries laid over it.

        An entry overrides the step of its label, or the only step of its kind, key by key. Where
        it has no key in common with what was there, and is valid alone but not together with it,
        it replaces it: ``balance: {kelvin: 5200}`` does away with an earlier ``from: as-shot``. A
        step that the chain does not have joins the end of the adjust stage.
        """
        links = list(chain)
        for entry in entries:
            index = self._overridden(links, entry)
            if index is None:
                end = sum(link.stage != "finish" for link in links)
                links.insert(end, Link("adjust", entry, self._resolved("adjust", entry)))
            elif index >= 0:
                links[index] = self._merged(links[index], entry)
        return tuple(links)

    def _overridden(self, links: Sequence[Link], entry: Entry) -> int | None:
        """The index of the step that an entry overrides; None for a new one, -1 for a problem."""
        for index, link in enumerate(links):
            if link.entry.label == entry.label:
                if link.entry.step is entry.step:
                    return index
                found = f"{entry.label} is a step of the kind {link.entry.step.name}"
                self.report(entry.document.problem(entry.place, found, "another name"))
                return -1
        if entry.named:
            return None
        same = [index for index, link in enumerate(links) if link.entry.step is entry.step]
        if len(same) > 1:
            labels = wording.listed(links[index].entry.label for index in same)
            found = f"{entry.step.name} occurs {len(same)} times"
            self.report(entry.document.problem(entry.place, found, f"name: one of {labels}"))
            return -1
        return same[0] if same else None

    def _merged(self, link: Link, later: Entry) -> Link:
        earlier = link.entry
        merged = replace(
            later,
            label=earlier.label,
            named=earlier.named,
            values={**earlier.values, **later.values},
        )
        try:
            return Link(link.stage, merged, self._validated(link.stage, merged))
        except ValidationError as error:
            alone = replace(merged, values=later.values)
            with suppress(ValidationError):
                if earlier.values.keys().isdisjoint(later.values):
                    return Link(link.stage, alone, self._validated(link.stage, alone))
            self._report_parameters(error, merged)
            return Link(link.stage, merged, None)

    def _resolved(self, stage: Stage, entry: Entry) -> ResolvedStep | None:
        try:
            return self._validated(stage, entry)
        except ValidationError as error:
            self._report_parameters(error, entry)
            return None

    def _report_values(self, entry: Entry) -> None:
        """Report values that are wrong whatever lies below or above them."""
        try:
            entry.step.parameters.model_validate(entry.plain)
        except ValidationError as error:
            inside = [d["loc"] for d in error.errors() if d["loc"] and d["loc"][0] in entry.values]
            self._report_parameters(error, entry, only=inside)

    def _report_parameters(
        self, error: ValidationError, entry: Entry, only: Collection[Place] | None = None
    ) -> None:
        self.report(
            *wording.problems(error, entry.step.parameters, entry.plain, entry.locate, only)
        )

    def _validated(self, stage: Stage, entry: Entry) -> ResolvedStep:
        """Raises pydantic's ``ValidationError``; missing files are reported.

        A step of scene light, or one that fills spots, is done before everything else, wherever it
        was written: under finish too it is part of what a retoucher gets. One with a field of its
        own is done last, on whatever the retoucher sends.
        """
        step = entry.step
        if stage == "finish" and (step.space == "scene" or step.spots):
            stage = "adjust"
        if step.field:
            stage = "finish"
        model = step.parameters.model_validate(entry.plain)
        parameters = model.model_dump(mode="json", by_alias=True, exclude_none=True)
        return ResolvedStep(
            stage=stage,
            label=entry.label,
            step=step.name,
            version=step.version,
            parameters=parameters,
            origins=_origins(parameters, entry),
            files=self._read_files(step, entry),
        )

    def _read_files(self, step: Step, entry: Entry) -> dict[str, str]:
        """The digest of every file that the step reads."""
        digests: dict[str, str] = {}
        for parameter in step.reads:
            if parameter in entry.values:
                written = entry.values[parameter]
                if digest := self.digest(written):
                    digests[str(written.value)] = digest
        return digests

    def digest(self, written: WrittenValue) -> str | None:
        """The digest of a file that was named; None, and reported, where it cannot be read."""
        name = str(written.value)
        try:
            path = yamlfile.inside(written.document.root, name)
            if self.files.setdefault(name, path) != path:
                raise ValueError(f"{name} means a file of the job and one of the recipe")
            if path not in self._digests:
                self._digests[path] = digest_file(path)
            return self._digests[path]
        except ValueError as error:
            allowed = "a file below the job's folder, or below that of a house recipe"
            found = f"{wording.shown(name)}: {error}"
            self.report(written.document.problem(written.place, found, allowed))
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            found = f"{wording.shown(name)} cannot be read: {reason}"
            self.report(written.document.problem(written.place, found))
        return None


def _parameters(
    step: Step, written: Any, document: Document, place: Place
) -> dict[str, WrittenValue] | None:
    """What was written for a step, by parameter; None where it cannot be a step's parameters.

    A step with a single parameter that is a list may be written as that list.
    """
    fields = step.parameters.model_fields
    if isinstance(written, tuple) and len(fields) == 1:
        return {next(iter(fields)): WrittenValue(written, document, place)}
    if written is None or isinstance(written, dict):
        return {
            key: WrittenValue(value, document, (*place, key))
            for key, value in (written or {}).items()
        }
    return None


def _origins(parameters: Mapping[str, Any], entry: Entry) -> dict[str, Origin]:
    """The origin of every parameter and of every part of one; defaults say that they are."""
    origins = {"": entry.document.origin(entry.place)}
    for key, value in parameters.items():
        if (written := entry.values.get(key)) is None:
            origins[key] = DEFAULT
        else:
            origins.update(origins_of(value, written.document, written.place, (key,)))
    return origins


def origins_of(value: Any, document: Document, place: Place, inside: Place) -> dict[str, Origin]:
    """Where a JSON value that was written at ``place``, and every part of it, stands.

    ``inside`` is the place of the value among all that the origins are for.
    """
    return {
        dotted((*inside, *part)): document.origin((*place, *part))
        if (*place, *part) in document.lines
        else DEFAULT
        for part in _places(value)
    }


def _places(value: Any) -> Iterator[Place]:
    """Every place in a JSON value, the whole first."""
    yield ()
    inside: Iterable[tuple[str | int, Any]] = ()
    if isinstance(value, dict):
        inside = value.items()
    elif isinstance(value, list):
        inside = enumerate(value)
    for part, item in inside:
        yield from ((part, *place) for place in _places(item))


def read_recipe(layers: Layers, path: Path, shown: str, root: Path) -> Recipe | None:
    """One recipe's file; None where it is too broken to lay anything over it."""
    document = layers.read(path, shown, root)
    if document is None:
        return None
    written = layers.checked(document, RecipeFile)
    if written is None:
        for stage in STAGES:
            layers.entries(document, stage)
        return None
    if written.recipe != path.stem:
        found = f"the file is called {wording.shown(path.stem)}, the recipe {written.recipe}"
        layers.report(document.problem(("recipe",), found, "one name for both"))
    deliver: dict[str, WrittenValue] = {}
    for index, entry in enumerate(document.value.get("deliver") or ()):
        ((name, settings),) = delivery_default(entry).items()
        place: Place = ("deliver", index)
        if name in deliver:
            layers.report(document.problem(place, f"{name} is here twice", "each once"))
        if isinstance(entry, dict):
            place = (*place, name)
        deliver[name] = WrittenValue(settings, document, place)
    return Recipe(written.recipe, document, written, layers.chain(document), deliver)


def shipped(folder: str) -> Path:
    """A folder that comes with Safelight: inside the installed package, or beside it."""
    package = Path(__file__).parent
    installed = package / "shipped" / folder
    return installed if installed.is_dir() else package.parent / folder


def house_recipes() -> list[str]:
    """The names of all house recipes."""
    return sorted(path.stem for path in shipped("recipes").glob("*.yaml"))
