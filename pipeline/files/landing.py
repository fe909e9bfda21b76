"""Putting files under their final names: whole, durable, inside the job, or not at all.

Every file that Safelight makes goes through ``land``. It knows nothing of what is in them.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import secrets
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

from blake3 import blake3

from pipeline.errors import CannotWrite
from pipeline.hashing import CHUNK_BYTES, PREFIX, digest_file, digest_stream
from pipeline.records import Artifact

MARK = ".safelight-"
SUFFIX = ".part"
READ_ONLY = 0o444

Content = bytes | memoryview | Callable[[BinaryIO], None]
"""The bytes of a file, or a function that writes them to an open file from start to end."""

REASONS = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk quota is used up",
    errno.EFBIG: "the file is larger than this disk or this session allows",
    errno.EROFS: "the disk is read-only",
    errno.EACCES: "there is no permission to write there",
    errno.EPERM: "there is no permission to write there",
    errno.ENAMETOOLONG: "the name is too long for this disk",
    errno.EEXIST: "a file stands where a folder is needed",
    errno.ENOTDIR: "a file stands where a folder is needed",
    errno.EISDIR: "a folder stands where the file should go",
    errno.ENOENT: "the folder is gone",
    errno.EIO: "the disk reported an error",
}

SET_ASIDE = "set-aside"
"""Where in a job files go that stood in the way and that somebody had changed."""


def land(path: Path, content: Content, root: Path) -> Artifact:
    """Write a file so that its final name only ever shows the whole of it.

    A temporary name in the same folder, the bytes, a flush to the disk, the rename, a flush of the
    folder. ``path`` is inside ``root``, the job's folder, after every symbolic link is followed;
    missing folders on the way are made. An earlier file of that name is replaced, a link of that
    name is replaced and not followed.

    Returns the artifact with its path relative to ``root``, the BLAKE3 digest of the bytes as they
    were written, and their number. Raises ``CannotWrite`` with the file's name and the reason;
    nothing is left behind then.
    """
    folder = _folder_inside(path, root)
    final = folder / path.name
    part = folder / f"{MARK}{secrets.token_hex(8)}{SUFFIX}"
    try:
        with part.open("xb") as stream:
            digesting = _Digesting(stream)
            if callable(content):
                content(digesting)  # type: ignore[arg-type]  # all that a writer needs of a file
            else:
                digesting.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(final)
        flush_folder(folder)
    except OSError as error:
        _remove(part)
        raise refusal(path, error) from error
    except BaseException:
        _remove(part)
        raise
    return Artifact(
        path=final.relative_to(root.resolve()).as_posix(),
        digest=PREFIX + digesting.hasher.hexdigest(),
        size_bytes=digesting.size,
    )


def sweep(folder: Path, root: Path) -> int:
    """Remove temporaries that a killed run left in ``folder`` and below; how many there were.

    Only for a process that holds the job: another's file in flight looks the same. A folder that
    leads out of ``root``, the job's folder, is left alone, and so is what cannot be removed.
    """
    if not folder.resolve().is_relative_to(root.resolve()):
        return 0
    found = [part for part in folder.rglob(f"{MARK}*{SUFFIX}") if _is_ours(part)]
    for part in found:
        _remove(part)
    return len(found)


def part_folder(parent: Path, root: Path) -> Path:
    """A new folder inside ``parent`` for files that are put in their place together, or not at all.

    Raises ``CannotWrite``.
    """
    part = parent / f"{MARK}{secrets.token_hex(8)}{SUFFIX}"
    _folder_inside(part / "inside", root)
    return part


def land_folder(part: Path, final: Path) -> None:
    """Give a whole folder its final name, which nothing may have yet; its files become read-only.

    Every file in it and in its folders was landed. Raises ``CannotWrite``; ``part`` is left where
    it is then.
    """
    try:
        folders = [path for path in part.rglob("*") if path.is_dir()]
        for path in part.rglob("*"):
            if path not in folders:
                path.chmod(READ_ONLY)
        for inside in (*folders, part):
            flush_folder(inside)
        if final.exists():
            raise CannotWrite(f"{final}: cannot be made, because it is there already")
        part.rename(final)
        flush_folder(final.parent)
    except OSError as error:
        raise refusal(final, error) from error


def land_file(part: Path, final: Path) -> None:
    """Give a whole file of a part folder its final name, which nothing may have yet; read-only.

    For what cannot be written from start to end, as ``land`` does it. Raises ``CannotWrite``.
    """
    try:
        with part.open("rb") as stream:
            os.fsync(stream.fileno())
        part.chmod(READ_ONLY)
        _put(part, final)
        flush_folder(final.parent)
    except OSError as error:
        raise refusal(final, error) from error


def land_beside(part: Path, folder: Path, name: str, ending: str, root: Path) -> Artifact:
    """Move a landed file into ``folder`` for good, read-only, named by its content.

    A file that is there with this content stays, and is what is given back; none is ever replaced.
    Raises ``CannotWrite``.
    """
    try:
        with part.open("rb") as stream:
            digest, size = digest_stream(stream)
        content = digest.removeprefix(PREFIX)
        final = _folder_inside(folder / "inside", root) / f"{name}_{content[:16]}{ending}"
        if not final.exists():
            part.chmod(READ_ONLY)
            _put(part, final)
            flush_folder(final.parent)
        elif digest_file(final) != digest:
            raise CannotWrite(f"{final}: cannot be written, because another file has its name")
    except OSError as error:
        raise refusal(folder / name, error) from error
    return Artifact(final.relative_to(root.resolve()).as_posix(), digest, size)


def _put(part: Path, final: Path) -> None:
    """Give a file a name that must be free; some disks, such as a card's, know no second name."""
    try:
        os.link(part, final)
    except OSError as error:
        if error.errno not in (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS):
            raise
        part.rename(final)


def remove_folder(folder: Path, root: Path) -> None:
    """Remove a folder of ours with all that is in it; what cannot be removed stays for later."""
    if not folder.is_symlink() and folder.resolve().is_relative_to(root.resolve()):
        shutil.rmtree(folder, ignore_errors=True)


def sweep_folders(parent: Path, root: Path) -> None:
    """Remove the part folders that a killed run left in ``parent`` and one level below.

    Only for a process that holds the job, as ``sweep``.
    """
    for part in (*parent.glob(f"{MARK}*{SUFFIX}"), *parent.glob(f"*/{MARK}*{SUFFIX}")):
        if part.is_dir():
            remove_folder(part, root)


class _Digesting:
    """The writing half of a file, which digests what goes through it; it cannot seek."""

    def __init__(self, stream: BinaryIO) -> None:
        self.stream = stream
        self.hasher = blake3()
        self.size = 0

    def write(self, data: bytes | memoryview) -> int:
        view = memoryview(data).cast("B")
        # piece by piece, so that the digest meets each piece while it is still in the cache
        for start in range(0, len(view), CHUNK_BYTES):
            piece = view[start : start + CHUNK_BYTES]
            self.hasher.update(piece)
            self.stream.write(piece)
        self.size += len(view)
        return len(view)


class Summing:
    """Content that is summed, SHA-256, as it is written."""

    def __init__(self, content: Content) -> None:
        self.content = content
        self.sha256 = hashlib.sha256()

    def __call__(self, stream: BinaryIO) -> None:
        self.stream = stream
        if callable(self.content):
            self.content(self)  # type: ignore[arg-type]  # all that a writer needs of a file
        else:
            self.write(self.content)

    def write(self, data: bytes | memoryview) -> int:
        self.sha256.update(data)
        return self.stream.write(data)


def set_aside(path: Path, root: Path) -> Path:
    """Move a file that somebody worked on out of the way of ours, and return where to.

    It goes to ``SET_ASIDE`` in ``root``, the job's folder, under a name that nothing there has.
    Raises ``CannotWrite``.
    """
    number = 1
    while True:
        name = path.name if number == 1 else f"{path.stem}-{number}{path.suffix}"
        final = _folder_inside(root / SET_ASIDE / name, root) / name
        if not os.path.lexists(final):  # the writer's lock stands between look and rename
            break
        number += 1
    try:
        path.rename(final)
    except OSError as error:
        raise refusal(path, error) from error
    return root / SET_ASIDE / name


def _folder_inside(path: Path, root: Path) -> Path:
    """The real folder that ``path`` goes to, made if missing; refused where it leaves ``root``."""
    try:
        real_root = root.resolve(strict=True)  # a folder that went away is not made again
    except OSError as error:
        raise refusal(path, error) from error
    folder = path.parent.resolve()
    if not folder.is_relative_to(real_root):
        raise CannotWrite(
            f"{path}: refused, because it leads to {folder}, outside the job {real_root}"
        )
    if path.name in {"", ".", ".."}:
        raise CannotWrite(f"{path}: refused, because it is not the name of a file")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise refusal(path, error) from error
    return folder


def _remove(part: Path) -> None:
    # a disk that refused the file may refuse this too; what stays is swept later
    with contextlib.suppress(OSError):
        part.unlink(missing_ok=True)


def flush_folder(folder: Path) -> None:
    """Make the names in a folder last through a loss of power."""
    if os.name == "nt":  # Windows has no handle to flush for a folder
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _is_ours(part: Path) -> bool:
    token = part.name[len(MARK) : -len(SUFFIX)]
    return (
        len(token) == 16
        and set(token) <= set("0123456789abcdef")
        and part.is_file()
        and not part.is_symlink()
    )


def refusal(path: Path, error: OSError) -> CannotWrite:
    """What to raise where the disk refused: the file and the reason in words."""
    reason = REASONS.get(error.errno or 0, error.strerror or str(error))
    return CannotWrite(f"{path}: cannot be written, because {reason}")
