"""The camera: lens blur and fall-off, dust, mosaic, photon and read noise, whole numbers.

Takes camera RGB in sensor orientation and gives what the file holds. Knows no scene.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .light import compiled
from .view import blurred

Float32 = NDArray[np.float32]

BLACK = 512
WHITE = 15892
"""Raw values of no light and of a full well."""
FULL_WELL_E = 45_000.0
"""Electrons at base sensitivity (ISO 100)."""
READ_NOISE_E = 3.0
BASE_ISO = 100
LENS_SIGMA_PX = 0.70
CORNER_STOPS = 0.5
"""Fall-off from the middle to a corner."""


@dataclass(frozen=True, slots=True)
class Speck:
    """Dust on the sensor: place and size as shares of the stored width; how dark at its middle."""

    x: float
    y: float
    radius: float
    depth: float


DUST = (
    Speck(0.1130, 0.0872, 0.0042, 0.16),
    Speck(0.3265, 0.1424, 0.0028, 0.22),
    Speck(0.6210, 0.0610, 0.0055, 0.11),
    Speck(0.8355, 0.2080, 0.0035, 0.19),
    Speck(0.7480, 0.5320, 0.0030, 0.14),
    Speck(0.2190, 0.4710, 0.0046, 0.12),
)
"""x and y both count in stored widths, from the upper left corner."""


def gain_map(height: int, width: int) -> Float32:
    """What share of the light arrives at each pixel of the stored picture: fall-off and dust."""
    y = (np.arange(height, dtype=np.float32)[:, None] + 0.5 - height / 2) * 2
    x = (np.arange(width, dtype=np.float32)[None, :] + 0.5 - width / 2) * 2
    r2 = (x * x + y * y) / (width**2 + height**2)
    corner = 2 ** (CORNER_STOPS / 2) - 1
    gain = 1 / (1 + corner * r2) ** 2
    for speck in DUST:
        reach = int(np.ceil(speck.radius * width * 2)) + 1
        cx, cy = speck.x * width, speck.y * width
        top, left = max(int(cy) - reach, 0), max(int(cx) - reach, 0)
        part = gain[top : int(cy) + reach + 1, left : int(cx) + reach + 1]
        yy = np.arange(part.shape[0])[:, None] + top + 0.5 - cy
        xx = np.arange(part.shape[1])[None, :] + left + 0.5 - cx
        r = np.hypot(xx, yy) / (speck.radius * width)
        part *= (1 - speck.depth * np.clip(1.6 * (1 - r), 0, 1)).astype(np.float32)
    return np.asarray(gain, np.float32)


@compiled
def collect(picture, gain, noise, level, well, read, black, white):
    """The RGGB mosaic in raw values.

    Electrons are ``level * picture * gain * well``, with Gaussian photon and read noise (``noise``
    is standard normal); full at ``well``.
    """
    height, width, _ = picture.shape
    mosaic = np.empty((height, width), np.uint16)
    scale = np.float32((white - black) / well)
    for i in range(height):
        for j in range(width):
            c = (i & 1) + (j & 1)
            electrons = picture[i, j, c] * gain[i, j] * np.float32(level * well)
            electrons = max(electrons, np.float32(0))
            electrons += noise[i, j] * np.sqrt(electrons + np.float32(read * read))
            value = np.float32(black) + min(electrons, np.float32(well)) * scale
            mosaic[i, j] = np.uint16(max(value + np.float32(0.5), np.float32(0)))
    return mosaic


def photograph(
    picture: Float32, gain: Float32, level: float, iso: int, generator: np.random.Generator
) -> NDArray[np.uint16]:
    """Expose the sensor to camera RGB (height, width, 3); 1 fills ``level`` of the well."""
    height, width, _ = picture.shape
    soft = blurred(picture, np.full(height, LENS_SIGMA_PX))
    noise = generator.standard_normal((height, width), dtype=np.float32)
    well = FULL_WELL_E * BASE_ISO / iso
    mosaic = collect(soft, gain, noise, level, well, READ_NOISE_E, float(BLACK), float(WHITE))
    return np.asarray(mosaic, np.uint16)


def noise_profile(iso: int) -> tuple[float, float]:
    """DNG NoiseProfile scale and offset: variance = scale * signal + offset, signal 0 to 1."""
    well = FULL_WELL_E * BASE_ISO / iso
    return 1 / well, (READ_NOISE_E / well) ** 2 + ((1 / (WHITE - BLACK)) ** 2) / 12
