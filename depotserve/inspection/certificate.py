"""The certificate in force: whole, in time, strong, for this depot's names, up to a known root."""

from __future__ import annotations

import os
from contextlib import suppress
from datetime import datetime, timezone
from typing import TYPE_CHECKING

from cryptography.hazmat.primitives.asymmetric import ec, rsa

from depotserve import tls
from depotserve.errors import CallerError, DepotError
from depotserve.home import read_bounded
from depotserve.inspection import validity
from depotserve.inspection.finding import Finding, Grade, caution, fault, fine
from depotserve.inspection.names import uncovered
from depotserve.process.snapshot import needs_certificate, read_credential
from depotserve.tls.arrange import arrange
from depotserve.tls.examine import FlawKind, addresses_of, examine_issuers, examine_leaf, names_of
from depotserve.tls.pem import read_chain, read_pairs

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from cryptography import x509

    from depotserve.home import Home
    from depotserve.inspection.scene import Scene
    from depotserve.tls import PemPair
    from depotserve.tls.arrange import Arranged
    from depotserve.tls.pem import Credential

__all__ = ["chains", "known_roots", "look", "maybe_certificate", "way_to_a_new_one"]

_TOPIC = "certificate"
_MOST_PEM = 1 << 20
_OF_TIME = (FlawKind.NOT_YET, FlawKind.EXPIRED)
_CLOCK = "set this machine's clock: date -u shows it, timedatectl set-time sets it"
_NEW_AUTHORITY = "depotserve cert authority new: the authority of this home has ended too"
_ISSUE = "depotserve cert issue"
_REQUEST = "depotserve cert request, and depotserve cert install with what comes back"


def look(scene: Scene) -> Iterator[Finding]:
    """Look at each chain that the depot sends: one, or one of ECDSA and one of RSA."""
    if not needs_certificate(scene.settings):
        return
    try:
        found = chains(tls.custody.read_live(scene.home))
        told = [one for each in found for one in _of_chain(scene, each, _which(each, found))]
        yield from told
        if all(one.grade is not Grade.FAULT for one in told):
            read_credential(scene.home)  # what TLS itself refuses has mostly been told by now
        yield from uncovered(scene, [each.chain.leaf for each in found])
    except DepotError as error:
        if isinstance(error.__cause__, PermissionError):
            raise
        yield fault(_TOPIC, _unusable(error), way_to_a_new_one(scene))


def chains(credential: PemPair) -> tuple[Credential, ...]:
    """Part a server's certificates among its keys. Raises CallerError as `read_pairs` does."""
    return read_pairs(
        credential.certificate,
        credential.key,
        certificate_name="server.pem",
        key_name="server.key",
    )


def known_roots(home: Home) -> tuple[x509.Certificate, ...]:
    """Give every root that a home knows; what cannot be read is left out."""
    found: list[x509.Certificate] = []
    for path in (home.authority, home.anchors, home.next_authority, home.old_authority):
        with suppress(DepotError):
            found += read_chain(read_bounded(path, _MOST_PEM), name=path.name).certificates
    return tuple(found)


def maybe_certificate(path: Path) -> x509.Certificate | None:
    """Give a file's first certificate, None if there is no such file; else raises DepotError."""
    if not os.path.lexists(path):
        return None
    return read_chain(read_bounded(path, _MOST_PEM), name=path.name).leaf


def way_to_a_new_one(scene: Scene) -> str:
    """Say how this home comes to another certificate: from its own authority or from another."""
    home = scene.home
    with suppress(DepotError):
        own = maybe_certificate(home.authority)
        if own is not None and validity.ended(own, scene.now):
            return _NEW_AUTHORITY
    return _ISSUE if os.path.lexists(home.authority) else _REQUEST


def _unusable(error: DepotError) -> str:
    """Tell what follows: the depot keeps a certificate that it has read before."""
    follows = "; a depot that runs goes on with the one before, and could not start again"
    return str(error) + (follows if isinstance(error, CallerError) else "")


def _which(one: Credential, found: tuple[Credential, ...]) -> str:
    """Begin a line with the kind of key, where there are chains of two."""
    if len(found) == 1:
        return ""
    kinds = {ec.EllipticCurvePrivateKey: "ECDSA", rsa.RSAPrivateKey: "RSA"}
    kind = next((name for kind, name in kinds.items() if isinstance(one.key, kind)), "EdDSA")
    return f"{kind}: "


def _of_chain(scene: Scene, one: Credential, which: str) -> Iterator[Finding]:
    leaf, rest = one.chain.leaf, one.chain.certificates[1:]
    way = arrange(leaf, rest, known_roots(scene.home))
    yield _of_time(scene, way, which)
    at = datetime.fromtimestamp(scene.now, timezone.utc)
    issuers = [*way.chain[1:], *([way.root] if way.root and way.root is not leaf else [])]
    flaws = [*examine_leaf(leaf, now=at, hosts=()), *examine_issuers(issuers, now=at)]
    for flaw in flaws:
        if flaw.kind not in _OF_TIME:
            yield fault(_TOPIC, f"{which}{flaw.text}", way_to_a_new_one(scene))
    # A signature that clients refuse is not followed here either.
    if way.root is None and all(flaw.kind is not FlawKind.WEAK_SIGNATURE for flaw in flaws):
        yield _unrooted(way, which)


def _of_time(scene: Scene, way: Arranged, which: str) -> Finding:
    """Judge a chain by what ends first in it; the rest ends later, or because of it."""
    leaf, now = way.chain[0], scene.now
    names = ", ".join([*names_of(leaf), *map(str, addresses_of(leaf))])
    ending = min(way.chain, key=lambda one: one.not_valid_after_utc)
    if not validity.begins_later(leaf, now) and not validity.ended(leaf, now) and ending != leaf:
        return _of_issuer(scene, ending, leaf, which)
    text = f"{which}{validity.in_words(leaf, now)}"
    text += "" if validity.begins_later(leaf, now) else f" for {names}"
    grade = validity.grade(leaf, now)
    if grade is Grade.FINE:
        return fine(_TOPIC, text)
    if "clock" in scene.at_fault:
        return fine(_TOPIC, f"{text}; by a clock that is not to be trusted")
    if grade is Grade.CAUTION and _comes_by_itself(scene):
        return fine(_TOPIC, f"{text}; the prepared one takes its place by itself")
    return Finding(grade, _TOPIC, text, _next_step(scene, leaf))


def _comes_by_itself(scene: Scene) -> bool:
    """Tell whether nobody has to do anything: one is prepared, and renewal is automatic."""
    is_prepared = os.path.lexists(scene.home.next_certificate)
    return is_prepared and scene.settings.tls.renew == "auto"


def _of_issuer(
    scene: Scene, issuer: x509.Certificate, leaf: x509.Certificate, which: str
) -> Finding:
    """Judge a chain by an intermediate that ends before the leaf."""
    name = issuer.subject.rfc4514_string()
    grade = validity.grade(issuer, scene.now)
    text = f"{which}{validity.in_words(leaf, scene.now)}, but its authority {name}:"
    text = f"{text} {validity.in_words(issuer, scene.now)}"
    return Finding(grade, _TOPIC, text, "" if grade is Grade.FINE else _REQUEST)


def _next_step(scene: Scene, leaf: x509.Certificate) -> str:
    if validity.begins_later(leaf, scene.now):
        return _CLOCK
    if os.path.lexists(scene.home.next_certificate):
        return "depotserve cert issue --activate puts the prepared one in force"
    return way_to_a_new_one(scene)


def _unrooted(way: Arranged, which: str) -> Finding:
    missing = way.last.issuer.rfc4514_string()
    text = f"{which}the chain ends at {way.last.subject.rfc4514_string()}, and {missing} is not in"
    advice = "depotserve cert install with the whole chain, its root included"
    return caution(_TOPIC, f"{text} HOME/tls: clients that do not have it refuse", advice)
