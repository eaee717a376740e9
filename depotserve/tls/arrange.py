"""Which of a heap of certificates certifies which: the chain from a leaf up to its root."""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from cryptography import x509

__all__ = ["Arranged", "arrange", "certifies", "is_root"]

_LONGEST = 10  # certificates between a leaf and its root; real chains have one or two


@attrs.frozen
class Arranged:
    """A leaf's way up."""

    chain: tuple[x509.Certificate, ...]  # leaf first, each next certifies the one before; no root
    root: x509.Certificate | None  # the self-signed certificate at the end; None: not reached
    others: tuple[x509.Certificate, ...]  # of those given, what has no part in it

    @property
    def last(self) -> x509.Certificate:
        """Give the uppermost certificate below the root: its issuer is what may be missing."""
        return self.chain[-1]


def arrange(
    leaf: x509.Certificate,
    given: Sequence[x509.Certificate],
    anchors: Sequence[x509.Certificate] = (),
) -> Arranged:
    """Order `given`, in whatever order it stands, from `leaf` up to a root (RFC 5280 §6.1).

    Roots are looked for in `given` and in `anchors`. Of several ways, as with cross-signed
    certificates, the shortest to a root counts, then the one that lasts longest; without a root,
    the longest. Signatures are checked, not only names.
    """
    if is_root(leaf):
        return _arranged((leaf,), leaf, given)
    ways: list[tuple[x509.Certificate, ...]] = [(leaf,)]
    seen = {leaf}
    for way in ways:  # it grows, and each certificate stands at the end of one way only
        issuers = [one for one in (*anchors, *given) if certifies(one, way[-1])]
        root = next(filter(is_root, issuers), None)
        if root is not None:
            return _arranged(way, root, given)
        above = dict.fromkeys(one for one in issuers if one not in seen)
        if len(way) <= _LONGEST:
            ways += [(*way, one) for one in sorted(above, key=_end, reverse=True)]
            seen.update(above)
    return _arranged(max(ways, key=len), None, given)


def _end(certificate: x509.Certificate) -> datetime:
    return certificate.not_valid_after_utc


def _arranged(
    chain: tuple[x509.Certificate, ...],
    root: x509.Certificate | None,
    given: Sequence[x509.Certificate],
) -> Arranged:
    used = {*chain, root}
    return Arranged(chain, root, tuple(dict.fromkeys(one for one in given if one not in used)))


def is_root(certificate: x509.Certificate) -> bool:
    """Tell whether a certificate is signed by itself."""
    return certifies(certificate, certificate)


def certifies(issuer: x509.Certificate, subject: x509.Certificate) -> bool:
    """Tell whether `issuer` bears the issuer's name of `subject` and signed it."""
    try:
        subject.verify_directly_issued_by(issuer)
    except (ValueError, TypeError, InvalidSignature, UnsupportedAlgorithm):
        return False
    return True
