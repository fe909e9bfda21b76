"""A CMYK profile of our own for tests: four inks that each take away light of their own.

Written by ICC.1:2022 (7 for header and table, 10.10 for lut16Type, 9.2 for the tags), apart from
what Safelight knows of profiles. The model is exact at every node of its tables, and can be asked
directly. Colours are CIE L*a*b* under D50, relative to the paper.
"""

from __future__ import annotations

import struct

import numpy as np

WHITE = np.array([0.9642, 1.0, 0.8249])
PAPER = np.array([0.80, 0.83, 0.66])
"""The paper's XYZ, for absolute colorimetry alone."""
# sRGB's primaries under D50 (IEC 61966-2-1 annex F, adapted; from memory, and no more than a gamut)
LIGHT = np.array(
    [[0.4361, 0.3851, 0.1431], [0.2225, 0.7169, 0.0606], [0.0139, 0.0971, 0.7141]]
)  # fmt: skip
LIGHT *= (WHITE / LIGHT.sum(axis=1))[:, None]
FULL, BLACK = 0.06, 0.08
"""The light of its part of the spectrum that full cyan, magenta or yellow leaves; that of all that
black does."""


def lab_of_inks(inks: np.ndarray, paper_share: float = 0.0) -> np.ndarray:
    """L*a*b* of shares of ink (..., 4), 0 to 1.

    Through ``paper_share`` of the paper no ink comes, as if light were scattered in it.
    """
    left = (1 - inks[..., :3] * (1 - FULL)) * (1 - inks[..., 3:] * (1 - BLACK))
    left = paper_share + (1 - paper_share) * left
    ratio = (left @ LIGHT.T) / WHITE
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], -1
    )


def inks_of_lab(lab: np.ndarray, paper_share: float = 0.0) -> np.ndarray:
    """Shares of ink for L*a*b*, clipped channel by channel; black where it is dark."""
    y = (lab[..., 0] + 16) / 116
    f = np.stack([y + lab[..., 1] / 500, y, y - lab[..., 2] / 200], -1)
    xyz = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)) * WHITE
    left = (xyz @ np.linalg.inv(LIGHT).T - paper_share) / (1 - paper_share)
    left = np.clip(left, FULL * BLACK, 1)
    black = np.clip((0.6 - left.max(axis=-1)) / 0.6, 0, 1)
    others = (1 - left / (1 - black * (1 - BLACK))[..., None]) / (1 - FULL)
    return np.concatenate([np.clip(others, 0, 1), black[..., None]], axis=-1)


STRAIGHT = np.array([0.0, 1.0])


def _coded(shares: np.ndarray) -> bytes:
    return np.round(np.clip(shares, 0, 1) * 65535).astype(">u2").tobytes()


def _nodes(channels: int, points: int) -> np.ndarray:
    """The nodes of a table, (points ** channels, channels), the first channel slowest."""
    axis = np.linspace(0, 1, points)
    return np.stack(np.meshgrid(*[axis] * channels, indexing="ij"), -1).reshape(-1, channels)


def _lut16(
    inputs: int, outputs: int, points: int, table: np.ndarray, first: np.ndarray = STRAIGHT
) -> bytes:
    """``first`` is the curve before the table; those behind it are straight."""
    straight = _coded(np.linspace(0, 1, len(first)))
    identity = np.eye(3).ravel() * 65536
    return b"".join(
        [
            b"mft2\0\0\0\0",
            struct.pack(">BBBx", inputs, outputs, points),
            identity.astype(">i4").tobytes(),
            struct.pack(">HH", len(first), 2),
            _coded(first) + straight * (inputs - 1),
            _coded(table / 65535),
            _coded(STRAIGHT) * outputs,
        ]
    )


def _to_lab(paper_share: float, points: int = 9) -> bytes:
    lab = lab_of_inks(_nodes(4, points), paper_share)
    # the encoding of L*a*b* in lut16Type: ICC.1:2022, 10.10, table 42
    coded = np.concatenate([lab[:, :1] * 652.8, (lab[:, 1:] + 128) * 256], axis=1)
    return _lut16(4, 3, points, coded)


def _to_inks(paper_share: float, chroma: float = 1.0, points: int = 25) -> bytes:
    lab = _nodes(3, points) * [100, 65535 / 256, 65535 / 256] - [0, 128, 128]
    lab[:, 1:] *= chroma
    # L* 100 is the code 65280: the last node, so that the paper's white is no ink at all
    to_white = np.arange(258) / 256
    return _lut16(3, 4, points, inks_of_lab(lab, paper_share) * 65535, to_white)


def _text(text: str) -> bytes:
    coded = text.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">II4sII", 1, 12, b"enUS", len(coded), 28) + coded


def _xyz(values: np.ndarray) -> bytes:
    return b"XYZ \0\0\0\0" + np.round(values * 65536).astype(">i4").tobytes()


def assembled(
    tags: dict[bytes, bytes], kind: bytes = b"prtr", codes: bytes = b"CMYK", pcs: bytes = b"Lab "
) -> bytes:
    """A profile of version 4.2 of any tags."""
    table, data = struct.pack(">I", len(tags)), b""
    start = 132 + 12 * len(tags)
    for name, content in tags.items():
        table += struct.pack(">4sII", name, start + len(data), len(content))
        data += content + bytes(-len(content) % 4)
    white = np.round(WHITE * 65536).astype(">i4").tobytes()
    head = struct.pack(
        ">I4xI4s4s4s6H4s28x12s48x",
        start + len(data), 0x04200000, kind, codes, pcs, 2026, 1, 1, 0, 0, 0, b"acsp", white,
    )  # fmt: skip
    return head + table + data


def ink_profile(title: str = "Four inks of ours", paper_share: float = 0.0) -> bytes:
    """Perceptual tables with less chroma, colorimetric ones, none for saturation; 0.3 MB."""
    to_lab = _to_lab(paper_share)
    return assembled(
        {
            b"desc": _text(title),
            b"cprt": _text("No rights reserved (CC0 1.0)"),
            b"wtpt": _xyz(PAPER),
            b"A2B0": to_lab,
            b"A2B1": to_lab,
            b"B2A0": _to_inks(paper_share, 0.8),
            b"B2A1": _to_inks(paper_share),
        }
    )
