"""Who is known and on what terms: the two files as one frozen value."""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs

from depotserve.accounts import hashes, terms, users_file

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from depotserve.accounts.hashes import Hash
    from depotserve.accounts.terms import Terms

__all__ = ["Account", "Accounts", "Work", "load"]


@attrs.frozen
class Work:
    """What checking costs: bcrypt key expansions, and APR1 checks at a millisecond each."""

    rounds: int = 0
    apr1: int = 0

    @classmethod
    def of(cls, known: tuple[Hash, ...]) -> Work:
        """Add up the work of one check against each hash."""
        return cls(
            sum(each.rounds for each in known), sum(each.kind == hashes.APR1 for each in known)
        )

    def at_least(self, other: Work) -> Work:
        """Give the higher of each part."""
        return Work(max(self.rounds, other.rounds), max(self.apr1, other.apr1))


@attrs.frozen
class Account:
    """A user: the hash in the users file and the terms."""

    name: str
    hash: Hash
    terms: Terms = terms.NONE

    def is_open(self, now: float) -> bool:
        """Tell whether the user may sign in at `now` (seconds since 1970)."""
        expires = self.terms.expires
        return not self.terms.disabled and (expires is None or now < expires.timestamp())

    def in_force(self, now: float) -> tuple[Hash, ...]:
        """List the hashes whose passphrase counts at `now`: the current, then the previous."""
        previous = self.terms.previous
        if previous is None or now >= previous.until.timestamp():
            return (self.hash,)
        return (self.hash, previous.hash)


@attrs.frozen
class Accounts:
    """Everybody in the users file, with the terms; frozen, and can be pickled."""

    users: Mapping[str, Account]
    warnings: tuple[str, ...] = ()
    _resting: Work = Work()  # the highest work of a user's current hash
    _changing: tuple[Account, ...] = ()  # those with a previous hash

    @property
    def names(self) -> tuple[str, ...]:
        """List the users' names in the file's order."""
        return tuple(self.users)

    @property
    def apr1_users(self) -> tuple[str, ...]:
        """List those whose hash is APR1, which a computer guesses quickly."""
        return tuple(each.name for each in self.users.values() if each.hash.kind == hashes.APR1)

    def get(self, name: str) -> Account | None:
        """Give a user's account, or None."""
        return self.users.get(name)

    def highest_work(self, now: float) -> Work:
        """Give the work of the user who is dearest to check at `now`; all 0 without users."""
        highest = self._resting
        for account in self._changing:
            highest = highest.at_least(Work.of(account.in_force(now)))
        return highest


def load(users: bytes, terms_content: bytes | None, *, name: str = "users") -> Accounts:
    """Read both files as one; `terms_content` is None where terms.yaml is missing.

    `name` is what errors call the users file. Raises CallerError for the first fault of either,
    as `NAME:LINE: what; allowed`: then whatever was read before stays in force.
    """
    known = users_file.parse(users, name=name)
    kept = {} if terms_content is None else terms.parse(terms_content, name="terms.yaml")
    accounts = {each: Account(each, known[each], kept.get(each, terms.NONE)) for each in known}
    resting = Work()
    for account in accounts.values():
        resting = resting.at_least(Work.of((account.hash,)))
    changing = tuple(each for each in accounts.values() if each.terms.previous)
    return Accounts(accounts, tuple(_warnings(accounts, kept)), resting, changing)


def _warnings(accounts: Mapping[str, Account], kept: Mapping[str, Terms]) -> Iterator[str]:
    for name, account in accounts.items():
        previous = account.terms.previous
        if hashes.APR1 in {account.hash.kind, previous.hash.kind if previous else ""}:
            yield (
                f"user {name} has an APR1 hash, which is guessed quickly from a copy of the file: "
                f"depotserve user passwd {name} makes a bcrypt hash"
            )
    for name in kept:
        if name not in accounts:
            yield f"terms.yaml names {name}, who is not in the users file"
