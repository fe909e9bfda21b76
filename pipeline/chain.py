"""From a frame's resolved steps to operations: what the pass does to each pixel, in order.

``pipeline.edit`` says which order that is. Steps and edits that have to look at the picture get it
at reduced scale, as all that is done before them leaves it. Opens no file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.deblurring import deblurred
from pipeline.edit import Pixels, Region, Target, Textured
from pipeline.edits import EDITS
from pipeline.frame import Float32, Restoring, Source
from pipeline.healing import healed
from pipeline.kernels.correction import Correction
from pipeline.kernels.difference import lab_of
from pipeline.kernels.encode import decode_romm16, encoding_of
from pipeline.kernels.focus import HALO, Focus
from pipeline.kernels.linear import matrix
from pipeline.kernels.lit import lit_weights
from pipeline.kernels.masks import Box, Builder, Density, Grid
from pipeline.kernels.masks import painted as painted_density
from pipeline.kernels.masks import product as multiplied
from pipeline.kernels.orient import sensor_window, upright, upright_shape
from pipeline.kernels.spaces import PCS_WHITE, working_to_pcs_matrix
from pipeline.kernels.temperature import filter_matrix
from pipeline.masking import Mask, Sight, density_of, fits
from pipeline.records import Evening, ResolvedProduct, ResolvedStep
from pipeline.step import Context, Operation
from pipeline.steps import STEPS

LANE_PIXELS = 64
"""Rows are padded to this, so that only the vectorised body of a kernel's loop ever runs and a
pixel's value cannot depend on where a strip or a chunk happens to begin."""
LEAST_DENSITY = 1 / 512
"""What nobody could see."""
ENOUGH_PIXELS = 40_000
"""Of a product: more would not change its mean colour by what can be measured."""

FOCUS_ROWS = 96
SAMPLES, SAMPLE_PX = 5, 96
"""Windows each way in which noise is measured, and their size."""

Painted = Mapping[str, NDArray[Any]]
Say = Callable[[str], None]
Others = Callable[[str], Source]
"""Opens another frame of the job by its name."""


FEWEST_PIXELS = 30
"""Lit pixels of the reduced picture from which a product's colour is read."""


class Masked(NamedTuple):
    """An operation of a local edit, whose kernel takes each pixel's density along."""

    operation: Operation
    density: Density


@dataclass(frozen=True, slots=True)
class Chain:
    """What is done to each pixel: ``scene`` first, then masks look at it, then ``rest``.

    The last ``finishing`` operations of ``rest`` are the finish stage, which is done after whatever
    the retoucher does.
    """

    scene: tuple[Operation, ...]
    rest: tuple[Operation | Masked, ...]
    finishing: int = 0

    @property
    def unfinished(self) -> tuple[Operation | Masked, ...]:
        """``rest`` without the finish stage."""
        return self.rest[: len(self.rest) - self.finishing]


def densities_of(operations: Sequence[Operation | Masked]) -> list[Density]:
    """Every mask that operations go through, each once."""
    masked = (item.density for item in operations if isinstance(item, Masked))
    return list({id(density): density for density in masked}.values())


def restored(
    source: Source,
    steps: Sequence[ResolvedStep],
    files: Mapping[str, Path] | None = None,
    correction: Correction | None = None,
) -> Source:
    """A source whose blown highlights turn to the white that its steps balance for.

    The camera's own white would show as a cast wherever its reading was not kept. Raises as
    ``compiled``.
    """
    if isinstance(source, Restoring):
        context = Context(source.light, cache(source.preview), files or {}, correction)
        for step in steps:
            kind = STEPS.get(step.step) if step.stage not in ("hold", "local") else None
            if kind is not None and kind.neutral_of is not None:
                parameters = kind.parameters.model_validate(step.parameters)
                neutral = kind.neutral_of(parameters, context)
                if min(neutral) > 0:
                    return source.under(neutral)
    return source


def compiled(
    steps: Sequence[ResolvedStep],
    source: Source,
    files: Mapping[str, Path] | None = None,
    correction: Correction | None = None,
    painted: Painted | None = None,
    say: Say = lambda _sentence: None,
    even: Evening | None = None,
    others: Others | None = None,
) -> Chain:
    """The operations of a frame's steps and local edits.

    A frame without ``balance`` gets the camera's own; ``even`` moves its light. ``painted`` maps
    each file that a mask names to its codes; ``others`` opens frames that masks
    follow; ``say`` is told what a person should know. Raises
    ``ValueError`` with a sentence where a step cannot be done on this frame.
    """
    preview = cache(source.preview)
    context = Context(source.light, preview, files or {}, correction)

    def operations(chosen: Sequence[ResolvedStep]) -> list[Operation]:
        made: list[Operation] = []
        for step in chosen:
            kind = STEPS[step.step]
            parameters = kind.parameters.model_validate(step.parameters)
            made += kind.operations(parameters, context)
        return made

    written = [step for step in steps if step.stage not in ("hold", "local")]
    scene = [step for step in written if STEPS[step.step].space == "scene"]
    working = [step for step in written if STEPS[step.step].space == "working"]
    # balance yields the working space; a gain before or after it is the same
    scene.sort(key=lambda step: step.step != "balance")
    balance = STEPS["balance"]
    first = operations(scene)
    if not any(step.step == "balance" for step in scene):
        first = [*balance.operations(balance.neutral, context), *first]
    if even is not None:
        first.append(_evened(even))
    look = operations([step for step in working if step.stage != "finish"])
    last = [step for step in working if step.stage == "finish"]
    finish = operations([step for step in last if STEPS[step.step].field is None])
    fields = _fields(last, context, source)
    edits = [_Written(step) for step in steps if step.stage == "local"]

    local = _Local(source, preview, first, finish, painted or {}, say, others)
    local.add([edit for edit in edits if edit.kind.space == "scene"])
    local.items += [_Item(operation) for operation in look]
    for step in steps:
        if step.stage == "hold":
            local.items += [
                _Item(operation) for operation in _hold(step, look, local.finished, say)
            ]
    local.add([edit for edit in edits if edit.kind.space == "working"])
    return Chain(tuple(first), (*local.compiled(), *finish, *fields), len(finish) + len(fields))


def _fields(
    steps: Sequence[ResolvedStep], context: Context, source: Source
) -> list[Operation | Masked]:
    """Steps that give each pixel a value by its place; the last of all."""
    made: list[Operation | Masked] = []
    for step in steps:
        kind = STEPS[step.step]
        parameters = kind.parameters.model_validate(step.parameters)
        if kind.field and (operations := kind.operations(parameters, context)):
            grid = Grid.over(*upright_shape(source.height, source.width, source.orientation))
            density = kind.field(parameters, context)(grid)
            made += [Masked(operation, density) for operation in operations]
    return made


def _evened(even: Evening) -> Operation:
    """More or less light, and another white: what was taken for white moves the other way."""
    moved = np.linalg.inv(filter_matrix(even.mired, even.duv)) * 2.0**even.stops
    return Operation(matrix, (moved.astype(np.float32),))


def product_colours(
    source: Source,
    steps: Sequence[ResolvedStep],
    products: Sequence[ResolvedProduct],
    files: Mapping[str, Path] | None = None,
    correction: Correction | None = None,
    painted: Painted | None = None,
) -> dict[str, tuple[float, float, float]]:
    """L*a*b* (D50) of the lit part of each product, through the scene steps in ``steps`` alone.

    Read on the reduced picture; a product that is too small or lies in the dark is left out.
    """
    chain = compiled(steps, source, files, correction)
    preview = source.preview()
    shape = preview.shape[:2]
    planes = _padded(preview.reshape(-1, 3).T)
    for kernel, arguments in chain.scene:
        kernel(*planes, *arguments)
    flat = working_to_pcs_matrix() @ planes[:, : shape[0] * shape[1]].astype(np.float64)
    size = upright_shape(source.height, source.width, source.orientation)
    sight = Sight(painted or {})
    found = {}
    for product in products:
        grid = Grid.over(*size, shape)
        density = density_of(Mask.model_validate(product.where), grid, sight)
        weights = lit_weights(flat[1], density.at(grid.box).ravel())
        if np.count_nonzero(weights) >= FEWEST_PIXELS:
            lab = lab_of(flat @ weights / weights.sum(), PCS_WHITE)
            found[product.name] = (float(lab[0]), float(lab[1]), float(lab[2]))
    return found


def _hold(
    step: ResolvedStep,
    look: Sequence[Operation],
    finished: Callable[[Float32], NDArray[np.float64]],
    say: Say,
) -> list[Operation]:
    """The warp that takes products' colours back to where they were before the look.

    The exposure that the recipe asks for, ``stops``, is part of its look; what a setup or a frame
    says in its place, and every balance, is the correction of a scene.
    """
    from pipeline.kernels.hold import hold_colours, solve_hold, working_of_lab

    products = step.parameters["products"]
    labs = np.array([product["lab"] for product in products], np.float64)
    exposed = working_of_lab(labs) * 2.0 ** step.parameters["stops"]
    planes = _padded(exposed.T.astype(np.float32))
    for kernel, arguments in look:
        kernel(*planes, *arguments)
    looked = planes[:, : len(products)].T
    held = solve_hold(looked, labs, [product["tolerance"] for product in products], finished)
    for index in held.unheld:
        product = products[index]
        say(
            f"hold: the look moves {product['name']} too far, to ΔE00 {held.de00[index]:.1f} from "
            f"its target; its tolerance is {product['tolerance']:g}"
        )
    return [Operation(hold_colours, (held.anchors,))] if len(held.anchors) else []


def densities(
    masks: Sequence[Mask],
    shape: tuple[int, int],
    steps: Sequence[ResolvedStep],
    source: Source,
    files: Mapping[str, Path] | None = None,
    correction: Correction | None = None,
    painted: Painted | None = None,
    even: Evening | None = None,
    others: Others | None = None,
) -> Iterator[Float32]:
    """What masks select of a frame, each as an array of ``shape`` laid over the upright frame.

    A mask that depends on what the picture shows is judged on the reduced picture. They are made
    one by one: at full size each is as large as a channel of the frame.
    """
    source = restored(source, steps, files, correction)
    source = deblurred(healed(source, steps, painted or {}, others), steps)
    globally = [step for step in steps if step.stage != "local"]
    first = compiled(globally, source, files, correction, even=even).scene
    preview, said = cache(source.preview), lambda _sentence: None
    local = _Local(source, preview, first, (), painted or {}, said, others)
    return (local.laid_over(mask, shape) for mask in masks)


class _Written:
    """A local edit as the plan has it, its values as models again."""

    def __init__(self, step: ResolvedStep) -> None:
        self.name = step.label
        self.kind = EDITS[step.step]
        self.value = self.kind.settled(step.parameters[step.step])
        self.mask = self.place = Mask.model_validate(step.parameters["mask"])
        self.target: Target | None = None
        if product := step.parameters.get("product"):
            self.target = Target(product["name"], tuple(product["lab"]), product["tolerance"])
            if where := product.get("where"):
                self.place = Mask.model_validate(where)


class _Item(NamedTuple):
    """An operation, the mask that it goes through, and the field that this is multiplied with."""

    operation: Operation
    mask: Mask | None = None
    field: Builder | None = None


class _Local:
    """Compiles local edits one after the other, each seeing what those before it did.

    ``items`` is what happens between the scene's operations, ``first``, and those of finish,
    ``last``.
    """

    def __init__(
        self,
        source: Source,
        preview: Callable[[], Float32],
        first: Sequence[Operation],
        last: Sequence[Operation],
        painted: Painted,
        say: Say,
        others: Others | None = None,
    ) -> None:
        self.items: list[_Item] = []
        self._source = source
        self._grid = Grid.over(*upright_shape(source.height, source.width, source.orientation))
        self._preview, self._first, self._last = preview, first, last
        self._painted, self._say = painted, say
        self._done = 0
        self._sight = Sight(painted, lambda: self._scene, lambda: self._focus, self._elsewhere)
        self._others = others
        self._density = cache(self._built)
        self._small_density = cache(self._built_small)
        self._selects = cache(self._looked_at)

    def add(self, edits: Sequence[_Written]) -> None:
        """Put edits behind what there is; those that change nothing cost nothing."""
        for edit in edits:
            if edit.value == edit.kind.neutral or not self._selects(edit.mask, edit.name):
                continue
            region = Region(
                pixels=lambda edit=edit: self._pixels(edit),  # type: ignore[misc]
                picture=lambda: self._scene,
                radius=self._radius,
                samples=lambda edit=edit: self._samples(edit.mask),  # type: ignore[misc]
                finished=self.finished,
                say=lambda sentence, edit=edit: self._say(f"{edit.name}: {sentence}"),  # type: ignore[misc]
                target=edit.target,
            )
            for made in edit.kind.operations(edit.value, region):
                if isinstance(made, Textured):
                    self.items.append(_Item(made.operation, edit.mask, made.field))
                else:
                    self.items.append(_Item(made, edit.mask))

    def compiled(self) -> list[Operation | Masked]:
        """All items as the pass wants them."""
        return [self._for_the_pass(item) for item in self.items]

    def _for_the_pass(self, item: _Item) -> Operation | Masked:
        if item.mask is None:
            return item.operation
        density = self._density(item.mask)
        if item.field is not None:
            density = multiplied([density, item.field(self._grid)])
        return Masked(item.operation, density)

    def _built(self, mask: Mask) -> Density:
        for _, part in mask.walk():
            if part.painted is not None:
                shape, grid = self._painted[part.painted].shape, self._grid
                if not fits(shape, (grid.height, grid.width)):
                    raise ValueError(
                        f"{part.painted} has {shape[1]} × {shape[0]} pixels, another aspect ratio "
                        f"than the frame's {grid.width} × {grid.height}"
                    )
        return density_of(mask, self._grid, self._sight)

    def _built_small(self, mask: Mask) -> Float32:
        """A mask's density on the reduced picture, flat, as long as its padded planes."""
        grid = Grid.over(self._grid.height, self._grid.width, self._scene.shape[1:])
        return self._flat(density_of(mask, grid, self._sight))

    def _flat(self, density: Density) -> Float32:
        flat = np.zeros(self._now.shape[1], np.float32)
        grid = density.grid
        flat[: grid.rows * grid.columns] = density.at(grid.box, self._part_of_scene).ravel()
        return flat

    def laid_over(self, mask: Mask, shape: tuple[int, int]) -> Float32:
        """A mask's density on another grid over the frame."""
        grid = Grid.over(self._grid.height, self._grid.width, shape)
        if not mask.reads_scene:
            density = density_of(mask, grid, self._sight)
        else:
            small = self._scene.shape[1:]
            flat = self._small_density(mask)[: small[0] * small[1]]
            density = painted_density(grid, flat.reshape(small))
        return density.at(grid.box)

    def _part_of_scene(self, window: Box) -> Float32:
        part = self._scene[:, window.top : window.bottom, window.left : window.right]
        return np.ascontiguousarray(part)

    @cached_property
    def _scene(self) -> Float32:
        """The reduced picture after the scene's operations, (3, h, w): what masks look at."""
        preview = self._preview()
        planes = _padded(preview.reshape(-1, 3).T)
        for kernel, arguments in self._first:
            kernel(*planes, *arguments)
        count = preview.shape[0] * preview.shape[1]
        return np.ascontiguousarray(planes[:, :count].reshape(3, *preview.shape[:2]))

    @cached_property
    def _now(self) -> Float32:
        """The reduced picture's planes, (3, n) in whole lanes, as the items done so far left it."""
        return _padded(self._scene.reshape(3, -1))

    def _elsewhere(self, frame: str) -> Sight:
        """What masks see of another frame, in the light of this one."""
        assert self._others is not None, "no other frames at hand"
        source, first = self._others(frame), self._first
        there = _Local(source, cache(source.preview), first, (), self._painted, self._say)
        return there._sight

    @cached_property
    def _focus(self) -> Float32:
        """Gradient energies of the scene, upright, (3, rows, columns) of blocks."""
        source = self._source
        focus = Focus(source.height, source.width)
        for top in range(0, source.height, FOCUS_ROWS):
            bottom = min(top + FOCUS_ROWS, source.height)
            first, last = max(top - HALO, 0), min(bottom + HALO, source.height)
            strip = np.empty((3, last - first, source.width), np.float32)
            source.strip(first, last, strip)
            focus.add(self._in_scene(strip), top, top - first, bottom - first)
        turned = upright(focus.energies.transpose(1, 2, 0), source.orientation)
        return np.ascontiguousarray(turned.transpose(2, 0, 1))

    def _in_scene(self, planes: Float32) -> Float32:
        """Stored planes (3, rows, columns) after the scene's operations."""
        flat = _padded(planes.reshape(3, -1))
        for kernel, arguments in self._first:
            kernel(*flat, *arguments)
        return np.ascontiguousarray(flat[:, : planes[0].size].reshape(planes.shape))

    def _radius(self, percent: float) -> int:
        """Percent of the long side in samples of the reduced picture, at least 1."""
        long_side: int = max(self._scene.shape[1:])
        return max(1, round(percent / 100 * long_side))

    def _samples(self, mask: Mask) -> list[Float32]:
        """Windows of the scene at full size, spread evenly over where a mask is."""
        box = self._density(mask).box
        size = self._source.height, self._source.width, self._source.orientation
        windows = []
        for row in range(SAMPLES):
            top = box.top + (box.bottom - box.top - SAMPLE_PX) * row // (SAMPLES - 1)
            for column in range(SAMPLES):
                left = box.left + (box.right - box.left - SAMPLE_PX) * column // (SAMPLES - 1)
                part = Box(top, top + SAMPLE_PX, left, left + SAMPLE_PX).meet(self._grid.box)
                window = self._source.window(*sensor_window(part, *size))
                windows.append(self._in_scene(window))
        return windows

    def _looked_at(self, mask: Mask, name: str) -> bool:
        """Whether a mask covers anything in this frame; said where it does not, or covers all."""
        empty = self._density(mask).box.empty
        if not empty and mask.reads_scene:
            small = self._small_density(mask)[: self._scene[0].size]
            empty = bool(small.max() < LEAST_DENSITY)
            if small.min() > 1 - LEAST_DENSITY:
                self._say(f"{name}: its mask selects everything in this frame")
        if empty:
            self._say(f"{name}: its mask selects nothing in this frame")
        return not empty

    def _pixels(self, edit: _Written) -> Pixels:
        """The reduced pixels that an edit reaches or measures, at most ``ENOUGH_PIXELS``."""
        for item in self.items[self._done :]:
            kernel, arguments = item.operation
            if item.mask is None:
                kernel(*self._now, *arguments)
            else:
                density = self._small_density(item.mask)
                if item.field is not None:
                    small = Grid.over(self._grid.height, self._grid.width, self._scene.shape[1:])
                    density = density * self._flat(item.field(small))
                kernel(*self._now, density, *arguments)
        self._done = len(self.items)
        density, place = self._small_density(edit.mask), self._small_density(edit.place)
        reached = np.flatnonzero((density > 0) | (place > 0))
        reached = reached[:: -(-reached.size // ENOUGH_PIXELS) or 1]
        return Pixels(self._now[:, reached], density[reached], place[reached])

    def finished(self, rgb: Float32) -> NDArray[np.float64]:
        """XYZ in the master, as shares of the D50 white, of working RGB (3, n) before finish."""
        planes = _padded(rgb)
        for kernel, arguments in self._last:
            kernel(*planes, *arguments)
        r, g, b = planes
        codes = np.empty((r.size, 3), np.uint16)
        encoding_of("romm-rgb", 16).write(r, g, b, codes)
        decode_romm16(codes, r, g, b)
        xyz = working_to_pcs_matrix() @ planes[:, : rgb.shape[1]].astype(np.float64)
        return np.asarray(xyz, np.float64)


def _padded(planes: Float32) -> Float32:
    """A copy of planes (3, n) in whole lanes."""
    count = planes.shape[1]
    padded: Float32 = np.zeros((3, -(-count // LANE_PIXELS) * LANE_PIXELS), np.float32)
    padded[:, :count] = planes
    return padded
