"""The home's own authority: how long it lasts, and where its key is."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from depotserve.errors import DepotError
from depotserve.home import read_bounded
from depotserve.inspection import validity
from depotserve.inspection.certificate import maybe_certificate
from depotserve.inspection.finding import caution, fault, fine
from depotserve.process.snapshot import needs_certificate
from depotserve.tls.arrange import certifies
from depotserve.tls.leaf import LONGEST_DAYS
from depotserve.tls.pem import is_encrypted, read_pair

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cryptography import x509

    from depotserve.inspection.finding import Finding
    from depotserve.inspection.scene import Scene

__all__ = ["look"]

_TOPIC = "authority"
_MOST_PEM = 1 << 20
_ROLL_OVER = "depotserve cert authority new"
_RESTORE = "put the backup of HOME/tls/{name} back"


def look(scene: Scene) -> Iterator[Finding]:
    """Look at the authority's certificate and key; nothing is said of a home without one."""
    if not needs_certificate(scene.settings):
        return
    try:
        own = maybe_certificate(scene.home.authority)
    except DepotError as error:
        if isinstance(error.__cause__, PermissionError):
            if "service user" not in scene.at_fault:
                yield fine(_TOPIC, f"not looked at: {error}")
            return
        yield fault(_TOPIC, str(error), _RESTORE.format(name=scene.home.authority.name))
        return
    if own is not None:
        yield from _of_certificate(scene, own)
        yield from _of_key(scene)


def _of_certificate(scene: Scene, own: x509.Certificate) -> Iterator[Finding]:
    leaf = _leaf(scene)
    words = validity.in_words(own, scene.now)
    text = f"{words}; {_where_key_is(scene)}"
    unused = leaf is not None and not certifies(own, leaf)
    if unused:
        yield fine(_TOPIC, f"{text}; the certificate in force is another authority's")
    elif "clock" in scene.at_fault:
        yield fine(_TOPIC, f"{text}; by a clock that is not to be trusted")
    elif validity.begins_later(own, scene.now) or validity.ended(own, scene.now):
        # Then the certificate's own line has named the clock, or that both have ended.
        if leaf is None or not _is_out_of_time(leaf, scene.now):
            yield fault(_TOPIC, words, _ROLL_OVER)
    elif (
        validity.days_left(own, scene.now) < LONGEST_DAYS and not scene.home.next_authority.exists()
    ):
        less = f"{text}; no certificate outlives it, so each new one is shorter than the last"
        yield caution(_TOPIC, less, _ROLL_OVER)
    else:
        yield fine(_TOPIC, text)


def _leaf(scene: Scene) -> x509.Certificate | None:
    try:
        return maybe_certificate(scene.home.certificate)
    except DepotError:
        return None


def _is_out_of_time(leaf: x509.Certificate, now: float) -> bool:
    return validity.begins_later(leaf, now) or validity.ended(leaf, now)


def _where_key_is(scene: Scene) -> str:
    key = _key(scene)
    if key is None:
        there = os.path.lexists(scene.home.authority_key)
        return "its key cannot be read here" if there else "its key is kept elsewhere"
    if is_encrypted(key):
        return "its key is here, under a passphrase"
    return "its key is here, without a passphrase"


def _key(scene: Scene) -> bytes | None:
    """Read the authority's key; None where it is not, or cannot be read by the user who looks."""
    try:
        return read_bounded(scene.home.authority_key, _MOST_PEM)
    except DepotError:
        return None


def _of_key(scene: Scene) -> Iterator[Finding]:
    key = _key(scene)
    at_hand = key is not None and not is_encrypted(key)
    if scene.settings.tls.renew == "auto" and not at_hand:
        text = f"tls.renew is auto, and {_where_key_is(scene)}: nothing is renewed by itself"
        yield caution(_TOPIC, text, "set tls.renew: manual in depot.yaml, and see to it yourself")
    if key is not None and at_hand:
        try:
            _match(scene, key)
        except DepotError as error:
            name = scene.home.authority_key.name
            yield fault(_TOPIC, f"{error}: it can issue nothing", _RESTORE.format(name=name))


def _match(scene: Scene, key: bytes) -> None:
    """See that certificate and key belong together; raises CallerError."""
    certificate = read_bounded(scene.home.authority, _MOST_PEM)
    read_pair(certificate, key, certificate_name="authority.pem", key_name="authority.key")
