"""A certificate of another authority, taken in and put in force: the whole of it, or nothing."""

from __future__ import annotations

import contextlib
import os
from typing import TYPE_CHECKING

import attrs

from depotserve.errors import CallerError, DepotError
from depotserve.home import New, locked, read_bounded, write_file
from depotserve.tls import custody
from depotserve.tls.arrange import arrange
from depotserve.tls.context import load_pair
from depotserve.tls.intake import TakenIn, take_in
from depotserve.tls.offer import Offer, decide, joined_pem
from depotserve.tls.request import names_in_force

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime
    from pathlib import Path

    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric.types import PrivateKeyTypes

    from depotserve.home import Home
    from depotserve.tls.names import Host
    from depotserve.tls.offer import Accepted

__all__ = ["Given", "Installed", "install"]

_MOST = 1 << 20  # bytes of a file; a chain has a few thousand, a bundle of all public roots 250,000
_SECRET, _PUBLIC = 0o600, 0o644


@attrs.frozen
class Given:
    """What the caller hands in."""

    certificates: tuple[Path, ...]
    key: Path | None = None
    authority: Path | None = None
    hosts: tuple[Host, ...] = ()  # none: those of the certificate in force
    passphrase: str | None = attrs.field(default=None, repr=False)


@attrs.frozen
class Installed:
    """What is in force now, or prepared."""

    accepted: Accepted
    own: bool  # the root is the home's own authority
    superseded: bool  # another certificate had been prepared, and is gone


def install(home: Home, given: Given, *, prepare: bool, now: datetime) -> Installed:
    """Take a certificate in and put it in force, or with `prepare` lay it beside.

    Raises CallerError with the reason why it cannot be served, or SurroundingsError if a file
    cannot be read or written: then nothing has changed.
    """
    with locked(home.lock("tls")):
        custody.finish(home)
        accepted = decide(_gather(home, given), now=now)
        load_pair(accepted.pair.certificate, accepted.pair.key)
        own = accepted.root in _authorities(home)
        superseded = custody.read_prepared(home) is not None
        roots = [] if own else _anchors(home, accepted.root)
        with _all_or_nothing(home):
            custody.lay_by(home, accepted.pair, beside=roots)
            if not prepare:
                custody.activate(home)
        if not prepare:
            _forget_request(home, accepted.pair.key)
    return Installed(accepted, own=own, superseded=superseded)


def _gather(home: Home, given: Given) -> Offer:
    """Read all that the decision is made from."""
    taken = [_take(path, given.passphrase) for path in given.certificates]
    whole = sum(taken, TakenIn())
    extra = _take(given.authority, None).certificates if given.authority else ()
    anchors = _certificates(home.anchors)
    return Offer(
        taken=whole,
        where=", ".join(map(str, given.certificates)),
        keys=_keys(home, given, whole),
        known=(*extra, *_authorities(home), *anchors),
        hosts=given.hosts or _needed(home),
    )


def _take(path: Path, passphrase: str | None) -> TakenIn:
    return take_in(read_bounded(path, _MOST), name=str(path), passphrase=passphrase)


def _keys(
    home: Home, given: Given, taken: TakenIn
) -> tuple[tuple[str, tuple[PrivateKeyTypes, ...]], ...]:
    """Give the keys that may belong to a certificate, by where they lie, in order."""
    if given.key is not None:
        keys = _take(given.key, given.passphrase).keys
        if not keys:
            raise CallerError("holds no private key", where=str(given.key))
        return ((str(given.key), keys),)
    places = (home.request_key, home.next_key, home.key)
    return (
        ("the files given", taken.keys),
        *((path.name, _own_keys(path)) for path in places),
    )


def _own_keys(path: Path) -> tuple[PrivateKeyTypes, ...]:
    """Give the keys of a file of the home; one that is missing or damaged has none that fits."""
    with contextlib.suppress(DepotError):
        return _take(path, None).keys
    return ()


def _needed(home: Home) -> tuple[Host, ...]:
    try:
        return names_in_force(home)
    except DepotError as error:
        raise CallerError(
            f"the certificate in force cannot be read, so that its names are unknown ({error})",
            allowed="say with --host which names are needed",
        ) from error


def _authorities(home: Home) -> tuple[x509.Certificate, ...]:
    """Give the home's own authorities, which clients are given anyway."""
    paths = (home.authority, home.next_authority, home.old_authority)
    return tuple(one for path in paths for one in _certificates(path))


def _certificates(path: Path) -> tuple[x509.Certificate, ...]:
    return _take(path, None).certificates if os.path.lexists(path) else ()


def _anchors(home: Home, root: x509.Certificate) -> list[New]:
    """Give the file of roots if it has to change: this one, and those still in use."""
    earlier = _certificates(home.anchors)
    wanted = tuple(dict.fromkeys([root, *_in_use(home, earlier)]))
    return [] if wanted == earlier else [New(home.anchors, joined_pem(wanted), _PUBLIC)]


def _in_use(home: Home, roots: Sequence[x509.Certificate]) -> list[x509.Certificate]:
    """Give those roots that verify the certificate in force."""
    with contextlib.suppress(DepotError):
        content = custody.read_live(home).certificate
        live = take_in(content, name=home.certificate.name).certificates
        reached = [arrange(one, live, roots).root for one in live]
        return [root for root in roots if root in reached]
    return []


@contextlib.contextmanager
def _all_or_nothing(home: Home) -> Iterator[None]:
    """Put back what had been prepared when a change fails before its key is in force.

    After that it counts as done, and the next command finishes it.
    """
    paths = (home.anchors, home.next_key, home.next_certificate)
    before, key = {path: _content(path) for path in paths}, _content(home.key)
    try:
        yield
    except DepotError:
        if _content(home.key) == key:
            for path, content in before.items():
                _put_back(path, content)
        raise


def _content(path: Path) -> bytes | None:
    """Give a file's content; None where there is none that can be read."""
    with contextlib.suppress(DepotError):
        return read_bounded(path, _MOST)
    return None


def _put_back(path: Path, content: bytes | None) -> None:
    with contextlib.suppress(DepotError, OSError):
        if _content(path) == content:
            return
        if content is None:
            os.unlink(path)
        else:
            write_file(path, content, mode=_SECRET if path.suffix == ".key" else _PUBLIC)


def _forget_request(home: Home, key: bytes) -> None:
    """Remove the request that led to the certificate in force, with its copy of the key."""
    if _content(home.request_key) == key:
        with contextlib.suppress(OSError):
            os.unlink(home.request_key)
            os.unlink(home.request)
