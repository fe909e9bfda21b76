"""Bringing a product to one colour in all frames of a setup, where the recipe says ``even: true``.

Says which frames belong together and, once their products were read, by how much the light of those
that stand out is moved. It reads nothing itself.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

from pipeline.hashing import key_of
from pipeline.records import Evening, FrameState, ResolvedEven, ResolvedFrame, ResolvedStep
from pipeline.steps import STEPS

FEWEST = 3
"""Frames of a setup that must show a product before one of them can stand out."""


def scene_steps(resolved: ResolvedFrame) -> tuple[ResolvedStep, ...]:
    """The steps that speak of the light: what a product is read through."""
    return tuple(
        step for step in resolved.steps if step.step in STEPS and STEPS[step.step].space == "scene"
    )


def groups(
    frames: Sequence[ResolvedFrame], states: Mapping[str, FrameState], libraries: Mapping[str, str]
) -> dict[str, ResolvedEven]:
    """Each frame's group, by its name: the frames of its setup that show one of its products."""
    members: dict[tuple[str, str], list[str]] = defaultdict(list)
    keys = {}
    for resolved in frames:
        if resolved.setup is None or not resolved.products:
            continue
        keys[resolved.frame] = key_of(_inputs(resolved, states[resolved.frame], libraries))
        for product in resolved.products:
            members[resolved.setup, product.name].append(resolved.frame)
    found: dict[str, dict[str, str]] = defaultdict(dict)
    for names in members.values():
        if len(names) >= FEWEST:
            for name in names:
                found[name].update({other: keys[other] for other in names})
    return {name: ResolvedEven(keys[name], group) for name, group in found.items()}


def _inputs(
    resolved: ResolvedFrame, state: FrameState, libraries: Mapping[str, str]
) -> dict[str, object]:
    """All that decides what is read of a frame's products."""
    return {
        "original": state.original.digest,
        "steps": [[step.step, step.version, step.parameters] for step in scene_steps(resolved)],
        "chart": resolved.chart.inputs if resolved.chart else None,
        "products": [[p.name, p.where, p.tolerance, p.files] for p in resolved.products],
        "libraries": libraries,
    }


def evenings(
    read: Mapping[str, Mapping[str, Sequence[float]]], tolerances: Mapping[str, float]
) -> dict[str, Evening]:
    """How each frame that stands out is moved to the middle of its group.

    ``read`` maps frames to the L*a*b* of their products as neutrally rendered. A frame with several
    products that stand out is moved by the mean of what each asks for.
    """
    import numpy as np

    from pipeline.proof.drift import strays, suggestion

    asked: dict[str, list[tuple[float, float, float]]] = defaultdict(list)
    for product in sorted({name for labs in read.values() for name in labs}):
        frames = [frame for frame in read if product in read[frame]]
        if len(frames) < FEWEST:
            continue
        labs = np.array([read[frame][product] for frame in frames])
        middle = np.median(labs, axis=0)
        for frame, lab, stray in zip(frames, labs, strays(labs, tolerances[product]), strict=True):
            if stray and (move := suggestion(lab, middle)) is not None:
                asked[frame].append((move.stops, move.mired, move.duv))
    means = {frame: np.mean(moves, axis=0).tolist() for frame, moves in asked.items()}
    return {frame: Evening(*mean) for frame, mean in means.items()}


def in_words(moved: Evening, setup: str | None) -> str:
    """ "evened with daylight: +0.31 stops, -4 mired"."""
    parts = [f"{moved.stops:+.2f} stops"] if moved.stops else []
    if moved.mired or moved.duv:
        parts.append(f"{moved.mired:+.0f} mired, {moved.duv:+.4f} Duv of the assumed white")
    return f"evened with {setup}: {', '.join(parts)}"
