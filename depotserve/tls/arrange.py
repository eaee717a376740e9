"""Which of a heap of certificates certifies which: the chain from a leaf up to its root."""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm

if TYPE_CHECKING:
    from collections.abc import Sequence

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

    Roots are looked for in `given` and in `anchors`; an anchor counts before another issuer, so
    that a cross-signed chain is as short as it can be. Signatures are checked, not only names.
    """
    chain = [leaf]
    root = leaf if is_root(leaf) else None
    while root is None and len(chain) <= _LONGEST:
        issuers = [one for one in (*anchors, *given) if certifies(one, chain[-1])]
        root = next(filter(is_root, issuers), None)
        above = [one for one in issuers if one not in chain]
        if root is not None or not above:
            break
        chain.append(max(above, key=lambda one: one.not_valid_after_utc))
    used = {*chain, root}
    others = dict.fromkeys(one for one in given if one not in used)
    return Arranged(tuple(chain), root, tuple(others))


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
