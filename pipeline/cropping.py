"""Which part of a frame each delivery shows, decided in a worker where the frame can be seen."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pipeline.framing import Border, Box, Size, cut, parsed_aspect, shape_of
from pipeline.masking import Mask
from pipeline.rounds import Development

if TYPE_CHECKING:
    from pipeline.frame import Float32

SEEN_PX = 800
"""Long side at which the things are looked for that a crop is laid around."""
SELECTED = 0.5


class Cropping:
    """The crops of one frame, ``width`` × ``height`` pixels. ``notes`` are sentences.

    What the masks select is looked for once, however many deliveries ask.
    """

    def __init__(self, development: Development, width: int, height: int) -> None:
        self.development = development
        self.width, self.height = width, height
        self.notes: list[str] = []
        self._found: dict[str, Box | None] = {}

    def part(self, settings: Mapping[str, Any], framing: Mapping[str, Any]) -> Box | None:
        """What a delivery shows; None for the whole frame.

        ``settings`` are the delivery's; ``framing`` is what the frame's files say: ``crop`` (left,
        top, right, bottom) and ``focal`` (from the left, from the top), as shares; ``subject``, a
        mask of what the picture is of, and ``keep``, the products in it with their masks. A crop is
        laid around the focal point, or else the subject, the products, the middle, in that order,
        and moved so that it cuts no product, as far as that goes. Raises ``SafelightError``.
        """
        whole = Box(0, 0, self.width, self.height)
        part = self._box(framing["crop"]) if "crop" in framing else whole
        aspect = settings.get("crop")
        border = settings.get("border")
        shape = shape_of(
            Size.of(settings),
            None if aspect is None else parsed_aspect(aspect),
            None if border is None else Border(**border),
            part,
        )
        if shape is not None:
            part = self._cut(part, shape, framing)
        return None if part == whole else part

    def _box(self, shares: tuple[float, float, float, float]) -> Box:
        left, top, right, bottom = shares
        return Box(
            round(left * self.width),
            round(top * self.height),
            round(right * self.width),
            round(bottom * self.height),
        )

    def _cut(self, part: Box, shape: float, framing: Mapping[str, Any]) -> Box:
        keep = {
            product["name"]: box
            for product in framing.get("keep", ())
            if (box := self._place(product["where"], product["files"])) is not None
        }
        box = cut(part, shape, self._focal(part, framing, [*keep.values()]), keep.values())
        for name, place in keep.items():
            inside = place.left >= box.left and place.right <= box.right
            if not (inside and place.top >= box.top and place.bottom <= box.bottom):
                self.notes.append(f"the crop to {box.width} × {box.height} pixels cuts {name}")
        return box

    def _focal(self, part: Box, framing: Mapping[str, Any], keep: list[Box]) -> tuple[float, float]:
        if "focal" in framing:
            across, down = framing["focal"]
            return across * self.width, down * self.height
        around = self._place(framing["subject"], {}) if "subject" in framing else None
        if around is None and keep:
            around = Box(
                min(box.left for box in keep),
                min(box.top for box in keep),
                max(box.right for box in keep),
                max(box.bottom for box in keep),
            )
        around = around or part
        return (around.left + around.right) / 2, (around.top + around.bottom) / 2

    def _place(self, where: Mapping[str, Any], files: Mapping[str, str]) -> Box | None:
        """The smallest box around what a mask selects, None where it selects nothing."""
        from pipeline.places import places

        key = repr(where)
        if key not in self._found:
            by = min(1.0, SEEN_PX / max(self.width, self.height))
            size = max(1, round(self.height * by)), max(1, round(self.width * by))
            (density,) = places(self.development, [Mask.model_validate(where)], files, size)
            self._found[key] = self._around(density)
        return self._found[key]

    def _around(self, density: Float32) -> Box | None:
        import numpy as np

        rows, columns = (np.flatnonzero((density >= SELECTED).any(axis=axis)) for axis in (1, 0))
        if not len(rows):
            return None
        down, across = self.height / density.shape[0], self.width / density.shape[1]
        return Box(
            int(columns[0] * across),
            int(rows[0] * down),
            int(np.ceil((columns[-1] + 1) * across)),
            int(np.ceil((rows[-1] + 1) * down)),
        )
