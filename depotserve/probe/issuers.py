"""Why a chain does not reach a trusted root: told from the certificates alone, without I/O."""

from __future__ import annotations

import re
from enum import Enum
from typing import TYPE_CHECKING

import attrs
from cryptography import x509
from cryptography.x509.oid import AuthorityInformationAccessOID, NameOID

from depotserve.tls.arrange import arrange, is_root

if TYPE_CHECKING:
    from collections.abc import Sequence

    from depotserve.probe.presented import Presented

__all__ = ["Gap", "Reach", "reach"]

_BELOW = re.compile(r"\b(intermediate|issuing|sub(ordinate)?)\b", re.IGNORECASE)


class Gap(Enum):
    """What lies between a chain and the trusted roots."""

    NONE = "none"
    SELF_SIGNED = "self-signed"  # the server's own certificate vouches for itself
    UNKNOWN = "unknown authority"  # it ends at a root, or below one, that is not trusted
    NAMESAKE = "other key"  # a trusted authority has the name, and another key
    MISSING = "intermediate missing"  # something between is not sent
    NO_ROOT = "no root"  # an authority of the chain is trusted, and it is no root
    EITHER = "unknown or missing"  # cannot be told from outside


@attrs.frozen
class Reach:
    """How far up a server's chain goes."""

    gap: Gap
    chain: tuple[x509.Certificate, ...]  # leaf first, as far as it holds together
    root: x509.Certificate | None  # where it ends
    wanted: str  # subject of the authority that would be next


def reach(presented: Presented, anchors: Sequence[x509.Certificate]) -> Reach:
    """Follow a chain up to a trusted root and name the gap, if there is one."""
    arranged = arrange(presented.leaf, presented.others, anchors)
    root = arranged.root
    if root is not None:
        wanted = _text(root.subject)
        return Reach(_of_root(presented, root, anchors), arranged.chain, root, wanted)
    wanted = _text(arranged.last.issuer)
    if arranged.last in anchors:
        return Reach(Gap.NO_ROOT, arranged.chain, None, wanted)
    gap = _below(arranged.last, presented, anchors, alone=len(arranged.chain) == 1)
    return Reach(gap, arranged.chain, None, wanted)


def _of_root(
    presented: Presented, root: x509.Certificate, anchors: Sequence[x509.Certificate]
) -> Gap:
    if root in anchors:
        return Gap.NONE
    if root == presented.leaf:
        return Gap.SELF_SIGNED
    return Gap.NAMESAKE if _namesake(root.subject, anchors) else Gap.UNKNOWN


def _below(
    last: x509.Certificate,
    presented: Presented,
    anchors: Sequence[x509.Certificate],
    *,
    alone: bool,
) -> Gap:
    """Judge a chain whose next issuer is neither sent nor trusted."""
    if _namesake(last.issuer, anchors):
        return Gap.NAMESAKE
    if not presented.is_whole:
        return Gap.EITHER
    roots = [one for one in presented.others if one in anchors]
    if roots or any(_stands_above(anchor, last) for anchor in anchors if _may_delegate(anchor)):
        return Gap.MISSING
    if anchors and not any(map(_may_delegate, anchors)):
        return Gap.UNKNOWN  # no root that is trusted lets any authority stand below it
    if alone and (_says_where_issuer_is(last) or _BELOW.search(_text(last.issuer))):
        return Gap.MISSING
    return Gap.UNKNOWN


def _namesake(name: x509.Name, anchors: Sequence[x509.Certificate]) -> bool:
    return any(anchor.subject == name for anchor in anchors)


def _may_delegate(anchor: x509.Certificate) -> bool:
    """Tell whether a root allows authorities below it (RFC 5280 §4.2.1.9)."""
    try:
        basic = anchor.extensions.get_extension_for_class(x509.BasicConstraints).value
    except (x509.ExtensionNotFound, x509.DuplicateExtension, ValueError):
        return False
    return basic.ca and basic.path_length != 0


def _stands_above(anchor: x509.Certificate, last: x509.Certificate) -> bool:
    """Tell whether a root seems to have made the issuer of `last`: by its word, or one owner."""
    return anchor.subject in _grandparents(last) or (
        is_root(anchor) and _same_owner(anchor.subject, last.issuer)
    )


def _grandparents(certificate: x509.Certificate) -> list[x509.Name]:
    """Give who issued the issuer, where the certificate says so (RFC 5280 §4.2.1.1)."""
    try:
        kind = x509.AuthorityKeyIdentifier
        found = certificate.extensions.get_extension_for_class(kind).value
    except (x509.ExtensionNotFound, x509.DuplicateExtension, ValueError):
        return []
    names = found.authority_cert_issuer or []
    return [name.value for name in names if isinstance(name, x509.DirectoryName)]


def _same_owner(one: x509.Name, other: x509.Name) -> bool:
    return any(
        owner == another
        for kind in (NameOID.ORGANIZATION_NAME, NameOID.DOMAIN_COMPONENT)
        if (owner := [each.value for each in one.get_attributes_for_oid(kind)])
        and (another := [each.value for each in other.get_attributes_for_oid(kind)])
    )


def _says_where_issuer_is(certificate: x509.Certificate) -> bool:
    """Tell whether it names a place to get its issuer from (RFC 5280 §4.2.2.1).

    Authorities write that for intermediates; a root comes to clients by other ways.
    """
    try:
        kind = x509.AuthorityInformationAccess
        found = certificate.extensions.get_extension_for_class(kind).value
    except (x509.ExtensionNotFound, x509.DuplicateExtension, ValueError):
        return False
    return any(one.access_method == AuthorityInformationAccessOID.CA_ISSUERS for one in found)


def _text(name: x509.Name) -> str:
    return name.rfc4514_string()
