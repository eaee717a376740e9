"""What a running depot looks after by itself: the highest time seen, and its certificate."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from depotserve import clock, tls
from depotserve.errors import DepotError
from depotserve.process.snapshot import needs_certificate
from depotserve.tls.renewal import ACTIVATE_DAYS, PREPARE_DAYS, Due

if TYPE_CHECKING:
    from datetime import datetime

    from depotserve.config import Settings
    from depotserve.home import Home
    from depotserve.tls.renewal import Renewal

__all__ = ["Upkeep"]

_LOG = logging.getLogger(__name__)
_LOOK = 60.0  # seconds between two looks at the clock
_TEND = 3600.0  # seconds between two looks at the certificate
_JUMP = 3600.0  # seconds; far more than goes by between two looks
_AGAIN = 86400.0  # seconds after which a line is worth another


class Upkeep:
    """To be given turns by the supervisor; nothing here keeps a depot from serving."""

    def __init__(self, home: Home) -> None:
        """Look after `home`."""
        self._home = home
        self._look = self._tend = 0.0
        self._told: dict[str, float] = {}  # kind of line -> when; the words change daily
        self._shift = 0.0  # seconds, as it was at the last look
        self.clock_shift = 0.0  # seconds from this machine's clock to the time to go by
        self.status = ""  # one line about the certificate, for the service manager

    def turn(self, now: float, settings: Settings) -> None:
        """Do what is due; `now` is of the monotonic clock, in seconds. Raises nothing."""
        if now < self._look:
            return
        self._look = now + _LOOK
        try:
            self._turn(now, settings)
        except Exception as error:  # noqa: BLE001  # a certificate may hold what no library foresaw
            fault = f"a fault of depotserve itself in its upkeep: {type(error).__name__}"
            self._say(now, "fault", logging.ERROR, fault)

    def _turn(self, now: float, settings: Settings) -> None:
        reading = clock.read(self._home)
        self._go_by(reading.shift)
        if reading.fault:
            line = f"{reading.fault}; nothing is issued or expires until it is set right or an"
            self._say(now, "clock", logging.ERROR, f"{line} administrator accepts it")
            return
        try:
            clock.note(self._home, reading)
        except DepotError as error:
            self._say(now, "record", logging.WARNING, f"the time is not put on record: {error}")
        if now >= self._tend and needs_certificate(settings):
            self._tend = now + _TEND
            self._renew(now, reading.now, auto=settings.tls.renew == "auto")

    def _renew(self, now: float, moment: datetime, *, auto: bool) -> None:
        try:
            self._report(now, tls.renewal.tend(self._home, moment, auto=auto), auto=auto)
        except DepotError as error:
            self._say(now, "renewal", logging.WARNING, f"renewal is put off: {error}")

    def _go_by(self, shift: float) -> None:
        """Keep the shift of the first look, so that time goes on, until the clock jumps again."""
        if not shift or abs(shift - self._shift) > _JUMP:
            self.clock_shift = shift
        self._shift = shift

    def _report(self, now: float, found: Renewal, *, auto: bool) -> None:
        """Say what was done, what waits and what hinders."""
        self.status = f"the certificate {found.life}"
        waits = found.prepared is not None and found.days_left <= PREPARE_DAYS
        if Due.ACTIVATE in found.done:
            _LOG.warning("a new certificate goes live, until %s", found.end.date())
        elif waits and found.prepared is not None:
            when = f"{ACTIVATE_DAYS} days before the end of the old" if auto else ""
            how = f"by itself {when}" if auto else "on: depotserve cert issue --activate"
            self.status += f"; a new one is prepared, SHA-256 {found.prepared.fingerprint}"
            line = f"{self.status}; it goes live {how}"
            self._say(now, "prepared", logging.WARNING, line)
        if found.trouble:
            line = f"{self.status}, and a new one cannot be made here: {found.trouble}"
            self._say(now, "trouble", logging.WARNING, line)

    def _say(self, now: float, kind: str, level: int, line: str) -> None:
        if now - self._told.get(kind, -_AGAIN) >= _AGAIN:
            self._told[kind] = now
            _LOG.log(level, "%s", line)
