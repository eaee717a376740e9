"""Whether this machine's clock can be believed, by the highest time that its home has seen.

Clocks on isolated networks drift, lose their battery, or are set by hand. What was issued by a
clock that is years off is of no use once it is right again, so nothing is.
"""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING

import attrs

from depotserve.errors import CallerError, DepotError, SurroundingsError
from depotserve.home import New, is_there, read_bounded, write_files

if TYPE_CHECKING:
    from depotserve.home import Home

__all__ = ["Reading", "accept", "judge", "note", "now", "read", "require"]

# No clock is right that is before this program was made.
MADE = datetime(2026, 11, 1, tzinfo=timezone.utc)
# A clock may be set back by what a time zone mistaken for UTC makes.
BACK = timedelta(days=1)
# The longest that a depot is believed to have been off: half the life of its certificates.
AHEAD = timedelta(days=400)
_APART = timedelta(hours=1)  # a record is not written more often
_FORM = "%Y-%m-%dT%H:%M:%SZ"  # RFC 3339 §5.6
_LONGEST = 64  # bytes of the record
_ACCEPT = "set it, or, if it is right: depotserve home accept-clock"


@attrs.frozen
class Reading:
    """What the clock says, and what is to be held of it."""

    now: datetime  # UTC
    highest: datetime | None  # UTC; None: nothing is on record
    fault: str  # why the clock cannot be believed; empty if it can

    @property
    def believed(self) -> datetime:
        """Give the time to decide by: the clock's, or the highest seen while it is not believed."""
        return self.now if not self.fault or self.highest is None else self.highest

    @property
    def shift(self) -> float:
        """Give the seconds from the clock's time to that."""
        return (self.believed - self.now).total_seconds()


def now() -> datetime:
    """Give this machine's clock, in UTC."""
    return datetime.now(timezone.utc)


def judge(moment: datetime, highest: datetime | None) -> str:
    """Say why a clock that shows `moment` cannot be believed, or nothing if it can."""
    said = f"this machine's clock says {moment:%Y-%m-%d}"
    if highest is None:
        made = f"{said}, which is before this program was made ({MADE:%Y-%m-%d})"
        return made if moment < MADE else ""
    if highest - moment > BACK:
        return f"{said}, but it has been {highest:%Y-%m-%d} here already"
    if moment - highest > AHEAD:
        return f"{said}, more than {AHEAD.days} days after the last time seen, {highest:%Y-%m-%d}"
    return ""


def read(home: Home, moment: datetime | None = None) -> Reading:
    """Read the record of a home and judge the clock (or `moment`, UTC) by it.

    Raises nothing: a record that cannot be read is why the clock cannot be believed.
    """
    moment = moment or now()
    try:
        highest = _highest(home)
    except DepotError as error:
        return Reading(moment, None, f"the highest time seen is not known: {error}")
    return Reading(moment, highest, judge(moment, highest))


def require(home: Home) -> datetime:
    """Give the clock's time. Raises SurroundingsError if it cannot be believed."""
    reading = read(home)
    if reading.fault:
        raise SurroundingsError(f"{reading.fault}; nothing is issued", allowed=_ACCEPT)
    return reading.now


def note(home: Home, reading: Reading) -> None:
    """Put a believed time on record, unless one as high stands there. Raises SurroundingsError."""
    if not reading.fault and (reading.highest is None or reading.now - reading.highest > _APART):
        accept(home, reading.now)


def accept(home: Home, moment: datetime) -> None:
    """Make `moment` the highest time seen, whatever was. Raises SurroundingsError."""
    text = f"{moment:{_FORM}}\n".encode()
    write_files([New(home.clock, text, 0o644, follow=False)])


def _highest(home: Home) -> datetime | None:
    if not is_there(home.clock):
        return None
    text = read_bounded(home.clock, _LONGEST).decode("ascii", "replace").strip()
    try:
        return datetime.strptime(text, _FORM).replace(tzinfo=timezone.utc)
    except ValueError as error:
        raise CallerError(
            "holds no time", where=str(home.clock), allowed="depotserve home accept-clock"
        ) from error
