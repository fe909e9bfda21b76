"""How many workers this machine, or the part of it that we were given, can carry.

Reads the scheduler's affinity and the limits of control groups (Linux, versions 1 and 2), because
a container sees the whole machine's cores and memory but may use only a share of them.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from pathlib import Path

CONTROL_GROUPS = Path("/sys/fs/cgroup")
MEMBERSHIP = Path("/proc/self/cgroup")


def workers_for(memory_per_task_bytes: int) -> int:
    """As many workers as there are cores, and no more than the free memory holds; at least 1."""
    return max(1, min(cores(), available_memory_bytes() // max(1, memory_per_task_bytes)))


def cores() -> int:
    """The processor cores that this process may use; at least 1."""
    if hasattr(os, "sched_getaffinity"):
        allowed = len(os.sched_getaffinity(0))
    else:
        allowed = os.cpu_count() or 1
    # A share of a core is rounded up: a worker that is throttled a little beats an idle core.
    return math.ceil(min(allowed, core_quota(CONTROL_GROUPS, _membership())))


def available_memory_bytes() -> int:
    """The memory that can be had without swapping, as far as the system tells."""
    import psutil

    machine = int(psutil.virtual_memory().available)
    return int(min(machine, memory_headroom_bytes(CONTROL_GROUPS, _membership())))


def core_quota(root: Path, membership: str) -> float:
    """The tightest processor quota of our control groups, in cores; infinite without one."""
    quota = math.inf
    for folder in _folders(root, membership, "cpu"):
        both = _words(folder / "cpu.max") or [
            *_words(folder / "cpu.cfs_quota_us"),
            *_words(folder / "cpu.cfs_period_us"),
        ]
        if len(both) == 2 and both[0].isdigit() and both[1].isdigit() and int(both[1]):
            quota = min(quota, int(both[0]) / int(both[1]))
    return quota


def memory_headroom_bytes(root: Path, membership: str) -> float:
    """What the tightest memory limit of our control groups leaves; infinite without one.

    Cached file pages count as used there, but the system gives the inactive ones up on demand.
    """
    headroom = math.inf
    for folder in _folders(root, membership, "memory"):
        limit = _words(folder / "memory.max") or _words(folder / "memory.limit_in_bytes")
        used = _words(folder / "memory.current") or _words(folder / "memory.usage_in_bytes")
        if limit and used and limit[0].isdigit():
            stat = _words(folder / "memory.stat")
            counts = dict(zip(stat[::2], stat[1::2], strict=False))
            cached = counts.get("total_inactive_file") or counts.get("inactive_file", "0")
            headroom = min(headroom, max(0, int(limit[0]) - int(used[0]) + int(cached)))
    return headroom


def _folders(root: Path, membership: str, controller: str) -> Iterator[Path]:
    """The control groups that bind us, from our own up to the root: each may set a limit."""
    for line in membership.splitlines():
        _, _, rest = line.partition(":")
        controllers, _, path = rest.partition(":")
        if controllers and controller not in controllers.split(","):
            continue
        top = root / controller if controllers else root
        folder = Path(path.lstrip("/"))
        for level in (folder, *folder.parents):
            yield top / level


def _membership() -> str:
    try:
        return MEMBERSHIP.read_text()
    except OSError:
        return ""


def _words(path: Path) -> list[str]:
    try:
        return path.read_text().split()
    except OSError:
        return []
