"""What others can check copies by: a hash list and a log beside them.

Both are made from what the manifest knows and what was copied, so that a run that was killed before
is made good by the next one.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import CannotWrite, NotAsRecorded
from pipeline.hashing import CHUNK_BYTES, PREFIX

if TYPE_CHECKING:
    from pipeline.files.copying import Sums

LOG = "ingest.log"
MAY_CHANGE = ("*.xmp", LOG)
"""What a hash list of the job's own copies leaves out: sidecars are written to by ``rate``."""


def list_hashes(
    folder: Path,
    recorded: Mapping[str, str],
    copied: Mapping[str, Sums],
    may_change: Sequence[str],
) -> dict[str, str]:
    """Add a generation to the folder's ASC MHL history with what it does not list yet.

    ``recorded`` are the files by their names, with their digests; of those in ``copied`` the sums
    are known, the others are read. Gives what is not as recorded, by name, which is not listed.
    Raises ``NotAsRecorded`` for a history that is damaged, ``CannotWrite``.
    """
    from pipeline.files.hashlist import Hashed, add_generation, listed

    known = listed(folder)
    files, wrong = [], {}
    for name, digest in recorded.items():
        if name in known:
            continue
        sums = copied.get(name)
        try:
            if sums is None or not sums.xxh128:
                sums = _summed(folder / name)
            if sums.digest != digest:
                raise NotAsRecorded("its content is not what was recorded")
        except (OSError, NotAsRecorded) as error:
            reason = error.strerror if isinstance(error, OSError) else str(error)
            wrong[name] = f"not listed in the hash list: {reason}"
        else:
            files.append(Hashed(name, sums.size_bytes, sums.xxh128, sums.modified_ns))
    if files:
        add_generation(folder, files, may_change, datetime.now(UTC))
    return wrong


def add_to_log(folder: Path, lines: Iterable[str]) -> None:
    """Put lines at the end of the log of a folder; raises ``CannotWrite``."""
    from pipeline.files.landing import land

    path = folder / LOG
    try:
        before = path.read_bytes() if path.is_file() and not path.is_symlink() else b""
    except OSError as error:
        raise CannotWrite(f"{path}: cannot be gone on with: {error.strerror}") from error
    land(path, before + "".join(f"{line}\n" for line in lines).encode(), folder)


def _summed(path: Path) -> Sums:
    from blake3 import blake3
    from xxhash import xxh3_128

    from pipeline.files.copying import Sums, opened

    digest, xxh128 = blake3(), xxh3_128()
    with opened(path, os.O_NOFOLLOW) as stream:
        look = os.fstat(stream.fileno())
        while chunk := stream.read(CHUNK_BYTES):
            digest.update(chunk)
            xxh128.update(chunk)
    return Sums(PREFIX + digest.hexdigest(), xxh128.hexdigest(), look.st_size, look.st_mtime_ns)
