"""Which filesystem a folder is on: SQLite's locks cannot be trusted on a network drive.

Nothing here knows what the folder is for.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

# Type names as Linux and macOS report them; common practice, no source. 9p is how WSL shows Windows
# drives, on which the memory that readers and the writer share does not work.
NETWORK_FILESYSTEMS = {
    *("9p", "afpfs", "afs", "beegfs", "ceph", "cifs", "davfs", "glusterfs", "lustre", "ncpfs"),
    *("nfs", "nfs4", "smb2", "smb3", "smbfs", "webdav"),
    *("fuse.ceph", "fuse.davfs2", "fuse.gcsfuse", "fuse.glusterfs", "fuse.gvfsd-fuse"),
    *("fuse.rclone", "fuse.s3fs", "fuse.smbnetfs", "fuse.sshfs"),
}


def network_filesystem(folder: Path) -> str | None:
    """The type of the network filesystem that ``folder`` is on, or None where it is a local one."""
    kind = filesystem_of(folder.resolve(), mounts())
    return kind if kind in NETWORK_FILESYSTEMS else None


def filesystem_of(folder: Path, mounted: Iterable[tuple[Path, str]]) -> str | None:
    """The type of the filesystem that holds the absolute ``folder``; the last mount on top wins."""
    deepest, found = -1, None
    for point, kind in mounted:
        if len(point.parts) >= deepest and folder.is_relative_to(point):
            deepest, found = len(point.parts), kind
    return found


def mounts() -> list[tuple[Path, str]]:
    """Every mount point of this machine and its filesystem's type, in the order of mounting."""
    try:
        table = Path("/proc/self/mounts").read_text(errors="surrogateescape")
    except OSError:
        import psutil

        return [(Path(part.mountpoint), part.fstype) for part in psutil.disk_partitions(all=True)]
    fields = (line.split(" ") for line in table.splitlines())
    return [(Path(_unescaped(point)), kind) for _, point, kind, *_ in fields]


def _unescaped(point: str) -> str:
    """A mount point without the octal escapes that fstab(5) prescribes for spaces and tabs."""
    return re.sub(r"\\([0-7]{3})", lambda octal: chr(int(octal[1], 8)), point)
