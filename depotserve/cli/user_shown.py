"""What `depotserve user list` and `user test` show."""

from __future__ import annotations

from datetime import datetime, timezone
from typing import TYPE_CHECKING, Any

import attrs

from depotserve.accounts import moments, usage

if TYPE_CHECKING:
    from pathlib import Path

    from depotserve.accounts.hashes import Hash
    from depotserve.accounts.model import Account, Accounts

__all__ = ["Trial", "rows", "table", "why_closed"]

_HEADS = ("NAME", "HASH", "STATE", "EXPIRES", "PREVIOUS PASSPHRASE")


def rows(accounts: Accounts, state: Path, now: float) -> list[dict[str, Any]]:
    """Describe each user by values that JSON knows; times are RFC 3339 in UTC.

    `state` is the folder where the service notes who uses a previous passphrase.
    """
    return [_row(account, state, now) for account in accounts.users.values()]


def _row(account: Account, state: Path, now: float) -> dict[str, Any]:
    terms = account.terms
    return {
        "name": account.name,
        "hash": account.hash.kind,
        "cost": account.hash.cost,
        "open": account.is_open(now),
        "disabled": terms.disabled,
        "expires": moments.show(terms.expires) if terms.expires else None,
        "previous": _previous(account, state, now),
    }


def _previous(account: Account, state: Path, now: float) -> dict[str, Any] | None:
    previous = account.terms.previous
    if previous is None:
        return None
    used = usage.last_use(state, account.name, previous.hash)
    return {
        "hash": previous.hash.kind,
        "cost": previous.hash.cost,
        "until": moments.show(previous.until),
        "in_force": now < previous.until.timestamp(),
        "last_used": None if used is None else moments.show(_moment(used)),
    }


def _moment(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, timezone.utc)


def table(described: list[dict[str, Any]]) -> str:
    """Lay out what `rows` gave in columns, with a head."""
    if not described:
        return "No user is known."
    lines = [_HEADS, *(_cells(row) for row in described)]
    widths = [max(map(len, column)) for column in zip(*lines)]
    padded = ("  ".join(map(str.ljust, line, widths)) for line in lines)
    return "\n".join(line.rstrip() for line in padded)


def _cells(row: dict[str, Any]) -> tuple[str, ...]:
    state = "open" if row["open"] else "disabled" if row["disabled"] else "expired"
    previous = row["previous"]
    return (
        row["name"],
        row["hash"] if row["cost"] is None else f"{row['hash']} {row['cost']}",
        state,
        row["expires"] or "-",
        _use(previous) if previous else "-",
    )


def _use(previous: dict[str, Any]) -> str:
    used = previous["last_used"]
    last = f"last used {used}" if used else "not used since it was replaced"
    verb = "until" if previous["in_force"] else "ended"
    return f"{verb} {previous['until']}, {last}"


@attrs.frozen
class Trial:
    """How a passphrase fared against a user."""

    account: Account
    right: bool
    previous: bool
    is_open: bool

    @classmethod
    def of(cls, account: Account, matched: Hash | None, now: float) -> Trial:
        """Judge by the hash that the passphrase matched, None for none."""
        is_previous = matched is not None and matched != account.hash
        return cls(account, matched is not None, is_previous, account.is_open(now))

    @property
    def lets_in(self) -> bool:
        """Tell whether a running depot would let the user in by the passphrase."""
        return self.right and self.is_open

    def document(self) -> dict[str, Any]:
        """Describe it by values that JSON knows."""
        return {
            "user": self.account.name,
            "right": self.right,
            "previous": self.previous,
            "disabled": self.account.terms.disabled,
            "open": self.is_open,
            "lets_in": self.lets_in,
        }

    def sentence(self) -> str:
        """Say it in one sentence."""
        name = self.account.name
        closed = "" if self.is_open else f"user {name} {why_closed(self.account)}"
        if not self.right:
            return f"the passphrase is not {name}'s" + (f", and {closed}" if closed else "")
        if closed:
            return f"the passphrase is {name}'s, but {closed}"
        previous = self.account.terms.previous
        if self.previous and previous:
            return (
                f"This is {name}'s previous passphrase, right until {moments.show(previous.until)}."
            )
        return f"This is {name}'s passphrase."


def why_closed(account: Account) -> str:
    """Say why a user who may not sign in may not, as in "is disabled"."""
    expires = account.terms.expires
    if account.terms.disabled or expires is None:
        return "is disabled"
    return f"expired at {moments.show(expires)}"
