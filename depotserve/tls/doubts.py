"""What in the certificate files that a depot serves by may keep clients from trusting it."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from depotserve.errors import DepotError
from depotserve.home import read_bounded
from depotserve.tls.arrange import arrange
from depotserve.tls.intake import take_in
from depotserve.tls.pem import read_pairs

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from cryptography import x509

    from depotserve.home import Home
    from depotserve.tls.custody import PemPair
    from depotserve.tls.pem import Chain

__all__ = ["doubts"]

_MOST = 1 << 20  # bytes; as for the certificate files themselves


def doubts(home: Home, pair: PemPair) -> list[str]:
    """Say in one line each what clients may refuse in the chains of `pair`; it is served anyway.

    A leaf sent alone is doubted whose issuer is no root known here, and a chain with certificates
    that have no part in it. A file of roots that cannot be read is a line too.
    """
    try:
        known = _known(home)
        found = read_pairs(pair.certificate, pair.key, certificate_name="", key_name="")
    except DepotError as error:
        return [str(error)]
    name = home.certificate.name
    return [f"{name}: {line}" for one in found for line in _of_chain(one.chain, known)]


def _of_chain(chain: Chain, known: Sequence[x509.Certificate]) -> Iterator[str]:
    arranged = arrange(chain.leaf, chain.certificates[1:], known)
    # A chain of several may well end below a root that only clients know.
    if arranged.root is None and len(arranged.chain) == 1:
        yield (
            f"its issuer {arranged.last.issuer.rfc4514_string()} is not in it and is no root that"
            " is known here; if that is an intermediate, clients cannot verify this depot:"
            " depotserve cert install --cert FILE --cert INTERMEDIATE puts it in"
        )
    if arranged.others:
        names = ", ".join(one.subject.rfc4514_string() for one in arranged.others)
        yield f"holds certificates that have no part in the chain, sent to every client: {names}"


def _known(home: Home) -> list[x509.Certificate]:
    """Give the roots that this home knows: its own authorities, and those of others."""
    paths = (home.authority, home.next_authority, home.old_authority, home.anchors)
    return [one for path in paths if os.path.lexists(path) for one in _certificates(path)]


def _certificates(path: Path) -> Sequence[x509.Certificate]:
    return take_in(read_bounded(path, _MOST), name=path.name).certificates
