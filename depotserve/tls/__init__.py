"""TLS: the local authority, server certificates, the context that serves them."""

from __future__ import annotations

from depotserve.tls import authority, custody
from depotserve.tls.authority import Pair
from depotserve.tls.context import ServerContext, load_pair
from depotserve.tls.custody import PemPair
from depotserve.tls.describe import Description, describe
from depotserve.tls.doubts import doubts
from depotserve.tls.establish import establish
from depotserve.tls.leaf import issue
from depotserve.tls.local import local_names
from depotserve.tls.names import parse_host
from depotserve.tls.transport import over_tls

__all__ = [
    "Description",
    "Pair",
    "PemPair",
    "ServerContext",
    "authority",
    "custody",
    "describe",
    "doubts",
    "establish",
    "issue",
    "load_pair",
    "local_names",
    "over_tls",
    "parse_host",
]
