"""One authority follows another: made beside it, put to use, and the old one retired.

Clients are given both (`custody.anchors`) from the first step to the last, so that there is time
to reach every one of them before anything changes for it.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from depotserve.errors import CallerError, SurroundingsError
from depotserve.home import New, is_there, read_bounded, sync_folder, write_files
from depotserve.tls import authority as authorities
from depotserve.tls import custody
from depotserve.tls.arrange import certifies
from depotserve.tls.issuing import credentials
from depotserve.tls.pem import is_encrypted, read_chain, read_pair

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

    Raises CallerError if one waits, if an old one is not retired yet, or if a key would be lost.
    """
    for path in (home.next_authority, home.old_authority):
        if is_there(path):
            raise CallerError(
                "one authority follows another already",
                where=str(path),
                allowed="end that first: depotserve cert authority use, then retire",
            )
    made = authorities.create(host, kind=kind, passphrase=passphrase, now=now)
    first = not is_there(home.authority)
    if first and is_there(home.authority_key):
        raise CallerError(
            "is the key of an authority whose certificate is missing",
            where=str(home.authority_key),
            allowed="put authority.pem back (clients hold it), or move the key away",
        )
    key, certificate = (
        (home.authority_key, home.authority)
        if first
        else (home.next_authority_key, home.next_authority)
    )
    write_files([New(key, made.key, _SECRET), New(certificate, made.certificate, _PUBLIC)])


def switch(home: Home) -> None:
    """Let the authority that waits sign from now on; the one before signs nothing more.

    The old one's certificate is kept, since clients hold it; its key is gone. Raises CallerError
    if none waits or its files are damaged, SurroundingsError if files cannot be changed.
    """
    if not is_there(home.next_authority):
        raise CallerError(
            "no authority waits to follow",
            where=str(home.next_authority),
            allowed="depotserve cert authority new makes one",
        )
    if not is_there(home.next_authority_key):
        raise CallerError(
            "the new authority's key is not here",
            where=str(home.next_authority_key),
            allowed="bring it back for this step",
        )
    _check_next(home)
    old = read_bounded(home.authority, _MOST_PEM)
    write_files([New(home.old_authority, old, _PUBLIC)])
    _rename(home.next_authority, home.authority)
    _rename(home.next_authority_key, home.authority_key)


def _check_next(home: Home) -> None:
    """See that what is to take the old one's place is whole, as far as that shows."""
    certificate, key = home.next_authority, home.next_authority_key
    text, secret = read_bounded(certificate, _MOST_PEM), read_bounded(key, _MOST_PEM)
    if is_encrypted(secret):  # nobody is asked for its passphrase here
        read_chain(text, name=certificate.name)
    else:
        read_pair(text, secret, certificate_name=certificate.name, key_name=key.name)


def finish(home: Home) -> None:
    """Finish a switch that was interrupted between its files; mostly nothing is to do.

    Only then is there an old authority, and a key that waits without its certificate: it cannot
    be asked of the key itself, which may have a passphrase. Raises SurroundingsError.
    """
    waits = is_there(home.next_authority_key) and not is_there(home.next_authority)
    if waits and is_there(home.old_authority):
        _rename(home.next_authority_key, home.authority_key)


def retire(home: Home) -> None:
    """Take the old authority out of what clients are given.

    Raises CallerError if there is none, or if it still vouches for a certificate in use.
    """
    if not is_there(home.old_authority):
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
