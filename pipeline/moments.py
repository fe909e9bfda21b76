"""When something happened, as a person's calendar and clock have it.

What is recorded is UTC; what is shown is the time of the machine that shows it.
"""

from __future__ import annotations

from datetime import datetime


def day_of(at: str) -> str:
    """The day, as 2026-05-20, of a moment in ISO 8601 with its offset. Raises ``ValueError``."""
    return f"{datetime.fromisoformat(at).astimezone():%Y-%m-%d}"


def time_of(at: str) -> str:
    """Day and time, to the second, as ``day_of``: 2026-05-20 18:30:00."""
    return f"{datetime.fromisoformat(at).astimezone():%Y-%m-%d %H:%M:%S}"
