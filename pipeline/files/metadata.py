"""Metadata of delivered files, and capture data of originals, through one running exiftool."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Blocks:
    """Composed metadata, as the payloads that a file carries; empty where there is none.

    ``exif`` is a little-endian TIFF structure, ``xmp`` an XMP packet, ``iptc`` the payload of a
    JPEG's APP13 segment and ``iim`` the IIM data set inside it.
    """

    exif: bytes = b""
    xmp: bytes = b""
    iptc: bytes = b""
    iim: bytes = b""
