"""What came back from an authority, judged: the chain and key to serve, or why there is none."""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs
from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

from depotserve.errors import CallerError
from depotserve.tls.arrange import arrange, is_root
from depotserve.tls.custody import PemPair
from depotserve.tls.examine import FlawKind, addresses_of, examine_issuers, examine_leaf, names_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from cryptography.hazmat.primitives.asymmetric.types import PrivateKeyTypes

    from depotserve.tls.arrange import Arranged
    from depotserve.tls.examine import Flaw
    from depotserve.tls.intake import TakenIn
    from depotserve.tls.names import Host

__all__ = ["Accepted", "Offer", "decide", "joined_pem"]

_ANEW = "have another one issued"
# What is said first, and what can be done. A client certificate, say, lacks this depot's names too.
_REMEDIES = {
    FlawKind.USAGE: f"{_ANEW}, for a TLS server",
    FlawKind.NO_NAME: f"{_ANEW}; depotserve cert request writes the names where they belong",
    FlawKind.NAME: f"{_ANEW}, or say with --host which names are needed instead",
    FlawKind.NOT_YET: "wait, or set the clock if it is wrong",
    FlawKind.EXPIRED: f"{_ANEW}, or set the clock if it is wrong",
    FlawKind.WEAK_SIGNATURE: f"{_ANEW}, signed with SHA-256 or better",
    FlawKind.WEAK_KEY: f"{_ANEW}; depotserve cert request makes a key that is strong enough",
    FlawKind.ISSUER: "give the certificate of the authority that may sign it",
}
_ORDER = list(_REMEDIES)


# Of an issuer, by whether a certificate of its name is there.
_ABSENCE = {
    False: "is not among what was given",
    True: "is not among what was given (one of that name is, whose key did not sign it)",
}


@attrs.frozen
class Offer:
    """All that a decision is made from."""

    taken: TakenIn  # what the certificate files hold
    where: str  # what messages call those
    keys: tuple[tuple[str, tuple[PrivateKeyTypes, ...]], ...]  # tried in order, by where they lie
    known: tuple[x509.Certificate, ...]  # other authorities: given for this, or known to the home
    hosts: tuple[Host, ...]  # the names that clients use


@attrs.frozen
class Accepted:
    """A chain and key that can be served, and the root that clients need for it."""

    pair: PemPair
    leaf: x509.Certificate
    root: x509.Certificate
    others: tuple[x509.Certificate, ...]  # of those offered, what has no part in it
    key_from: str


def decide(offer: Offer, *, now: datetime) -> Accepted:
    """Choose the server's certificate and its key, order its chain and look for every flaw.

    Raises CallerError with the first reason why clients would refuse at the time `now` (UTC).
    """
    leaf, key, key_from = _choose(offer)
    _refuse_flaws(examine_leaf(leaf, now=now, hosts=offer.hosts), offer)
    arranged = arrange(leaf, offer.taken.certificates, offer.known)
    root = _root(arranged, offer)
    _refuse_flaws(examine_issuers([*arranged.chain[1:], root], now=now), offer)
    text = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    pair = PemPair(joined_pem(arranged.chain), text)
    return Accepted(pair, leaf, root, arranged.others, key_from)


def joined_pem(certificates: Iterable[x509.Certificate]) -> bytes:
    """Give certificates as one PEM text."""
    return b"".join(one.public_bytes(Encoding.PEM) for one in certificates)


def _choose(offer: Offer) -> tuple[x509.Certificate, PrivateKeyTypes, str]:
    """Give the server's certificate: the one for which there is a key; and that key."""
    if not offer.taken.certificates:
        raise CallerError(_instead(offer.taken), where=offer.where, allowed="give what came back")
    for place, keys in offer.keys:
        fitting = {one: key for key in keys for one in offer.taken.certificates if _fit(one, key)}
        servers = [one for one in fitting if not _may_sign(one)] or list(fitting)
        if len(servers) > 1:
            raise _several(servers, offer)
        if servers:
            return servers[0], fitting[servers[0]], place
    raise _without_key(offer)


def _instead(taken: TakenIn) -> str:
    if taken.requests:
        return "holds a request, not the certificate that an authority made of it"
    return "holds a private key and no certificate" if taken.keys else "holds no certificate"


def _fit(certificate: x509.Certificate, key: PrivateKeyTypes) -> bool:
    try:
        return certificate.public_key() == key.public_key()
    except (ValueError, TypeError, UnsupportedAlgorithm):
        return False


def _may_sign(certificate: x509.Certificate) -> bool:
    """Tell whether a certificate is an authority's (RFC 5280 §4.2.1.9)."""
    try:
        return certificate.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    except (x509.ExtensionNotFound, x509.DuplicateExtension, ValueError):
        return False


def _several(servers: Sequence[x509.Certificate], offer: Offer) -> CallerError:
    each = ", ".join(f"{_called(one)} until {one.not_valid_after_utc:%Y-%m-%d}" for one in servers)
    return CallerError(
        f"{len(servers)} certificates could be meant: {each}",
        where=offer.where,
        allowed="give one of them, with its key and its issuers",
    )


def _without_key(offer: Offer) -> CallerError:
    servers = [one for one in offer.taken.certificates if not _may_sign(one)]
    if not servers:
        return CallerError(
            "holds authorities' certificates only, and no server's",
            where=offer.where,
            allowed="give the certificate that was issued for this depot",
        )
    names = ", ".join(map(_called, servers))
    places = ", ".join(place for place, keys in offer.keys if keys) or "none was found"
    return CallerError(
        f"no private key belongs to the certificate of {names} (looked in: {places})",
        where=offer.where,
        allowed="give its key with --key, or have the request of this depot signed",
    )


def _called(certificate: x509.Certificate) -> str:
    """Give the short name of a server's certificate."""
    names = [*names_of(certificate), *map(str, addresses_of(certificate))]
    return names[0] if names else certificate.subject.rfc4514_string() or "no name"


def _refuse_flaws(flaws: Sequence[Flaw], offer: Offer) -> None:
    """Raise CallerError for what is wrong, the flaws of one kind together."""
    if flaws:
        kind = min((flaw.kind for flaw in flaws), key=_ORDER.index)
        words = ", and ".join(flaw.text for flaw in flaws if flaw.kind is kind)
        raise CallerError(f"{kind.value}: {words}", where=offer.where, allowed=_REMEDIES[kind])


def _root(arranged: Arranged, offer: Offer) -> x509.Certificate:
    """Give the root that the chain reaches; raise CallerError where it does not."""
    if arranged.root is None:
        last = arranged.last
        known = (*offer.taken.certificates, *offer.known)
        namesake = any(one.subject == last.issuer for one in known)
        raise CallerError(
            f"intermediate missing: {last.issuer.rfc4514_string()}, the issuer of"
            f" {last.subject.rfc4514_string() or _called(last)}, {_ABSENCE[namesake]}",
            where=offer.where,
            allowed="give every certificate up to the root (--cert or --ca); clients get the root"
            " from depotserve cert trust, and it is never sent",
        )
    if is_root(arranged.chain[0]):
        raise CallerError(
            "it is signed by itself, so that no authority vouches for it",
            where=offer.where,
            allowed="have the request of this depot signed, or use depotserve cert issue",
        )
    return arranged.root
