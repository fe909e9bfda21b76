"""Writes small DNG files for tests: a mosaic, its colour matrices, black and white levels.

Everything goes through tifffile's public writer, so a test can also write what no camera would.
Tag numbers and types: DNG Specification 1.7.1.0; TIFF/EP (ISO 12234-2).
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import tifffile

SHORT, LONG, RATIONAL, BYTE, ASCII, SRATIONAL = 3, 4, 5, 1, 2, 10

# XYZ (D65) to a plausible camera's RGB; rows scaled so that D65 is not neutral, as in real cameras
COLOR_MATRIX = np.array(
    [[0.8198, -0.2239, -0.0724], [-0.4871, 1.2389, 0.2798], [-0.1043, 0.2050, 0.7181]]
)
STANDARD_LIGHT_A, D65_ILLUMINANT, D50_ILLUMINANT = 17, 21, 23
LETTER_CODE = {"R": 0, "G": 1, "B": 2}


def rationals(values, denominator_limit: int = 1_000_000) -> tuple[int, ...]:
    """Numerators and denominators, flat, as TIFF stores rationals."""
    parts: list[int] = []
    for value in np.ravel(values):
        fraction = Fraction(float(value)).limit_denominator(denominator_limit)
        parts += [fraction.numerator, fraction.denominator]
    return tuple(parts)


def _tags(entries) -> list[tuple]:
    """tifffile's extra tags of (code, type, values); what is None stays out of the file."""
    tags: list[tuple] = []
    for code, kind, value in entries:
        if value is None:
            continue
        if kind in (RATIONAL, SRATIONAL):
            flat = rationals(value)
            tags.append((code, kind, len(flat) // 2, flat, True))
        elif kind == ASCII:
            text = value.encode() + b"\0"
            tags.append((code, kind, len(text), text, True))
        elif kind == BYTE:
            tags.append((code, kind, len(value), bytes(value), True))
        else:
            flat = tuple(int(number) for number in np.ravel(value))
            tags.append((code, kind, len(flat), flat if len(flat) > 1 else flat[0], True))
    return tags


def write_dng(
    path: Path,
    cfa: np.ndarray,
    pattern: str = "RGGB",
    *,
    black: float | tuple[float, ...] = 0,
    white: int | tuple[int, ...] = 65535,
    color_matrix1=COLOR_MATRIX,
    color_matrix2=None,
    forward_matrix1=None,
    forward_matrix2=None,
    camera_calibration1=None,
    camera_calibration2=None,
    calibration_signatures: tuple[str, str] | None = None,
    analog_balance=None,
    illuminant1: int = D65_ILLUMINANT,
    illuminant2: int = STANDARD_LIGHT_A,
    as_shot_neutral=(0.5, 1.0, 0.6),
    as_shot_white_xy=None,
    orientation: int = 1,
    active_area: tuple[int, int, int, int] | None = None,
    compression: str | None = None,
    tile: tuple[int, int] | None = None,
    model: str = "Test Camera",
    extra_tags: tuple[tuple, ...] = (),
    byteorder: str = "<",
) -> Path:
    """Write a uint16 mosaic (h, w), or linear RGB (h, w, 3), as a DNG and return its path.

    ``pattern`` names the colours row by row: 4 letters for 2 × 2, 36 for 6 × 6. ``black`` is one
    level, one for each place of a 2 × 2 pattern, row by row, or an array of two dimensions that
    repeats. ``active_area`` is top, left, bottom, right. ``compression="ljpeg"`` with ``tile``
    writes lossless JPEG (ITU-T T.81, process 14), two interleaved components a tile as cameras do.
    """
    cfa = np.ascontiguousarray(cfa, np.uint16)
    mosaic = cfa.ndim == 2
    repeat = np.shape(black) if np.ndim(black) == 2 else (2, 2) if np.size(black) == 4 else None
    side = int(len(pattern) ** 0.5)
    signatures = calibration_signatures or (None, None)
    tags = _tags(
        [
            (50706, BYTE, (1, 4, 0, 0)),  # DNGVersion
            (50707, BYTE, (1, 1, 0, 0)),  # DNGBackwardVersion
            (50708, ASCII, model),  # UniqueCameraModel
            (271, ASCII, "Safelamp"),  # Make
            (272, ASCII, model),
            (274, SHORT, orientation),
            (33421, SHORT, (side, side) if mosaic else None),  # CFARepeatPatternDim
            (33422, BYTE, [LETTER_CODE[letter] for letter in pattern] if mosaic else None),
            (50710, BYTE, (0, 1, 2) if mosaic else None),  # CFAPlaneColor
            (50711, SHORT, 1 if mosaic else None),  # CFALayout: rectangular
            (50713, SHORT, repeat),  # BlackLevelRepeatDim
            (50714, RATIONAL, black),
            (50717, LONG, white),
            (50721, SRATIONAL, color_matrix1),
            (50722, SRATIONAL, color_matrix2),
            (50723, SRATIONAL, camera_calibration1),
            (50724, SRATIONAL, camera_calibration2),
            (50727, RATIONAL, analog_balance),
            (50728, RATIONAL, as_shot_neutral),
            (50729, RATIONAL, as_shot_white_xy),
            (50778, SHORT, illuminant1),
            (50779, SHORT, None if color_matrix2 is None else illuminant2),
            (50829, LONG, active_area),
            (50931, ASCII, signatures[0]),  # CameraCalibrationSignature
            (50932, ASCII, signatures[1]),  # ProfileCalibrationSignature
            (50964, SRATIONAL, forward_matrix1),
            (50965, SRATIONAL, forward_matrix2),
        ]
    )
    tags += extra_tags
    with tifffile.TiffWriter(path, byteorder=byteorder) as writer:
        options = {
            "photometric": "cfa" if mosaic else 34892,  # LinearRaw
            "planarconfig": None if mosaic else "contig",
            "subfiletype": 0,
            "metadata": None,
            "software": False,
            "extratags": tags,
        }
        if compression == "ljpeg":
            if tile is None:
                raise ValueError("lossless JPEG is written in tiles")
            writer.write(
                _lossless_tiles(cfa, tile),
                shape=cfa.shape,
                dtype=cfa.dtype,
                tile=tile,
                compression=7,
                **options,
            )
        else:
            writer.write(cfa, tile=tile, compression=compression, **options)
    return path


def _lossless_tiles(cfa: np.ndarray, tile: tuple[int, int]):
    """Lossless JPEG of each tile; right and bottom tiles are filled up by repeating the edge."""
    rows, columns = tile
    height, width = cfa.shape
    for top in range(0, height, rows):
        for left in range(0, width, columns):
            block = cfa[top : top + rows, left : left + columns]
            block = np.pad(
                block, ((0, rows - block.shape[0]), (0, columns - block.shape[1])), mode="edge"
            )
            yield lossless_jpeg(block.reshape(rows, columns // 2, 2))


def lossless_jpeg(samples: np.ndarray) -> bytes:
    """Lossless JPEG (ITU-T T.81, process 14, predictor 1) of 16-bit (rows, columns, components).

    One Huffman table for all components: the 17 difference categories in codes of 5 bits each.
    """
    rows, columns, components = samples.shape
    values = samples.astype(np.int64)
    predicted = np.empty_like(values)
    predicted[:, 1:] = values[:, :-1]
    predicted[1:, 0] = values[:-1, 0]
    predicted[0, 0] = 1 << 15
    bits: list[str] = []
    for difference in ((values - predicted + (1 << 15)) % (1 << 16) - (1 << 15)).ravel():
        category = int(abs(difference)).bit_length()
        bits.append(f"{category:05b}")
        if 0 < category < 16:
            extra = difference if difference > 0 else difference + (1 << category) - 1
            bits.append(f"{extra:0{category}b}")
    text = "".join(bits)
    text += "1" * (-len(text) % 8)
    scan = int(text, 2).to_bytes(len(text) // 8, "big").replace(b"\xff", b"\xff\0")

    def segment(marker: int, body: bytes) -> bytes:
        return bytes((0xFF, marker)) + (len(body) + 2).to_bytes(2, "big") + body

    frame = (
        bytes((16,)) + rows.to_bytes(2, "big") + columns.to_bytes(2, "big") + bytes((components,))
    )
    frame += b"".join(bytes((i, 0x11, 0)) for i in range(components))
    table = bytes((0,)) + bytes((0, 0, 0, 0, 17)) + bytes(11) + bytes(range(17))
    start = (
        bytes((components,)) + b"".join(bytes((i, 0)) for i in range(components)) + bytes((1, 0, 0))
    )
    return (
        b"\xff\xd8"
        + segment(0xC3, frame)
        + segment(0xC4, table)
        + segment(0xDA, start)
        + scan
        + b"\xff\xd9"
    )


def mosaic_of(rgb: np.ndarray, pattern: str = "RGGB") -> np.ndarray:
    """The samples of an (h, w, 3) picture that a sensor with this pattern would record."""
    side = int(len(pattern) ** 0.5)
    height, width = rgb.shape[:2]
    rows, columns = np.mgrid[:height, :width]
    table = np.array([LETTER_CODE[letter] for letter in pattern]).reshape(side, side)
    plane = table[rows % side, columns % side]
    return np.take_along_axis(rgb, plane[..., None], axis=2)[..., 0]
