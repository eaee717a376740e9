"""Who asks, and whether this is for them (RFC 7617, RFC 9110 §11)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from depotserve.accounts import Gate, Outcome, Verdict

from .credentials import Credentials, challenge, parse_basic
from .refusal import Refusal

if TYPE_CHECKING:
    from collections.abc import Awaitable

    from .content import Trees
    from .exchange import Exchange, Step

__all__ = ["authenticating", "authorising", "may_read"]


def authenticating(gate: Gate, realm: str, trees: Trees) -> Step:
    """Make the step that lets signed-in users on, and anybody to what is anonymous.

    Without credentials the answer is the same whether the target exists or not.
    """
    open_to_all = all(tree.mount.users == "anonymous" for tree in trees.all)

    def step(exchange: Exchange) -> Awaitable[None] | None:
        tree = exchange.tree
        if open_to_all if tree is None else tree.mount.users == "anonymous":
            return None
        field = exchange.headers.get("Authorization", "")
        known = gate.recognise(exchange.address, field) if field else None
        if known is None:
            return _sign_in(exchange, field, gate, realm)
        exchange.user, exchange.previous = known.user, known.previous
        return None

    return step


def authorising(exchange: Exchange) -> None:
    """Let only the readers of a mount on."""
    if exchange.tree is not None and not may_read(exchange.user, exchange.tree.mount.users):
        raise Refusal(403, "This is not for the user that is signed in.")


def may_read(user: str, users: str | tuple[str, ...]) -> bool:
    """Tell whether `user` ("" for nobody signed in) is among the readers of a mount."""
    if users == "anonymous":
        return True
    return user != "" and (users == "any" or user in users)


async def _sign_in(exchange: Exchange, field: str, gate: Gate, realm: str) -> None:
    """Have the credentials checked; raises `Refusal` 401, 429 or 503 when they don't count."""
    verdict = await _verdict(exchange, field, gate, realm)
    if verdict.outcome is Outcome.REFUSED:
        raise _unauthorised("The user name or the passphrase is not right.", realm)
    after = ("Retry-After", str(max(1, verdict.retry_after)))
    if verdict.outcome is Outcome.THROTTLED:
        raise Refusal(429, "Too many wrong passphrases; wait a little.", headers=(after,))
    if verdict.outcome is Outcome.BUSY:
        raise Refusal(503, "Too many sign-ins at once; try again.", headers=(after,))
    exchange.user, exchange.previous = verdict.user, verdict.previous


async def _verdict(exchange: Exchange, field: str, gate: Gate, realm: str) -> Verdict:
    credentials = parse_basic(field)
    if credentials is None:
        raise _unauthorised("Sign in with a user name and a passphrase.", realm)
    if not isinstance(credentials, Credentials):
        return await gate.refuse(exchange.address)
    offered = (exchange.address, credentials.name, credentials.passphrase)
    return await gate.check(*offered, field=field)


def _unauthorised(sentence: str, realm: str) -> Refusal:
    return Refusal(401, sentence, headers=(challenge(realm),))
