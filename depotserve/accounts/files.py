"""The shell around the users file and the terms: read both, change both under one lock."""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable

from depotserve import home as homes
from depotserve.accounts import book, hashes, names, policy, terms, terms_edit, usage, users_file
from depotserve.accounts.book import Book, Record
from depotserve.errors import CallerError, SurroundingsError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from depotserve.accounts.model import Accounts
    from depotserve.home import Home

__all__ = ["change", "create", "read"]

MODE = 0o600
_LOCK = "accounts"
Changes = Callable[["Accounts"], "Mapping[str, Record | None]"]


def read(home: Home) -> Accounts:
    """Read who is known, from both files of a home.

    Raises SurroundingsError if one cannot be read, CallerError for a fault in one.
    """
    return _book(home).accounts()


def _book(home: Home) -> Book:
    users = homes.read_bounded(home.users, users_file.LIMIT)
    return Book(users, _maybe_read(home.terms, terms.LIMIT))


def _maybe_read(path: Path, limit: int) -> bytes | None:
    try:
        return homes.read_bounded(path, limit)
    except SurroundingsError as error:
        if isinstance(error.__cause__, FileNotFoundError):
            return None
        raise


def change(home: Home, decide: Changes) -> Accounts:
    """Change users: `decide` gets the accounts as they stand and gives the records to set.

    Holds the home's lock from reading to writing, so that of several at once none is lost. Gives
    the accounts as they stand afterwards. Raises what `decide` raises, CallerError for a fault in
    the files, SurroundingsError if they cannot be written.
    """
    with homes.locked(home.lock(_LOCK)):
        old = _book(home)
        changes = decide(old.accounts())
        paths = {book.USERS: home.users, book.TERMS: home.terms}
        for which, content in book.steps(old, changes):
            homes.write_file(paths[which], content, mode=MODE)
        accounts = old.amended(changes).accounts()
    _forget_uses(home, accounts)
    return accounts


def _forget_uses(home: Home, accounts: Accounts) -> None:
    previous = (
        (each.name, each.terms.previous.hash)
        for each in accounts.users.values()
        if each.terms.previous
    )
    usage.prune(home.state, previous)


def create(
    home: Home,
    name: str,
    passphrase: str,
    cost: int = hashes.USUAL_COST,
    *,
    minimum: int = policy.DEFAULT_MINIMUM,
) -> None:
    """Write a home's first users file and terms, with one user.

    `cost` is bcrypt's. The folder `accounts` must exist. Raises CallerError for a name or
    passphrase that may not be set, or if there is a users file; SurroundingsError if it cannot be
    written.
    """
    user = names.require(name)
    record = Record(hashes.make(policy.check(passphrase, user=user, minimum=minimum), cost))
    if home.users.exists():
        raise CallerError("there is a users file already", where=str(home.users))
    first = Book(users_file.HEADER, terms_edit.EMPTY).amended({user: record})
    homes.write_file(home.terms, first.terms or terms_edit.EMPTY, mode=MODE)
    homes.write_file(home.users, first.users, mode=MODE)
