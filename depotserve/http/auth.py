"""Who asks, and whether this is for them (RFC 7617, RFC 9110 §11)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from depotserve.accounts import Gate, Outcome, Verdict

from .credentials import Credentials, challenge, parse_basic
from .refusal import Refusal

if TYPE_CHECKING:
    from .content import Trees
    from .exchange import Answer, Exchange, Handler, Step

__all__ = ["authenticating", "authorising", "may_read"]


def authenticating(gate: Gate, realm: str, trees: Trees) -> Step:
    """Make the step that lets signed-in users on, and anybody to what is anonymous.

    Without credentials the answer is the same whether the target exists or not.
    """
    open_to_all = all(tree.mount.users == "anonymous" for tree in trees.all)

    def step(following: Handler) -> Handler:
        async def handle(exchange: Exchange) -> Answer:
            tree = exchange.tree
            anonymous = open_to_all if tree is None else tree.mount.users == "anonymous"
            if not anonymous:
                verdict = await _verdict(exchange, gate, realm)
                exchange.user, exchange.previous = verdict.user, verdict.previous
            return await following(exchange)

        return handle

    return step


def authorising(following: Handler) -> Handler:
    """Let only the readers of a mount on."""

    async def handle(exchange: Exchange) -> Answer:
        if exchange.tree is not None and not may_read(exchange.user, exchange.tree.mount.users):
            raise Refusal(403, "This is not for the user that is signed in.")
        return await following(exchange)

    return handle


def may_read(user: str, users: str | tuple[str, ...]) -> bool:
    """Tell whether `user` ("" for nobody signed in) is among the readers of a mount."""
    if users == "anonymous":
        return True
    return user != "" and (users == "any" or user in users)


async def _verdict(exchange: Exchange, gate: Gate, realm: str) -> Verdict:
    """Have the credentials checked; raises `Refusal` 401, 429 or 503 when they don't count."""
    field = exchange.headers.get("Authorization", "")
    known = gate.recognise(exchange.address, field) if field else None
    if known is not None:
        return known
    credentials = parse_basic(field)
    if credentials is None:
        raise _unauthorised("Sign in with a user name and a passphrase.", realm)
    if not isinstance(credentials, Credentials):
        verdict = await gate.refuse(exchange.address)
    else:
        offered = (exchange.address, credentials.name, credentials.passphrase)
        verdict = await gate.check(*offered, field=field)
    if verdict.outcome is Outcome.ACCEPTED:
        return verdict
    if verdict.outcome is Outcome.REFUSED:
        raise _unauthorised("The user name or the passphrase is not right.", realm)
    after = ("Retry-After", str(max(1, verdict.retry_after)))
    if verdict.outcome is Outcome.THROTTLED:
        raise Refusal(429, "Too many wrong passphrases; wait a little.", headers=(after,))
    raise Refusal(503, "Too many sign-ins at once; try again.", headers=(after,))


def _unauthorised(sentence: str, realm: str) -> Refusal:
    return Refusal(401, sentence, headers=(challenge(realm),))
