"""The certificate that is prepared to follow, and its fingerprint, which some clients are told."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from depotserve import tls
from depotserve.errors import DepotError
from depotserve.inspection import validity
from depotserve.inspection.certificate import maybe_certificate
from depotserve.inspection.finding import caution, fine
from depotserve.process.snapshot import needs_certificate
from depotserve.tls.examine import addresses_of, names_of
from depotserve.tls.pem import read_chain

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.inspection.finding import Finding
    from depotserve.inspection.scene import Scene

__all__ = ["look"]

_TOPIC = "certificate"
_AGAIN = "depotserve cert issue --prepare makes it anew"


def look(scene: Scene) -> Iterator[Finding]:
    """Tell of a prepared certificate, if there is one."""
    home = scene.home
    there = [path for path in (home.next_certificate, home.next_key) if os.path.lexists(path)]
    if not there or not needs_certificate(scene.settings) or _is_taken(scene):
        return
    try:
        pair = tls.custody.read_prepared(home)
    except DepotError as error:
        if isinstance(error.__cause__, PermissionError):
            yield fine(_TOPIC, f"one is prepared, which cannot be read here: {error}")
        else:
            yield caution(_TOPIC, f"the prepared one cannot be used: {error}", _AGAIN)
        return
    if pair is None:
        text = f"the prepared certificate and key, {home.next_certificate.name} and "
        text += f"{home.next_key.name}, are no pair"
        yield caution(_TOPIC, text, _AGAIN)
        return
    yield from _of_pair(scene, pair)


def _is_taken(scene: Scene) -> bool:
    """Tell whether a change was cut off half way: then the prepared one is in force already."""
    try:
        live = tls.custody.read_live(scene.home)
        return live.certificate == scene.home.next_certificate.read_bytes()
    except (DepotError, OSError):
        return False


def _of_pair(scene: Scene, pair: tls.PemPair) -> Iterator[Finding]:
    name = scene.home.next_certificate.name
    leaf, told = read_chain(pair.certificate, name=name).leaf, tls.describe(pair.certificate)
    text = f"prepared: {validity.in_words(leaf, scene.now)}, SHA-256 fingerprint"
    missing = _names_less(scene, told)
    yield fine(_TOPIC, f"{text} {told.fingerprint}")
    if missing:
        yield caution(_TOPIC, f"the prepared one does not cover {', '.join(missing)}", _AGAIN)


def _names_less(scene: Scene, told: tls.Description) -> list[str]:
    """Give the names of the certificate in force that the prepared one has not."""
    try:
        live = maybe_certificate(scene.home.certificate)
    except DepotError:
        return []
    names = [*names_of(live), *map(str, addresses_of(live))] if live else []
    return [name for name in names if name not in told.names]
