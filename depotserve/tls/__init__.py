"""TLS: the local authority, server certificates, the context that serves them."""

from __future__ import annotations

from depotserve.tls import authority, custody, issuing, renewal, rollover
from depotserve.tls.authority import Pair
from depotserve.tls.context import ServerContext, has_rsa, load_pair
from depotserve.tls.custody import PemPair
from depotserve.tls.describe import Description, describe, describe_certificate
from depotserve.tls.doubts import doubts
from depotserve.tls.establish import establish
from depotserve.tls.keys import KeyKind
from depotserve.tls.leaf import issue
from depotserve.tls.local import local_names
from depotserve.tls.names import parse_host
from depotserve.tls.published import Anchor, read_anchors
from depotserve.tls.transport import over_tls

__all__ = [
    "Anchor",
    "Description",
    "KeyKind",
    "Pair",
    "PemPair",
    "ServerContext",
    "authority",
    "custody",
    "describe",
    "describe_certificate",
    "doubts",
    "establish",
    "has_rsa",
    "issue",
    "issuing",
    "load_pair",
    "local_names",
    "over_tls",
    "parse_host",
    "read_anchors",
    "renewal",
    "rollover",
]
