"""Renditions into the codes of an ICC profile: a printer's inks, or a screen's RGB.

littlecms decides every colour, at 16 bits and without short cuts. Knows pictures in memory, not
where they go.
"""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import FrameFailed
from pipeline.files.profile import profile_of, transformed
from pipeline.hashing import digest_bytes
from pipeline.kernels.difference import delta_e_2000, lab_of
from pipeline.kernels.encode import Bits, Codes, to_8_bits
from pipeline.kernels.gamut import WHITE

BAND_PIXELS = 1 << 18
"""Converted at once, by one thread."""
OUTSIDE_DE00 = 3.0
"""How far a colour moves, there and back, before it counts as one that a profile cannot hold. The
tables of a press's profile cost colours inside up to two (measured on two profiles); ours."""
WORTH_SAYING = 0.001
"""The share of the pixels outside from which a person is told; ours."""
MOST_SAMPLES = 200_000
"""Pixels of a picture that the share outside is counted on: a thousandth is then good to 7 %."""


class Outside(NamedTuple):
    """The share of a picture's pixels that a profile cannot hold, how far they move (ΔE00)."""

    share: float
    mean_de00: float
    most_de00: float


@dataclass(frozen=True, slots=True)
class Output:
    """A profile, and how colours are brought into it: what a delivery's ``space`` says.

    ``name`` is that of its file.
    """

    name: str
    profile: bytes
    intent: str
    black_point_compensation: bool

    def codes(self, picture: NDArray[np.uint16], bits: Bits, threads: int = 1) -> Codes:
        """A picture (height, width, 3), 16-bit ROMM RGB, as codes (height, width, 3 or 4).

        At 8 bits dithered by the pixels' places; CMYK counts ink, 0 is none. The same codes for
        any ``threads``. Raises ``FrameFailed`` where the profile cannot be used.
        """
        height, width = picture.shape[:2]
        channels = 4 if self.profile[16:20] == b"CMYK" else 3
        out = np.empty((height, width, channels), np.uint8 if bits == 8 else np.uint16)
        rows = max(1, BAND_PIXELS // width)

        def band(top: int) -> None:
            codes = self._there(picture[top : top + rows], self.intent)
            room = out[top : top + rows]
            if bits == 16:
                room[:] = codes
            else:
                flat = codes.reshape(-1, channels)
                to_8_bits(flat, room.reshape(flat.shape), first_pixel=top * width)

        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(band, range(0, height, rows)))
        return out

    def outside(self, picture: NDArray[np.uint16]) -> Outside:
        """What of a picture the profile cannot hold: what moves by more than ``OUTSIDE_DE00``.

        There and back, relative colorimetric, with the delivery's black point compensation both
        ways: darks that it fits to the paper's black are not lost. Counted on a grid of pixels.
        """
        step = max(1, int(np.ceil(np.sqrt(picture.shape[0] * picture.shape[1] / MOST_SAMPLES))))
        sample = picture[::step, ::step]
        codes = self._there(sample, "relative-colorimetric")
        back = self._through(codes, self.profile, _xyz(), "relative-colorimetric")
        wanted = transformed(sample, profile_of("romm-rgb"), _xyz())
        moved = delta_e_2000(lab_of(wanted, WHITE), lab_of(back, WHITE))
        far = moved[moved > OUTSIDE_DE00]
        if not far.size:
            return Outside(0.0, 0.0, 0.0)
        return Outside(far.size / moved.size, float(far.mean()), float(far.max()))

    def note(self, picture: NDArray[np.uint16]) -> str | None:
        """What a person should know of the colours that are lost, in a sentence."""
        outside = self.outside(picture)
        if outside.share <= WORTH_SAYING:
            return None
        return (
            f"{100 * outside.share:.1f} % of the pixels lie outside of {self.name}: their colours "
            f"move by ΔE00 {outside.mean_de00:.1f} on average and at most "
            f"{outside.most_de00:.1f}, relative colorimetric"
        )

    def _there(self, picture: NDArray[np.uint16], intent: str) -> NDArray[np.uint16]:
        return self._through(picture, profile_of("romm-rgb"), self.profile, intent)

    def _through(
        self, codes: NDArray[Any], source: bytes, target: bytes, intent: str
    ) -> NDArray[Any]:
        try:
            return transformed(
                codes,
                source,
                target,
                intent,
                black_point_compensation=self.black_point_compensation,
            )
        except Exception as error:  # whatever the colour engine finds in a broken profile
            raise FrameFailed(f"{self.name} cannot be used as a profile ({error})") from error


def _xyz() -> bytes:
    """The profile connection space as a profile."""
    import imagecodecs

    return bytes(imagecodecs.cms_profile("xyz"))


def open_output(path: Path, space: Mapping[str, Any]) -> Output:
    """The profile at ``path``, for the ``space`` of a delivery's settings.

    Raises ``FrameFailed`` where the file is gone, or is another than the job was read with.
    """
    name = Path(space["profile"]).name
    try:
        profile = path.read_bytes()
    except OSError as error:
        raise FrameFailed(f"{space['profile']} cannot be read ({error.strerror})") from error
    if digest_bytes(profile) != space["digest"]:
        raise FrameFailed(f"{space['profile']} was changed meanwhile; deliver again")
    return Output(name, profile, space["intent"], space["black_point_compensation"])
