"""HTTP dates (RFC 9110 §5.6.7), read and written without the locale and the zone."""

from __future__ import annotations

import calendar
import re
import time
from functools import lru_cache

__all__ = ["MONTHS", "format_date", "parse_date"]

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_LONG_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_CLOCK = r"(?P<hour>[0-9]{2}):(?P<minute>[0-9]{2}):(?P<second>[0-9]{2})"
_MONTH = f"(?P<month>{'|'.join(MONTHS)})"
_SHORT = f"(?P<name>{'|'.join(_DAYS)})"
_LONG = f"(?P<name>{'|'.join(_LONG_DAYS)})"
_FORMS = (
    re.compile(f"{_SHORT}, (?P<day>[0-9]{{2}}) {_MONTH} (?P<year>[0-9]{{4}}) {_CLOCK} GMT"),
    re.compile(f"{_LONG}, (?P<day>[0-9]{{2}})-{_MONTH}-(?P<year>[0-9]{{2}}) {_CLOCK} GMT"),
    re.compile(f"{_SHORT} {_MONTH} (?P<day>[0-9]{{2}}| [0-9]) {_CLOCK} (?P<year>[0-9]{{4}})"),
)


@lru_cache(maxsize=4096)
def format_date(seconds: int) -> str:
    """Write a moment, in whole seconds since the epoch, as IMF-fixdate."""
    when = time.gmtime(seconds)
    return (
        f"{_DAYS[when.tm_wday]}, {when.tm_mday:02d} {MONTHS[when.tm_mon - 1]}"
        f" {when.tm_year:04d} {when.tm_hour:02d}:{when.tm_min:02d}:{when.tm_sec:02d} GMT"
    )


def parse_date(value: str, now: float) -> int | None:
    """Read any of the three forms of an HTTP-date into seconds since the epoch.

    Gives None for what is no HTTP-date; such a field must be ignored (§13.1.3, §13.1.4).
    `now` in seconds decides the century of a two-digit year.
    """
    for form in _FORMS:
        match = form.fullmatch(value)
        if match is not None:
            return _seconds(match, now)
    return None


def _seconds(match: re.Match[str], now: float) -> int | None:
    year, month = int(match["year"]), MONTHS.index(match["month"]) + 1
    if len(match["year"]) == 2:
        year = _full_year(year, time.gmtime(now).tm_year)
    day, hour, minute, second = (int(match[part]) for part in ("day", "hour", "minute", "second"))
    # A second may be 60 (a leap second); calendar.timegm counts it as the next one.
    if year == 0 or not (hour <= 23 and minute <= 59 and second <= 60):
        return None
    if not 1 <= day <= calendar.monthrange(year, month)[1]:
        return None
    if _DAYS[calendar.weekday(year, month, day)] != match["name"][:3]:
        return None
    return calendar.timegm((year, month, day, hour, minute, second))


def _full_year(two_digits: int, this_year: int) -> int:
    """Give the century so that the year is at most 50 years ahead (§5.6.7)."""
    year = this_year - this_year % 100 + two_digits
    return year - 100 if year > this_year + 50 else year
