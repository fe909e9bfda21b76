"""Writes one mosaicked picture as DNG 1.4: a single uncompressed image, its Exif and its GPS part.

The Digital Negative Specification and TIFF 6.0 by hand, because the nested Exif and GPS
directories are what a general TIFF writer leaves out. Knows no scenes and no spectra.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL, DOUBLE = 1, 2, 3, 4, 5, 7, 10, 12
_FORMATS = {BYTE: "B", SHORT: "H", LONG: "I", DOUBLE: "d", RATIONAL: "I", SRATIONAL: "i"}

Entry = tuple[int, int, Any]
"""Tag, field type, value: text, bytes, or a sequence of numbers."""


@dataclass(frozen=True, slots=True)
class Camera:
    """What one camera body writes into every file. Matrices map XYZ to camera RGB."""

    make: str
    model: str
    serial: str
    lens: str
    black: int
    white: int
    baseline_stops: Fraction
    matrix_a: NDArray[np.float64]
    matrix_d65: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Capture:
    """What one release writes: time with its UTC offset, settings, place, orientation (Exif)."""

    time: datetime
    exposure_s: Fraction
    f_number: float
    iso: int
    focal_length_mm: float
    orientation: int
    neutral: NDArray[np.float64]
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    noise_scale: float
    noise_offset: float


def _encode(kind: int, value: Any) -> tuple[int, bytes]:
    """The count and the bytes of a field."""
    if kind == ASCII:
        data = value.encode("ascii") + b"\0"
        return len(data), data
    if kind == UNDEFINED:
        return len(value), bytes(value)
    if kind in (RATIONAL, SRATIONAL):
        fractions = [Fraction(v).limit_denominator(1_000_000) for v in value]
        numbers = [n for f in fractions for n in (f.numerator, f.denominator)]
        return len(fractions), struct.pack(f"<{len(numbers)}{_FORMATS[kind]}", *numbers)
    return len(value), struct.pack(f"<{len(value)}{_FORMATS[kind]}", *value)


def _directory(entries: list[Entry], offset: int) -> bytes:
    """An image file directory that starts at ``offset``, with its long values after it."""
    entries = sorted(entries, key=lambda entry: entry[0])
    table = struct.pack("<H", len(entries))
    room = offset + 2 + 12 * len(entries) + 4
    values = b""
    for tag, kind, value in entries:
        count, data = _encode(kind, value)
        if len(data) <= 4:
            place = data.ljust(4, b"\0")
        else:
            place = struct.pack("<I", room + len(values))
            values += data + b"\0" * (len(data) % 2)
        table += struct.pack("<HHI", tag, kind, count) + place
    return table + struct.pack("<I", 0) + values


def _degrees(angle: float) -> tuple[Fraction, Fraction, Fraction]:
    """Degrees, minutes, seconds as Exif wants them, to a hundredth of a second."""
    hundredths = round(abs(angle) * 360_000)
    return (
        Fraction(hundredths // 360_000),
        Fraction(hundredths // 6_000 % 60),
        Fraction(hundredths % 6_000, 100),
    )


def _exif(camera: Camera, capture: Capture) -> list[Entry]:
    stamp = capture.time.strftime("%Y:%m:%d %H:%M:%S")
    subseconds = f"{capture.time.microsecond // 10_000:02d}"
    offset = capture.time.strftime("%z")
    offset = f"{offset[:3]}:{offset[3:5]}"
    return [
        (0x829A, RATIONAL, [capture.exposure_s]),
        (0x829D, RATIONAL, [Fraction(str(capture.f_number))]),
        (0x8822, SHORT, [1]),  # exposure set by hand
        (0x8827, SHORT, [capture.iso]),
        (0x8830, SHORT, [2]),  # the sensitivity is a recommended exposure index
        (0x9000, UNDEFINED, b"0232"),
        (0x9003, ASCII, stamp),
        (0x9004, ASCII, stamp),
        (0x9010, ASCII, offset),
        (0x9011, ASCII, offset),
        (0x9012, ASCII, offset),
        (0x9207, SHORT, [5]),  # pattern metering
        (0x9209, SHORT, [16]),  # no flash
        (0x920A, RATIONAL, [Fraction(str(capture.focal_length_mm))]),
        (0x9290, ASCII, subseconds),
        (0x9291, ASCII, subseconds),
        (0x9292, ASCII, subseconds),
        (0xA403, SHORT, [1]),  # white balance set by hand
        (0xA405, SHORT, [round(capture.focal_length_mm)]),
        (0xA431, ASCII, camera.serial),
        (0xA434, ASCII, camera.lens),
    ]


def _gps(capture: Capture) -> list[Entry]:
    return [
        (0, BYTE, [2, 3, 0, 0]),
        (1, ASCII, "N" if capture.latitude_deg >= 0 else "S"),
        (2, RATIONAL, _degrees(capture.latitude_deg)),
        (3, ASCII, "E" if capture.longitude_deg >= 0 else "W"),
        (4, RATIONAL, _degrees(capture.longitude_deg)),
        (5, BYTE, [0 if capture.altitude_m >= 0 else 1]),
        (6, RATIONAL, [Fraction(str(abs(capture.altitude_m)))]),
    ]


def dng_bytes(mosaic: NDArray[np.uint16], camera: Camera, capture: Capture) -> bytes:
    """The whole file for an RGGB mosaic (height, width) of even size, in sensor orientation."""
    height, width = mosaic.shape
    stamp = capture.time.strftime("%Y:%m:%d %H:%M:%S")
    noise = [capture.noise_scale, capture.noise_offset] * 3

    def first(exif: int, gps: int, pixels: int) -> list[Entry]:
        return [
            (254, LONG, [0]),
            (256, LONG, [width]),
            (257, LONG, [height]),
            (258, SHORT, [16]),
            (259, SHORT, [1]),
            (262, SHORT, [32803]),
            (271, ASCII, camera.make),
            (272, ASCII, camera.model),
            (273, LONG, [pixels]),
            (274, SHORT, [capture.orientation]),
            (277, SHORT, [1]),
            (278, LONG, [height]),
            (279, LONG, [2 * height * width]),
            (284, SHORT, [1]),
            (305, ASCII, f"{camera.model} 1.0"),
            (306, ASCII, stamp),
            (33421, SHORT, [2, 2]),
            (33422, BYTE, [0, 1, 1, 2]),
            (34665, LONG, [exif]),
            (34853, LONG, [gps]),
            (50706, BYTE, [1, 4, 0, 0]),
            (50707, BYTE, [1, 3, 0, 0]),
            (50708, ASCII, f"{camera.make} {camera.model}"),
            (50710, BYTE, [0, 1, 2]),
            (50711, SHORT, [1]),
            (50713, SHORT, [2, 2]),
            (50714, SHORT, [camera.black] * 4),
            (50717, SHORT, [camera.white]),
            (50721, SRATIONAL, _four_decimals(camera.matrix_a)),
            (50722, SRATIONAL, _four_decimals(camera.matrix_d65)),
            (50728, RATIONAL, [Fraction(round(float(n) * 10**6), 10**6) for n in capture.neutral]),
            (50730, SRATIONAL, [camera.baseline_stops]),
            (50735, ASCII, camera.serial),
            (50778, SHORT, [17]),  # standard light A
            (50779, SHORT, [21]),  # D65
            (51041, DOUBLE, noise),
        ]

    # directories come before the pixels; their sizes do not depend on the offsets they hold
    exif_at = 8 + len(_directory(first(0, 0, 0), 8))
    exif = _directory(_exif(camera, capture), exif_at)
    gps_at = exif_at + len(exif)
    gps = _directory(_gps(capture), gps_at)
    pixels_at = -(-(gps_at + len(gps)) // 16) * 16
    head = struct.pack("<2sHI", b"II", 42, 8) + _directory(first(exif_at, gps_at, pixels_at), 8)
    head = (head + exif + gps).ljust(pixels_at, b"\0")
    return head + mosaic.astype("<u2", copy=False).tobytes()


def _four_decimals(matrix: NDArray[np.float64]) -> list[Fraction]:
    return [Fraction(round(float(value) * 10_000), 10_000) for value in matrix.ravel()]


def write_dng(path: Path, mosaic: NDArray[np.uint16], camera: Camera, capture: Capture) -> None:
    """Write ``path`` whole or not at all."""
    partial = path.with_name(path.name + ".partial")
    partial.write_bytes(dng_bytes(mosaic, camera, capture))
    partial.replace(path)
