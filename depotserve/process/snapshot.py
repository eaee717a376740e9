"""All that a worker serves by, read and checked once, as one value."""

from __future__ import annotations

import logging
import os
from typing import TYPE_CHECKING

import attrs

from depotserve import accounts, clock, config, tls
from depotserve.errors import DepotError
from depotserve.home import read_bounded
from depotserve.http import find_trees

if TYPE_CHECKING:
    from depotserve.accounts import Accounts
    from depotserve.config import Settings
    from depotserve.home import Home
    from depotserve.http import Tree
    from depotserve.tls import Anchor, PemPair

__all__ = [
    "Snapshot",
    "needs_certificate",
    "read",
    "read_accounts",
    "read_anchors",
    "read_credential",
]

_LOG = logging.getLogger(__name__)
_MOST_ACCOUNTS = 16 << 20  # bytes; some 200,000 lines of a users file


@attrs.frozen
class Snapshot:
    """Settings, content, accounts and certificate; no certificate where nothing needs it."""

    settings: Settings
    trees: tuple[Tree, ...]  # the content as it lay when the settings were read
    accounts: Accounts
    credential: PemPair | None
    clock_shift: float = 0.0  # seconds from this machine's clock to the time to go by
    anchors: tuple[Anchor, ...] = ()  # that are given to whoever asks; none unless that is set


def read(home: Home, settings: Settings) -> Snapshot:
    """Read what a home's settings lead to: content, accounts and, with TLS, the certificate.

    Raises CallerError or SurroundingsError naming what is wrong or cannot be read.
    """
    config.check_content(settings)
    return Snapshot(
        settings=settings,
        trees=find_trees(settings.content),
        accounts=read_accounts(home),
        credential=read_credential(home) if needs_certificate(settings) else None,
        clock_shift=clock.read(home).shift,
        anchors=_try_anchors(home, settings),
    )


def needs_certificate(settings: Settings) -> bool:
    """Tell whether any listener speaks TLS."""
    return any(listener.is_secure for listener in settings.listeners)


def read_accounts(home: Home) -> Accounts:
    """Read the users file and the file of terms, which may be missing.

    Raises CallerError for a fault in either, with file and line, and SurroundingsError if one
    cannot be read.
    """
    users = read_bounded(home.users, _MOST_ACCOUNTS)
    there = os.path.lexists(home.terms)
    terms = read_bounded(home.terms, _MOST_ACCOUNTS) if there else None
    return accounts.load(users, terms, name=home.users.name)


def read_credential(home: Home) -> PemPair:
    """Read certificate and key and see that they work together.

    Raises CallerError naming what is wrong with either file, SurroundingsError if one cannot be
    read. No message holds anything of the key.
    """
    found = tls.custody.read_live(home)
    tls.load_pair(found.certificate, found.key)
    return found


def read_anchors(home: Home, settings: Settings) -> tuple[Anchor, ...]:
    """Read the roots that are given to whoever asks; none unless the settings want that.

    Raises CallerError or SurroundingsError if none can be found.
    """
    return tls.read_anchors(home) if settings.tls.publish_authority else ()


def _try_anchors(home: Home, settings: Settings) -> tuple[Anchor, ...]:
    """Read them, or log why there are none: no page must keep a depot from serving."""
    try:
        return read_anchors(home, settings)
    except DepotError as error:
        _LOG.error("nothing can be published at /_depot/trust: %s", error)
        return ()
