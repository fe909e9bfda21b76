"""Draws what a frame's masks select, as a sheet to look at in ``reports/``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.edits import EDITS
from pipeline.errors import InvalidInput, Problem, SafelightError
from pipeline.masking import Mask
from pipeline.records import Artifact, ResolvedFrame
from pipeline.viewing import USUAL

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from pipeline.measuring import Measurements
    from pipeline.survey import Survey

WIDEST_PX = 1560
"""Of a sheet's pictures beside each other."""
LEAST_PX = 480
FOOT = (
    "Hatching: the wider its lines, the more an edit counts. "
    "Bold line: one half; fine lines: where it begins and where it counts in full."
)


def draw_masks(
    folder: Path, survey: Survey, resolved: ResolvedFrame, measured: Measurements
) -> Artifact:
    """Write a PNG with a panel for every mask of a frame: of its local edits and its products.

    Raises ``InvalidInput`` for a frame without masks, and ``SafelightError`` where it cannot be
    developed.
    """
    from pipeline.files.encode import png
    from pipeline.files.landing import land
    from pipeline.kernels.overlay import overlaid
    from pipeline.sheet import Panel, sheet

    wanted = _masks(resolved)
    if not wanted:
        found = "no local edit and no product's place, so there is no mask to show"
        raise InvalidInput([Problem(resolved.frame, 0, "", found, "a frame with masks")])
    side = max(LEAST_PX, WIDEST_PX // (1 + int((len(wanted) - 1) ** 0.5)))
    picture, densities = _developed(survey, resolved, measured, list(wanted.values()), side)
    panels = [
        Panel(
            overlaid(picture, density),
            name,
            [_edits(resolved, name), str(wanted[name]), _covered(density)],
        )
        for name, density in zip(wanted, densities, strict=True)
    ]
    content = png(sheet(f"Masks of {resolved.frame}", panels, FOOT))
    return land(folder / "reports" / f"{resolved.frame}-masks.png", content, folder)


def _masks(resolved: ResolvedFrame) -> dict[str, Mask]:
    """Every mask of a frame by the name of its entry, or of its product."""
    masks = {
        step.label: Mask.model_validate(step.parameters["mask"])
        for step in resolved.steps
        if step.stage == "local"
    }
    for product in resolved.products:
        masks.setdefault(f"{product.name} (product)", Mask.model_validate(product.where))
    return masks


def _developed(
    survey: Survey,
    resolved: ResolvedFrame,
    measured: Measurements,
    masks: list[Mask],
    side: int,
) -> tuple[NDArray[np.uint8], list[NDArray[np.float32]]]:
    """The finished frame at ``side`` pixels, and the masks over it."""
    from pipeline.chain import densities
    from pipeline.develop import master_pixels
    from pipeline.engines.capacity import cores
    from pipeline.files.painted import read_painted
    from pipeline.files.raw import open_original
    from pipeline.framing import Size
    from pipeline.kernels.correction import Correction
    from pipeline.rendition import RenditionSpec, render
    from pipeline.run import others_of
    from pipeline.work import opener

    try:
        written, even = measured.correction(resolved), measured.evening(resolved)
    except KeyError:
        sentence = f"{resolved.frame}: its setup has not been measured yet; safelight run does that"
        raise SafelightError(sentence) from None
    original = survey.states[resolved.frame].original
    source = open_original(survey.job.folder / original.path, original.digest)
    correction = Correction.from_json(written) if written else None
    files = survey.job.files
    others = opener(others_of(survey, resolved))
    reading = [step.files for step in resolved.steps if step.stage == "local"]
    reading += [product.files for product in resolved.products]
    digests = {path: digest for each in reading for path, digest in each.items()}
    try:
        painted = {path: read_painted(files[path], digests[path]) for path in digests}
        master = master_pixels(
            source,
            resolved.steps,
            files,
            correction,
            cores(),
            painted=painted,
            even=even,
            others=others,
        )
        shown = RenditionSpec(size=Size(long_edge=side), sharpen_for=USUAL["screen"])
        [picture] = render(master, [shown], cores())
        shape = picture.shape[0], picture.shape[1]
        laid = list(
            densities(
                masks, shape, resolved.steps, source, files, correction, painted, even, others
            )
        )
    except ValueError as error:
        raise SafelightError(f"{resolved.frame}: {error}") from error
    return picture, laid


def _edits(resolved: ResolvedFrame, name: str) -> str:
    """What is done through a mask: "dodge 0.35, balance mired -12"."""
    edits = [
        f"{step.step} {_value(step.parameters[step.step])}"
        for step in resolved.steps
        if step.stage == "local" and step.label == name and step.step in EDITS
    ]
    return ", ".join(edits) or "where its colour is measured"


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        words = [
            item if isinstance(item, str) else f"{key.replace('_', ' ')} {_value(item)}"
            for key, item in value.items()
            if item != 0
        ]
        return " ".join(words)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _covered(density: NDArray[np.float32]) -> str:
    reached, full = float((density > 1 / 512).mean()), float((density > 1 - 1 / 512).mean())
    if reached == 0:
        return "selects nothing in this frame"
    return f"reaches {_share(reached)} of the frame, {_share(full)} in full"


def _share(share: float) -> str:
    return "under 1 %" if 0 < share < 0.01 else f"{share * 100:.0f} %"
