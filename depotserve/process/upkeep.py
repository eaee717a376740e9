"""What a running depot looks after by itself: the highest time seen, and its certificate."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from depotserve import clock, tls
from depotserve.errors import DepotError
from depotserve.process.snapshot import needs_certificate
from depotserve.tls.renewal import ACTIVATE_DAYS, PREPARE_DAYS, Due

if TYPE_CHECKING:
    from depotserve.config import Settings
    from depotserve.home import Home
    from depotserve.tls.renewal import Renewal

__all__ = ["Upkeep"]

_LOG = logging.getLogger(__name__)
_LOOK = 60.0  # seconds between two looks at the clock
_TEND = 3600.0  # seconds between two looks at the certificate
_AGAIN = 86400.0  # seconds after which a line is worth another


class Upkeep:
    """To be given turns by the supervisor; nothing here keeps a depot from serving."""

    def __init__(self, home: Home) -> None:
        """Look after `home`."""
        self._home = home
        self._look = self._tend = 0.0
        self._told: dict[str, float] = {}  # kind of line -> when; the words change daily
        self.clock_shift = 0.0  # seconds from this machine's clock to the time to go by
        self.status = ""  # one line about the certificate, for the service manager

    def turn(self, now: float, settings: Settings) -> None:
        """Do what is due; `now` is of the monotonic clock, in seconds."""
        if now < self._look:
            return
        self._look = now + _LOOK
        reading = clock.read(self._home)
        self.clock_shift = reading.shift
        if reading.fault:
            line = f"{reading.fault}; nothing is issued or expires until it is set right or an"
            self._say(now, "clock", logging.ERROR, f"{line} administrator accepts it")
            return
        try:
            clock.note(self._home, reading)
            if now >= self._tend and needs_certificate(settings):
                self._tend = now + _TEND
                auto = settings.tls.renew == "auto"
                self._report(now, tls.renewal.tend(self._home, reading.now, auto=auto), auto=auto)
        except DepotError as error:
            self._say(now, "upkeep", logging.WARNING, f"upkeep is put off: {error}")

    def _report(self, now: float, found: Renewal, *, auto: bool) -> None:
        """Say what was done, what waits and what hinders."""
        self.status = f"the certificate is good for {found.days_left} days"
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
