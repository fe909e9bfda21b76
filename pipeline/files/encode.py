"""Finished pixels to the bytes of JPEG and TIFF files, and masters back to pixels.

Files are built here from end to end and handed to ``landing``; no library is ever given a final
name to write to. Metadata arrives composed (``metadata.Blocks``) and is only put in its place.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, cast

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import CannotWrite, NotAsRecorded
from pipeline.files.landing import land
from pipeline.files.metadata import XMP_NAME, Blocks
from pipeline.files.profile import profile_of
from pipeline.hashing import digest_bytes
from pipeline.kernels.encode import Codes
from pipeline.records import Artifact

STRIP_BYTES = 1 << 20
"""TIFF 6.0 asks for strips that a reader can hold easily; a megabyte is easy now."""
MOST_TIFF_BYTES = 0xFFFF_0000
SEGMENT_BYTES = 65533
"""What a JPEG marker segment can carry (ITU-T T.81, B.1.1.4)."""
LONGEST_JPEG_PX = 65500
"""The encoder's limit, a little under the format's."""
NO_BLOCKS = Blocks()

# TIFF 6.0 and Exif 2.32 field types and tags
ASCII, SHORT, LONG, RATIONAL, UNDEFINED = 2, 3, 4, 5, 7
TYPE_BYTES = (0, 1, 1, 2, 4, 8, 1, 1, 2, 4, 8, 4, 8)
IMAGE_WIDTH, IMAGE_LENGTH, BITS_PER_SAMPLE, COMPRESSION = 256, 257, 258, 259
PHOTOMETRIC, STRIP_OFFSETS, ORIENTATION, SAMPLES_PER_PIXEL = 262, 273, 274, 277
ROWS_PER_STRIP, STRIP_BYTE_COUNTS, X_RESOLUTION, Y_RESOLUTION = 278, 279, 282, 283
PLANAR_CONFIGURATION, RESOLUTION_UNIT, PREDICTOR, YCBCR_POSITIONING = 284, 296, 317, 531
XMP, IPTC, EXIF_DIRECTORY, ICC_PROFILE = 700, 33723, 34665, 34675
DEFLATE = 8
EXIF_VERSION, COMPONENTS, FLASHPIX_VERSION = 0x9000, 0x9101, 0xA000
COLOR_SPACE, PIXEL_X, PIXEL_Y = 0xA001, 0xA002, 0xA003


@dataclass(frozen=True, slots=True)
class Field:
    """The value of a TIFF tag: its type, how many, and their little-endian bytes."""

    kind: int
    count: int
    data: bytes


Directory = dict[int, "Field | Directory"]
"""A TIFF image file directory; a directory as a value is one that the tag points to."""


def jpeg(
    pixels: NDArray[np.uint8],
    space: str,
    *,
    quality: int,
    ppi: int,
    blocks: Blocks = NO_BLOCKS,
    profile: bytes | None = None,
    progressive: bool = False,
    halved: bool = False,
) -> bytes:
    """A JPEG of (height, width, channels) codes of ``space``, with profile and metadata inside.

    Three channels are RGB, four CMYK, which need a ``profile``. ``quality`` is 1 to 100 on the
    scale of the IJG; ``halved`` halves the planes of colour (4:2:0). Raises ``CannotWrite`` where
    a block of metadata or the picture is larger than the format allows.
    """
    from PIL import Image

    height, width = pixels.shape[:2]
    if max(height, width) > LONGEST_JPEG_PX:
        raise CannotWrite(
            f"{width} × {height} pixels do not fit a JPEG: at most {LONGEST_JPEG_PX} a side"
        )
    # Huffman tables made for the picture would save a tenth of the bytes and triple the time
    stream = io.BytesIO()
    mode = "RGB" if pixels.shape[2] == 3 else "CMYK"
    picture = Image.frombuffer(mode, (width, height), np.ascontiguousarray(pixels))
    subsampling = "4:2:0" if halved else "4:4:4"
    picture.save(stream, "JPEG", quality=quality, subsampling=subsampling, progressive=progressive)
    plain = stream.getvalue()
    # start of image, then the encoder's own APP0, which says nothing about the resolution
    head = 4 + struct.unpack(">H", plain[4:6])[0] if plain[2:4] == b"\xff\xe0" else 2
    exif = exif_of(blocks, space, width, height, ppi)
    segments = [_segment(0xE1, b"Exif\0\0" + exif, "Exif data")]
    if mode == "RGB":  # what else JFIF (ITU-T T.871, 10.1) holds is grey; Exif says the same
        density = struct.pack(">5sHBHHBB", b"JFIF\0", 0x0102, 1, ppi, ppi, 0, 0)
        segments.insert(0, _segment(0xE0, density, "density"))
    if blocks.xmp:
        segments.append(_segment(0xE1, XMP_NAME + blocks.xmp, "XMP packet"))
    if blocks.iptc:
        segments.append(_segment(0xED, blocks.iptc, "IIM block"))
    segments += _profile_segments(profile or profile_of(space))
    return b"".join([plain[:2], *segments, memoryview(plain)[head:]])


def tiff(
    pixels: Codes,
    space: str,
    *,
    ppi: int = 300,
    blocks: Blocks = NO_BLOCKS,
    profile: bytes | None = None,
    deflated: bool = False,
    threads: int = 1,
) -> Callable[[BinaryIO], None]:
    """A TIFF 6.0 file of (height, width, 3) codes of ``space``, as a function that writes it.

    8 or 16 bits as ``pixels`` are; RGB in strips, or CMYK where there are four channels, which
    need a ``profile``. Not compressed unless ``deflated``: at 16 bits
    that saves a quarter and takes longer than all the rest of a frame, so it is for files that
    travel. Equal arguments give equal bytes, for any ``threads``. Raises ``CannotWrite`` beyond
    4 GiB.
    """
    height, width, channels = pixels.shape
    rows = max(1, STRIP_BYTES // (pixels.itemsize * channels * width))
    too_large = f"{width} × {height} pixels at this depth are more than a TIFF's 4 GiB"
    if not deflated and pixels.size * pixels.itemsize > MOST_TIFF_BYTES:
        raise CannotWrite(too_large)
    strips = [pixels[top : top + rows] for top in range(0, height, rows)]
    packed: Callable[[Codes], bytes | memoryview] = _deflated if deflated else _plain
    with ThreadPoolExecutor(threads) as pool:
        parts = list(pool.map(packed, strips))
    counts = [len(part) for part in parts]
    if sum(counts) > MOST_TIFF_BYTES:
        raise CannotWrite(too_large)
    directory: Directory = {
        **_composed(blocks, ppi),
        IMAGE_WIDTH: _long(width),
        IMAGE_LENGTH: _long(height),
        BITS_PER_SAMPLE: _short(*[8 * pixels.itemsize] * channels),
        COMPRESSION: _short(DEFLATE if deflated else 1),
        PHOTOMETRIC: _short(2 if channels == 3 else 5),
        SAMPLES_PER_PIXEL: _short(channels),
        ROWS_PER_STRIP: _long(rows),
        PLANAR_CONFIGURATION: _short(1),
        ICC_PROFILE: _undefined(profile or profile_of(space)),
    }
    if deflated:
        directory[PREDICTOR] = _short(2)
    # what only a JPEG's components need
    directory.pop(YCBCR_POSITIONING, None)
    cast(Directory, directory.get(EXIF_DIRECTORY, {})).pop(COMPONENTS, None)
    if blocks.xmp:
        directory[XMP] = Field(1, len(blocks.xmp), blocks.xmp)
    if blocks.iim:
        padded = blocks.iim + bytes(-len(blocks.iim) % 4)
        directory[IPTC] = Field(LONG, len(padded) // 4, padded)
    directory[STRIP_BYTE_COUNTS] = _long(*counts)
    directory[STRIP_OFFSETS] = _long(*[0] * len(counts))
    # the directory's length does not depend on the offsets in it
    start = _aligned(8 + len(_written(directory, 8)))
    offsets = [start]
    for count in counts[:-1]:
        offsets.append(_aligned(offsets[-1] + count, 2))
    directory[STRIP_OFFSETS] = _long(*offsets)
    head = struct.pack("<2sHI", b"II", 42, 8) + _written(directory, 8)

    def write(stream: BinaryIO) -> None:
        stream.write(head + bytes(start - len(head)))
        for part in parts:
            stream.write(part)
            stream.write(bytes(len(part) % 2))

    return write


def _plain(strip: Codes) -> memoryview:
    return np.ascontiguousarray(strip, strip.dtype.newbyteorder("<")).data.cast("B")


def _deflated(strip: Codes) -> bytes:
    """Differences to the pixel on the left (TIFF 6.0, 14), deflated (zlib, RFC 1950; TIFF's
    compression 8): the fastest level, which on 16-bit codes of photographs is the smallest too."""
    import imagecodecs

    ordered = np.ascontiguousarray(strip, strip.dtype.newbyteorder("<"))
    return bytes(imagecodecs.deflate_encode(imagecodecs.delta_encode(ordered, axis=1).tobytes(), 1))


def png(pixels: NDArray[np.uint8]) -> bytes:
    """A picture without loss (ISO/IEC 15948), without a profile: sRGB (h, w, 3), or grey (h, w)."""
    import imagecodecs

    return bytes(imagecodecs.png_encode(np.ascontiguousarray(pixels)))


def write_master(path: Path, pixels: NDArray[np.uint16], root: Path) -> Artifact:
    """Land a master: (height, width, 3) 16-bit ROMM RGB codes, uncompressed, readable in one go."""
    return land(path, tiff(pixels, "romm-rgb"), root)


def read_master(path: Path, digest: str) -> NDArray[np.uint16]:
    """The pixels of a master, (height, width, 3) 16-bit ROMM RGB codes, as ``tiff`` wrote them.

    The file is read once, into memory, and compared with the digest that was recorded for it before
    anything in it is believed. Raises ``NotAsRecorded`` where it is gone or differs.
    """
    try:
        # not a memory map: a file that shrinks while it is mapped kills the process
        data = np.fromfile(path, np.uint8)
    except OSError as error:
        raise NotAsRecorded(f"{path}: the master cannot be read ({error.strerror})") from error
    if digest_bytes(data.data) != digest:
        raise NotAsRecorded(f"{path}: the master is not what was recorded; run the frame again")
    problem, pixels = _pixels_of(data)
    if problem:
        raise NotAsRecorded(f"{path}: not a master that this version wrote, {problem}")
    return pixels


def _pixels_of(data: NDArray[np.uint8]) -> tuple[str, NDArray[np.uint16]]:
    """A view of the pixels of a whole TIFF file in memory, or what is wrong with it."""
    nothing = np.empty((0, 0, 3), np.uint16)
    head = data[:8].tobytes()
    if len(head) < 8 or head[:4] != b"II*\0":
        return "it is not a little-endian TIFF", nothing
    try:
        directory = read_directory(data.data, struct.unpack("<I", head[4:])[0])
        width, height = _number(directory, IMAGE_WIDTH), _number(directory, IMAGE_LENGTH)
        layout = (
            _numbers(directory, BITS_PER_SAMPLE),
            _numbers(directory, COMPRESSION),
            _numbers(directory, PHOTOMETRIC),
            _numbers(directory, PLANAR_CONFIGURATION),
        )
        offsets = np.array(_numbers(directory, STRIP_OFFSETS))
        counts = np.array(_numbers(directory, STRIP_BYTE_COUNTS))
    except (KeyError, ValueError, struct.error):
        return "its directory is damaged", nothing
    if layout != ((16, 16, 16), (1,), (2,), (1,)):
        return "it is not uncompressed 16-bit RGB", nothing
    # a strip of no bytes reads as black in many readers: every one must be there, end to end
    if len(offsets) != len(counts) or (counts <= 0).any() or counts.sum() != width * height * 6:
        return "its strips do not add up to the picture", nothing
    ends = offsets + counts
    if (offsets[1:] != ends[:-1]).any() or ends[-1] > data.size or offsets[0] % 2:
        return "its strips do not follow each other", nothing
    return "", data[offsets[0] : ends[-1]].view("<u2").reshape(height, width, 3)


def read_directory(data: memoryview, offset: int) -> Directory:
    """One little-endian TIFF directory with the Exif directory that it points to.

    Raises ``ValueError`` or ``struct.error`` where it points outside ``data`` or to itself.
    """
    return _read_directory(data, offset, (EXIF_DIRECTORY,))


def _read_directory(data: memoryview, offset: int, pointers: tuple[int, ...]) -> Directory:
    directory: Directory = {}
    (entries,) = struct.unpack_from("<H", data, offset)
    for entry in range(entries):
        place = offset + 2 + 12 * entry
        tag, kind, count = struct.unpack_from("<HHI", data, place)
        if not 0 < kind < len(TYPE_BYTES):
            raise ValueError(f"tag {tag} has no type that TIFF knows")
        length = TYPE_BYTES[kind] * count
        start = place + 8 if length <= 4 else struct.unpack_from("<I", data, place + 8)[0]
        value = bytes(data[start : start + length])
        if len(value) < length:
            raise ValueError(f"tag {tag} points behind the end")
        if tag in pointers:
            directory[tag] = _read_directory(data, struct.unpack("<I", value)[0], ())
        else:
            directory[tag] = Field(kind, count, value)
    return directory


def _written(directory: Mapping[int, Field | Directory], offset: int) -> bytes:
    """A directory and all it points to, as the bytes that stand at ``offset`` (TIFF 6.0, 2)."""
    table = struct.pack("<H", len(directory))
    values = b""
    start = offset + 2 + 12 * len(directory) + 4
    for tag, field in sorted(directory.items()):
        place = start + len(values)
        if isinstance(field, dict):
            values += _written(field, place)
            field = _long(place)  # noqa: PLW2901  # what the table holds of it
        elif len(field.data) > 4:
            values += field.data + bytes(len(field.data) % 2)
            field = Field(field.kind, field.count, struct.pack("<I", place))  # noqa: PLW2901
        table += struct.pack("<HHI4s", tag, field.kind, field.count, field.data)
    return table + bytes(4) + values


def _composed(blocks: Blocks, ppi: int) -> Directory:
    """The Exif fields that were composed, with those that the finished picture decides."""
    directory: Directory = {}
    if blocks.exif:
        start = struct.unpack_from("<I", blocks.exif, 4)[0]
        directory = read_directory(memoryview(blocks.exif), start)
    return directory | {
        ORIENTATION: _short(1),
        X_RESOLUTION: Field(RATIONAL, 1, struct.pack("<II", ppi, 1)),
        Y_RESOLUTION: Field(RATIONAL, 1, struct.pack("<II", ppi, 1)),
        RESOLUTION_UNIT: _short(2),
    }


def exif_of(
    blocks: Blocks, space: str, width: int, height: int, ppi: int, *, oriented: bool = True
) -> bytes:
    """The Exif block of a picture: a small TIFF file of its own, with all that Exif 2.32 wants.

    ``oriented`` says that it is upright, where the picture's format does not.
    """
    directory = _composed(blocks, ppi)
    if not oriented:
        directory.pop(ORIENTATION, None)
    directory[YCBCR_POSITIONING] = _short(1)
    directory[EXIF_DIRECTORY] = {
        EXIF_VERSION: _undefined(b"0232"),
        FLASHPIX_VERSION: _undefined(b"0100"),
        **cast(Directory, directory.get(EXIF_DIRECTORY, {})),
        COMPONENTS: _undefined(bytes([1, 2, 3, 0])),  # Y, Cb, Cr
        COLOR_SPACE: _short(1 if space == "srgb" else 0xFFFF),  # otherwise the profile tells
        PIXEL_X: _long(width),
        PIXEL_Y: _long(height),
    }
    return struct.pack("<2sHI", b"II", 42, 8) + _written(directory, 8)


def _profile_segments(profile: bytes) -> list[bytes]:
    """A profile in as many numbered segments as it needs (ICC.1:2022, B.4)."""
    size = SEGMENT_BYTES - 14
    parts = [profile[at : at + size] for at in range(0, len(profile), size)]
    if len(parts) > 255:
        raise CannotWrite(f"the ICC profile has {len(profile)} bytes: more than a JPEG can hold")
    return [
        _segment(0xE2, b"ICC_PROFILE\0" + bytes([number, len(parts)]) + part, "ICC profile")
        for number, part in enumerate(parts, 1)
    ]


def _segment(marker: int, payload: bytes, what: str) -> bytes:
    if len(payload) > SEGMENT_BYTES:
        raise CannotWrite(
            f"the {what} is {len(payload)} bytes long; a JPEG holds at most {SEGMENT_BYTES}: "
            "shorten the texts"
        )
    return struct.pack(">BBH", 0xFF, marker, len(payload) + 2) + payload


def _aligned(place: int, step: int = 16) -> int:
    return place + -place % step


def _short(*values: int) -> Field:
    return Field(SHORT, len(values), struct.pack(f"<{len(values)}H", *values))


def _long(*values: int) -> Field:
    return Field(LONG, len(values), struct.pack(f"<{len(values)}I", *values))


def _undefined(data: bytes) -> Field:
    return Field(UNDEFINED, len(data), data)


def _numbers(directory: Directory, tag: int) -> tuple[int, ...]:
    field = directory[tag]
    if not isinstance(field, Field) or field.kind not in {SHORT, LONG}:
        raise ValueError(f"tag {tag} is not a number")
    return struct.unpack(f"<{field.count}{'H' if field.kind == SHORT else 'I'}", field.data)


def _number(directory: Directory, tag: int) -> int:
    (value,) = _numbers(directory, tag)
    return value
