"""Changes to users: what is to be written, and in which order, decided without a disk.

The users file and the terms are two files. Whatever moment the machine stops at, and whichever of
their versions a reader sees together, nobody may get in who may do so neither before nor after.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs

from depotserve.accounts import model, terms, terms_edit, users_file
from depotserve.accounts.terms import Terms

if TYPE_CHECKING:
    from collections.abc import Mapping

    from depotserve.accounts.hashes import Hash
    from depotserve.accounts.model import Account, Accounts

__all__ = ["TERMS", "USERS", "Book", "Record", "steps"]

USERS = "users"
TERMS = "terms"


@attrs.frozen
class Record:
    """What is to stand for a user."""

    hash: Hash
    terms: Terms = terms.NONE


@attrs.frozen
class Book:
    """The bytes of the users file and of the terms, None where that file is missing."""

    users: bytes
    terms: bytes | None

    def accounts(self) -> Accounts:
        """Read both. Raises CallerError for a fault in either."""
        return model.load(self.users, self.terms)

    def amended(self, changes: Mapping[str, Record | None]) -> Book:
        """Give the book with users set or, with None, removed. Raises CallerError."""
        new_hashes = {name: new.hash if new else None for name, new in changes.items()}
        new_terms = {name: new.terms if new else terms.NONE for name, new in changes.items()}
        return Book(
            users_file.amend(self.users, new_hashes), self._with_terms(new_terms, self.terms)
        )

    def guarded(self, changes: Mapping[str, Record | None]) -> Book:
        """Give the book with the strictest of old and new terms, and the old users.

        It is what stands between the change's first and last step.
        """
        accounts = self.accounts()
        strict = {
            name: _strictest(accounts.get(name), new.terms) for name, new in changes.items() if new
        }
        return Book(self.users, self._with_terms(strict, self.terms))

    def _with_terms(self, new: Mapping[str, Terms], old: bytes | None) -> bytes | None:
        known = {} if old is None else terms.parse(old, name="terms.yaml")
        changed = {name: kept for name, kept in new.items() if known.get(name, terms.NONE) != kept}
        return terms_edit.amend(old, changed) if changed else old


def _strictest(account: Account | None, new: Terms) -> Terms:
    if account is None:  # not in the users file yet: the new terms let nobody in before it is
        return new
    old = account.terms
    dates = [date for date in (old.expires, new.expires) if date is not None]
    return Terms(old.disabled or new.disabled, min(dates, default=None), new.previous)


def steps(book: Book, changes: Mapping[str, Record | None]) -> list[tuple[str, bytes]]:
    """List what to write, in order: strict terms, the users, the terms as they shall be.

    A step that changes nothing is left out. Raises CallerError for a fault in the files.
    """
    between, after = book.guarded(changes), book.amended(changes)
    plan = [
        (TERMS, book.terms, between.terms),
        (USERS, book.users, after.users),
        (TERMS, between.terms, after.terms),
    ]
    return [(which, new) for which, old, new in plan if new is not None and new != old]
