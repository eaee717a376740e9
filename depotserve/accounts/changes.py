"""What commands do to users: from the accounts as they stand to the records to set, without I/O."""

from __future__ import annotations

from typing import TYPE_CHECKING, Optional, Union

import attrs

from depotserve.accounts import names
from depotserve.accounts.book import Record
from depotserve.accounts.terms import Previous, Terms
from depotserve.accounts.users_file import Entry, Fault
from depotserve.errors import CallerError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from depotserve.accounts.hashes import Hash
    from depotserve.accounts.model import Account, Accounts

__all__ = [
    "KEEP",
    "Expiry",
    "account_of",
    "add",
    "collisions",
    "remove",
    "renew",
    "require_new",
    "switch",
    "take_in",
]


@attrs.frozen
class _Keep:
    """Stands for an expiry that is to stay as it is."""


KEEP = _Keep()
Expiry = Union["datetime", None, _Keep]
Changes = dict[str, Optional[Record]]


def account_of(accounts: Accounts, name: str) -> Account:
    """Give a user's account. Raises CallerError that names those who resemble an unknown one."""
    found = accounts.get(names.canonical(name))
    if found is not None:
        return found
    near = names.nearest(name, accounts.names)
    hint = f"did you mean {' or '.join(near)}?" if near else "depotserve user list shows all"
    raise CallerError(f"no user {name!a}", allowed=hint)


def require_new(accounts: Accounts, name: str) -> str:
    """Give the name as it may be added. Raises CallerError if it may not or is there already."""
    canonic = names.require(name)
    if accounts.get(canonic):
        raise CallerError(f"user {canonic} exists", allowed="user passwd sets another passphrase")
    return canonic


def add(accounts: Accounts, name: str, fresh: Hash, expires: Expiry = None) -> Changes:
    """Add a user. Raises CallerError if the name may not be taken."""
    return {require_new(accounts, name): Record(fresh, _expiring(Terms(), expires))}


def renew(
    accounts: Accounts,
    name: str,
    fresh: Hash,
    keep_until: datetime | None = None,
    expires: Expiry = KEEP,
) -> Changes:
    """Set another hash; the present one counts until `keep_until`, an older one no more."""
    account = account_of(accounts, name)
    previous = Previous(account.hash, keep_until) if keep_until else None
    kept = attrs.evolve(account.terms, previous=previous)
    return {account.name: Record(fresh, _expiring(kept, expires))}


def switch(accounts: Accounts, name: str, *, disabled: bool, expires: Expiry = KEEP) -> Changes:
    """Disable or enable a user."""
    account = account_of(accounts, name)
    kept = attrs.evolve(account.terms, disabled=disabled)
    return {account.name: Record(account.hash, _expiring(kept, expires))}


def remove(accounts: Accounts, name: str) -> Changes:
    """Remove a user."""
    return {account_of(accounts, name).name: None}


def _expiring(kept: Terms, expires: Expiry) -> Terms:
    return kept if isinstance(expires, _Keep) else attrs.evolve(kept, expires=expires)


def collisions(accounts: Accounts, entries: Sequence[Entry]) -> list[Fault]:
    """List the lines of a file to be taken in whose users exist already."""
    allowed = "--replace takes the file's hash for them"
    return [
        Fault(entry.line, f"user {entry.name} exists", allowed)
        for entry in entries
        if accounts.get(entry.name)
    ]


def take_in(accounts: Accounts, entries: Sequence[Entry], *, replace: bool) -> Changes:
    """Set the users of another file; a known one keeps expiry and state, not the previous hash.

    Raises CallerError if one exists and `replace` is not set.
    """
    if not replace and collisions(accounts, entries):
        raise CallerError("a user exists", allowed="--replace takes the file's hash")
    changes: Changes = {}
    for entry in entries:
        known = accounts.get(entry.name)
        kept = attrs.evolve(known.terms, previous=None) if known else Terms()
        changes[entry.name] = Record(entry.hash, kept)
    return changes
