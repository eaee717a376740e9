"""A home's authority at work: its key found and opened, certificates issued by it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs

from depotserve.errors import CallerError
from depotserve.home import is_there, read_bounded
from depotserve.tls import custody
from depotserve.tls.authority import Pair
from depotserve.tls.describe import describe_certificate
from depotserve.tls.keys import KeyKind
from depotserve.tls.leaf import LONGEST_DAYS, issue, issue_for_request
from depotserve.tls.pem import is_encrypted, read_pairs

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from depotserve.home import Home
    from depotserve.tls.custody import PemPair
    from depotserve.tls.pem import Credential

__all__ = ["Order", "credentials", "key_needs_passphrase", "make", "read_authority", "sign_request"]

_MOST_PEM = 1 << 20  # bytes
_ELSEWHERE = "bring it here and name it: depotserve cert issue --authority-key FILE"


@attrs.frozen
class Order:
    """What is asked of the authority; what is left empty is as in the certificate in force.

    Where nothing is in force, hosts are needed, and the key is of ECDSA.
    """

    hosts: tuple[str, ...] = ()
    kinds: tuple[KeyKind, ...] = ()
    days: int = LONGEST_DAYS
    authority_key: Path | None = None  # where the key is kept elsewhere
    passphrase: str | None = attrs.field(default=None, repr=False)  # of the authority's key


def make(home: Home, order: Order, now: datetime) -> PemPair:
    """Issue a certificate for each kind of key that is asked for; nothing is written.

    Raises CallerError for an order that cannot be fulfilled and for a key that does not open,
    SurroundingsError if a file cannot be read.
    """
    authority = read_authority(home, order.authority_key)
    standing = _standing(home, order)
    hosts = order.hosts or _hosts(standing)
    kinds = order.kinds or dict.fromkeys(KeyKind.of(one.key) for one in standing)
    made = [
        issue(authority, hosts, kind=kind, days=order.days, passphrase=order.passphrase, now=now)
        for kind in kinds or (KeyKind.ECDSA,)
    ]
    return custody.PemPair(
        certificate=b"".join(one.certificate for one in made),
        key=b"".join(one.key for one in made),
    )


def sign_request(home: Home, request: bytes, order: Order, now: datetime) -> bytes:
    """Issue a certificate for another depot's request: PEM text, the authority's own last.

    Raises CallerError and SurroundingsError as `make`.
    """
    authority = read_authority(home, order.authority_key)
    return issue_for_request(
        authority,
        request,
        order.hosts,
        days=order.days,
        passphrase=order.passphrase,
        now=now,
    )


def key_needs_passphrase(home: Home, key: Path | None) -> bool:
    """Tell whether the authority's key is encrypted; raise as `read_authority`."""
    return is_encrypted(read_authority(home, key).key)


def read_authority(home: Home, key: Path | None = None) -> Pair:
    """Read the home's authority, with its key from `key` where that is kept elsewhere.

    Raises CallerError if there is none, SurroundingsError if a file cannot be read.
    """
    if not is_there(home.authority):
        allowed = "depotserve cert authority new makes one"
        raise CallerError("this home has no authority", where=str(home.authority), allowed=allowed)
    if key is None and not is_there(home.authority_key):
        raise CallerError(
            "the authority's key is not here", where=str(home.authority_key), allowed=_ELSEWHERE
        )
    return Pair(
        certificate=read_bounded(home.authority, _MOST_PEM),
        key=read_bounded(key or home.authority_key, _MOST_PEM),
    )


def credentials(pair: PemPair) -> tuple[Credential, ...]:
    """Take a server's files apart, a chain and a key each. Raises CallerError."""
    return read_pairs(
        pair.certificate, pair.key, certificate_name="server.pem", key_name="server.key"
    )


def _standing(home: Home, order: Order) -> tuple[Credential, ...]:
    """Give what is in force, as far as the order leaves something to it."""
    if order.hosts and (order.kinds or not is_there(home.certificate)):
        return ()
    return credentials(custody.read_live(home))


def _hosts(standing: tuple[Credential, ...]) -> tuple[str, ...]:
    return describe_certificate(standing[0].chain.leaf).names
