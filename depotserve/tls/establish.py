"""Give a new home its authority and its server certificate."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from depotserve.errors import SurroundingsError
from depotserve.home import write_file
from depotserve.tls import authority
from depotserve.tls.leaf import issue
from depotserve.tls.names import parse_hosts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from depotserve.home import Home

__all__ = ["establish"]

_SECRET, _PUBLIC = 0o600, 0o644


def establish(home: Home, hosts: Sequence[str]) -> None:
    """Write a new authority and a server certificate for `hosts` into HOME/tls/.

    Keys are 0600 from birth and their folder is 0700. The server's file holds the leaf alone:
    its issuer is the anchor that clients have. Raises CallerError if a host is none, before
    anything is written, and SurroundingsError if the files cannot be.
    """
    main_name = str(parse_hosts(hosts)[0])
    anchor = authority.create(main_name)
    server = issue(anchor, hosts)
    _make_folder(home)
    write_file(home.authority_key, anchor.key, mode=_SECRET)
    write_file(home.authority, anchor.certificate, mode=_PUBLIC)
    write_file(home.key, server.key, mode=_SECRET)
    write_file(home.certificate, server.certificate, mode=_PUBLIC)


def _make_folder(home: Home) -> None:
    """Make HOME/tls, readable to its owner only, unless it is there."""
    folder = home.key.parent
    try:
        os.makedirs(folder, mode=0o700, exist_ok=True)
    except OSError as error:
        raise SurroundingsError(error.strerror or "cannot be made", where=str(folder)) from error
