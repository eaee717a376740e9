"""A certificate's renewal: what is due when, and doing it.

A new certificate is prepared long before it is needed and its fingerprint shown, because some
clients are told the fingerprint and need time for that.
"""

from __future__ import annotations

from datetime import timedelta
from enum import Enum
from typing import TYPE_CHECKING

import attrs

from depotserve.errors import CallerError, DepotError
from depotserve.home import is_there, locked, read_bounded
from depotserve.tls import custody, rollover
from depotserve.tls.arrange import certifies
from depotserve.tls.describe import describe_certificate
from depotserve.tls.issuing import (
    Order,
    credentials,
    key_needs_passphrase,
    make,
    read_authority,
)
from depotserve.tls.pem import read_chain

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from depotserve.home import Home
    from depotserve.tls.custody import PemPair
    from depotserve.tls.describe import Description

__all__ = ["ACTIVATE_DAYS", "PREPARE_DAYS", "Due", "Renewal", "due", "tend"]

PREPARE_DAYS = 90  # three monthly change windows to tell a new fingerprint to its clients
ACTIVATE_DAYS = 14  # the clocks of clients run ahead too, and holidays last two weeks
_DAY = timedelta(days=1)
_MOST_PEM = 1 << 20  # bytes


class Due(Enum):
    """What is to be done now."""

    NOTHING = "nothing"
    PREPARE = "prepare a new certificate"
    ACTIVATE = "put the prepared certificate in force"


@attrs.frozen
class Renewal:
    """How a certificate's renewal stands after it was looked after."""

    end: datetime  # UTC; of the certificate in force
    days_left: int
    prepared: Description | None  # what waits to take its place
    done: tuple[Due, ...]  # what was done just now
    trouble: str  # why what is due cannot be done here; empty if nothing hinders

    @property
    def life(self) -> str:
        """Say how long the certificate in force is still good for, or since when it is not."""
        if self.days_left < 0:
            return f"ended on {self.end:%Y-%m-%d}"
        return f"is good for {self.days_left} days"


def due(now: datetime, end: datetime, prepared_end: datetime | None, *, auto: bool) -> Due:
    """Decide what is due at the time `now` for a certificate that ends at `end`; all UTC.

    `prepared_end` is the end of the prepared one, None without one. One that does not last longer
    than what it would replace is no use.
    """
    usable = prepared_end is not None and prepared_end > end + _DAY
    if not usable:
        return Due.PREPARE if end - now <= PREPARE_DAYS * _DAY else Due.NOTHING
    if auto and end - now <= ACTIVATE_DAYS * _DAY:
        return Due.ACTIVATE
    return Due.NOTHING


def tend(
    home: Home, now: datetime, *, auto: bool, order: Order | None = None, wait: float = 0.0
) -> Renewal:
    """Do what is due at the time `now` (UTC), if it can be done here.

    `wait` is how long to wait for a command that changes the same files, in seconds. What hinders
    is said in the result. Raises CallerError or SurroundingsError if the certificate in force or
    its lock cannot be read.
    """
    done: list[Due] = []
    trouble = ""
    with locked(home.lock("tls"), wait=wait):
        custody.finish(home)
        rollover.finish(home)
        for _ in range(2):  # what was just prepared may be due to go live
            step = due(now, *_ends(home), auto=auto)
            if step is Due.NOTHING:
                break
            try:
                _DO[step](home, order or Order(), now)
            except DepotError as error:
                trouble = str(error)
                break
            done.append(step)
        return _report(home, now, tuple(done), trouble)


def _ends(home: Home) -> tuple[datetime, datetime | None]:
    prepared = custody.read_prepared(home)
    return _end(custody.read_live(home)), None if prepared is None else _end(prepared)


def _end(pair: PemPair) -> datetime:
    """Give the end of the certificate, or of the one of two that ends first."""
    return min(one.chain.leaf.not_valid_after_utc for one in credentials(pair))


def _prepare(home: Home, order: Order, now: datetime) -> None:
    _require_own(home, order.authority_key)
    if order.passphrase is None and key_needs_passphrase(home, order.authority_key):
        raise CallerError(
            "the authority's key has a passphrase",
            where=str(order.authority_key or home.authority_key),
            allowed="depotserve cert issue --prepare asks for it",
        )
    made = make(home, order, now)
    if _end(made) <= _end(custody.read_live(home)) + _DAY:
        raise CallerError(
            "ends too soon to issue a certificate that lasts longer",
            where=str(home.authority),
            allowed="depotserve cert authority new makes another one beside it",
        )
    custody.lay_by(home, made)


def _require_own(home: Home, key: Path | None) -> None:
    """Refuse to replace what another authority issued, which clients trust for it."""
    leaf = credentials(custody.read_live(home))[0].chain.leaf
    own = [read_authority(home, key).certificate]
    if is_there(home.old_authority):  # the new one follows it here too
        own.append(read_bounded(home.old_authority, _MOST_PEM))
    authorities = [read_chain(one, name=home.authority.name).leaf for one in own]
    if not any(certifies(one, leaf) for one in authorities):
        raise CallerError(
            f"was issued by another authority ({leaf.issuer.rfc4514_string()})",
            where=str(home.certificate),
            allowed="ask that one for a new certificate: depotserve cert request",
        )


def _activate(home: Home, _order: Order, _now: datetime) -> None:
    custody.activate(home)


_DO = {Due.PREPARE: _prepare, Due.ACTIVATE: _activate}


def _report(home: Home, now: datetime, done: tuple[Due, ...], trouble: str) -> Renewal:
    end = _end(custody.read_live(home))
    prepared = custody.read_prepared(home)
    waiting = None
    if prepared is not None:
        waiting = describe_certificate(credentials(prepared)[0].chain.leaf)
    return Renewal(end, (end - now) // _DAY, waiting, done, trouble)
