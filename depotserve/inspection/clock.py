"""The clock, against the highest time that this home has seen."""

from __future__ import annotations

import os
from datetime import datetime, timezone
from typing import TYPE_CHECKING

from depotserve import clock
from depotserve.home import is_there
from depotserve.inspection.finding import fault, fine

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.inspection.finding import Finding
    from depotserve.inspection.scene import Scene

__all__ = ["look"]

_TOPIC = "clock"
_ADVICE = "set it (date -u shows it); or, if it is right: depotserve home accept-clock"


def look(scene: Scene) -> Iterator[Finding]:
    """Compare the clock with HOME/state/clock; a fault of the topic `clock` if it jumped.

    After such a fault the validity of certificates is told and not judged.
    """
    if is_there(scene.home.clock) and not os.access(scene.home.clock, os.R_OK):
        return  # the look at the service's user has named what it cannot read
    reading = clock.read(scene.home, datetime.fromtimestamp(scene.now, timezone.utc))
    if reading.fault:
        text = f"{reading.fault}; nothing is issued, and no user expires"
        yield fault(_TOPIC, text, _ADVICE)
        return
    seen = f"; the highest time seen is {reading.highest:%Y-%m-%d}" if reading.highest else ""
    yield fine(_TOPIC, f"says {reading.now:%Y-%m-%d %H:%M} UTC{seen}")
