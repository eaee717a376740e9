"""One authority follows another: made beside it, put to use, and the old one retired.

Clients are given both (`custody.anchors`) from the first step to the last, so that there is time
to reach every one of them before anything changes for it.
"""

from __future__ import annotations

import contextlib
import os
from typing import TYPE_CHECKING

from depotserve.errors import CallerError, DepotError, SurroundingsError
from depotserve.home import New, read_bounded, sync_folder, write_files
from depotserve.tls import authority as authorities
from depotserve.tls import custody
from depotserve.tls.arrange import certifies
from depotserve.tls.issuing import credentials
from depotserve.tls.pem import read_chain, read_pair

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from depotserve.home import Home
    from depotserve.tls.keys import KeyKind

__all__ = ["begin", "finish", "retire", "switch"]

_MOST_PEM = 1 << 20  # bytes
_SECRET, _PUBLIC = 0o600, 0o644


def begin(home: Home, host: str, kind: KeyKind, passphrase: str | None, now: datetime) -> None:
    """Make an authority beside the one that stands, or the first where there is none.

    Raises CallerError if one waits or an old one is not retired yet.
    """
    for path in (home.next_authority, home.old_authority):
        if os.path.lexists(path):
            raise CallerError(
                "one authority follows another already",
                where=str(path),
                allowed="end that first: depotserve cert authority use, then retire",
            )
    made = authorities.create(host, kind=kind, passphrase=passphrase, now=now)
    first = not os.path.lexists(home.authority)
    key, certificate = (
        (home.authority_key, home.authority)
        if first
        else (home.next_authority_key, home.next_authority)
    )
    write_files([New(key, made.key, _SECRET), New(certificate, made.certificate, _PUBLIC)])


def switch(home: Home) -> None:
    """Let the authority that waits sign from now on; the one before signs nothing more.

    The old one's certificate is kept, since clients hold it; its key is gone. Raises CallerError
    if none waits, SurroundingsError if files cannot be changed.
    """
    if not os.path.lexists(home.next_authority):
        raise CallerError(
            "no authority waits to follow",
            where=str(home.next_authority),
            allowed="depotserve cert authority new makes one",
        )
    if not os.path.lexists(home.next_authority_key):
        raise CallerError(
            "the new authority's key is not here",
            where=str(home.next_authority_key),
            allowed="bring it back for this step",
        )
    old = read_bounded(home.authority, _MOST_PEM)
    write_files([New(home.old_authority, old, _PUBLIC)])
    _rename(home.next_authority_key, home.authority_key)
    _rename(home.next_authority, home.authority)


def finish(home: Home) -> None:
    """Finish a switch that was interrupted between its files; mostly nothing is to do."""
    if not os.path.lexists(home.next_authority) or os.path.lexists(home.next_authority_key):
        return
    with contextlib.suppress(DepotError):
        certificate = read_bounded(home.next_authority, _MOST_PEM)
        key = read_bounded(home.authority_key, _MOST_PEM)
        read_pair(certificate, key, certificate_name="", key_name="")
        _rename(home.next_authority, home.authority)


def retire(home: Home) -> None:
    """Take the old authority out of what clients are given.

    Raises CallerError if there is none, or if it still vouches for a certificate in use.
    """
    if not os.path.lexists(home.old_authority):
        raise CallerError(
            "there is no old authority",
            where=str(home.old_authority),
            allowed="depotserve cert authority use makes the present one the old one",
        )
    old = read_chain(read_bounded(home.old_authority, _MOST_PEM), name="authority-old.pem").leaf
    for pair in filter(None, (custody.read_live(home), custody.read_prepared(home))):
        if any(certifies(old, one.chain.leaf) for one in credentials(pair)):
            raise CallerError(
                "still vouches for a certificate of this depot",
                where=str(home.old_authority),
                allowed="issue one by the new authority first: depotserve cert issue",
            )
    try:
        os.unlink(home.old_authority)
        sync_folder(home.old_authority.parent)
    except OSError as error:
        reason = error.strerror or "cannot be removed"
        raise SurroundingsError(reason, where=str(home.old_authority)) from error


def _rename(source: Path, target: Path) -> None:
    try:
        os.rename(source, target)
        sync_folder(target.parent)
    except OSError as error:
        reason = error.strerror or "cannot be replaced"
        raise SurroundingsError(reason, where=str(target)) from error
