"""Moments and spans as people write them: RFC 3339 date-times, dates, `14d`."""

from __future__ import annotations

import re
from datetime import datetime, timedelta, timezone

__all__ = ["read_moment", "read_span", "show"]

_DATE = r"(?P<year>\d{4})-(?P<month>\d\d)-(?P<day>\d\d)"
_TIME = r"(?P<hour>\d\d):(?P<minute>\d\d):(?P<second>\d\d)(?:\.\d+)?"
_OFFSET = r"(?:[Zz]|(?P<sign>[+-])(?P<hours>\d\d):(?P<minutes>[0-5]\d))"
_MOMENT = re.compile(rf"{_DATE}(?:[Tt ]{_TIME}{_OFFSET})?", re.ASCII)
_SPAN = re.compile(r"(?P<count>[1-9]\d{0,3})(?P<unit>[hdw])", re.ASCII)
_UNITS = {"h": timedelta(hours=1), "d": timedelta(days=1), "w": timedelta(weeks=1)}
_LEAP_SECOND = 60


def read_moment(text: str) -> datetime | None:
    """Read an RFC 3339 section 5.6 date-time, or a full-date, as a moment in UTC; None if neither.

    A date alone means the end of that day in UTC. Fractions of a second are dropped; a leap
    second counts as the next minute's first.
    """
    found = _MOMENT.fullmatch(text)
    try:
        return _moment(found.groupdict()) if found else None
    except (ValueError, OverflowError):
        return None


def _moment(parts: dict[str, str | None]) -> datetime:
    year, month, day, hour, minute, second, hours, minutes = (
        int(parts[key] or 0)
        for key in ("year", "month", "day", "hour", "minute", "second", "hours", "minutes")
    )
    if parts["hour"] is None:
        return datetime(year, month, day, tzinfo=timezone.utc) + timedelta(days=1)
    leap = timedelta(seconds=1 if second == _LEAP_SECOND else 0)
    sign = -1 if parts["sign"] == "-" else 1
    zone = timezone(sign * timedelta(hours=hours, minutes=minutes))
    local = datetime(
        year, month, day, hour, minute, second - int(leap.total_seconds()), tzinfo=zone
    )
    return local.astimezone(timezone.utc) + leap


def read_span(text: str) -> timedelta | None:
    """Read a span such as `36h`, `14d` or `2w`; None if it is none or none that is above zero."""
    found = _SPAN.fullmatch(text)
    return int(found["count"]) * _UNITS[found["unit"]] if found else None


def show(moment: datetime) -> str:
    """Write a moment as RFC 3339 in UTC, to the second."""
    return moment.astimezone(timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")
