"""Times that a person reads; offsets as in the IANA time zone database."""

from __future__ import annotations

import time

import pytest

from pipeline.moments import day_of, time_of


@pytest.fixture
def put_clock(monkeypatch):
    def put(zone: str) -> None:
        monkeypatch.setenv("TZ", zone)
        time.tzset()

    yield put
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(
    ("zone", "shown"),
    [
        ("America/New_York", "2026-02-28 21:30:15"),  # UTC-5 in winter
        ("Pacific/Kiritimati", "2026-03-01 16:30:15"),  # UTC+14
        ("UTC", "2026-03-01 02:30:15"),
    ],
)
def test_what_is_shown_is_the_time_where_it_is_read(put_clock, zone: str, shown: str) -> None:
    put_clock(zone)
    at = "2026-03-01T02:30:15.250+00:00"
    assert (day_of(at), time_of(at)) == (shown[:10], shown)
