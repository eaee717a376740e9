"""The short steps between a request's head and the content."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from .exchange import Answer, Exchange, Step
from .framing import check_head
from .own_pages import PREFIX, OwnPages
from .refusal import ALLOW, Refusal
from .refusals import answer_refusal
from .target import parse_target

if TYPE_CHECKING:
    from collections.abc import Sequence

    from depotserve.config import Settings

    from .content import Trees

__all__ = ["answering_own_pages", "follow", "locating", "redirecting"]

_log = logging.getLogger("depotserve")


async def follow(steps: Sequence[Step], exchange: Exchange) -> Answer:
    """Take `steps` in order up to the one that answers, and turn a refusal into its answer.

    This is also the last line of defence against a fault of ours.
    """
    try:
        for step in steps:
            answer = step(exchange)
            if answer is not None and not isinstance(answer, Answer):
                answer = await answer
            if answer is not None:
                return answer
    except Refusal as refusal:
        return answer_refusal(exchange, refusal)
    except Exception as error:  # noqa: BLE001 - a client gets an answer, the log the fault
        _log.error("a request failed: %s at %s", type(error).__name__, _place(error))
    return answer_refusal(exchange, Refusal(500, "The depot could not answer this.", close=True))


def _place(error: BaseException) -> str:
    """Give file and line of the innermost frame, without what the request held."""
    traceback = error.__traceback__
    while traceback is not None and traceback.tb_next is not None:
        traceback = traceback.tb_next
    if traceback is None:
        return "an unknown place"
    return f"{traceback.tb_frame.f_code.co_filename}:{traceback.tb_lineno}"


def locating(settings: Settings, trees: Trees) -> Step:
    """Make the step that checks the head and finds the place that the target names."""

    def step(exchange: Exchange) -> Answer | None:
        check_head(exchange, settings.limits)
        if exchange.raw_target == b"*" and exchange.method == "OPTIONS":
            return Answer(204, [ALLOW])
        exchange.target = parse_target(exchange.raw_target)
        found = trees.at(exchange.target.names)
        if found is not None:
            exchange.tree, exchange.names = found
        return None

    return step


def redirecting(settings: Settings, own: OwnPages) -> Step:
    """Make the step that sends everybody who comes by a redirect listener to TLS.

    What is published stays: a client that cannot verify TLS yet must get it here.
    """
    ports = [one.port for one in settings.listeners if one.tls == "modern"]

    def step(exchange: Exchange) -> Answer | None:
        if exchange.listener.tls != "redirect" or own.is_published(exchange.target):
            return None
        location = _secure_location(exchange, ports[0])
        headers = [("Location", location), ("Cache-Control", "no-store")]
        headers.append(("Content-Type", "text/plain; charset=utf-8"))
        return Answer(301, headers, b"This depot is served over TLS.\n")

    return step


def _secure_location(exchange: Exchange, port: int) -> str:
    target = exchange.target
    authority = target.authority or exchange.headers.get("Host", "").encode("latin-1", "replace")
    host = authority.decode("latin-1")
    if not host.endswith("]"):
        before, colon, _ = host.rpartition(":")
        host = before if colon else host
    if not host:
        raise Refusal(400, "The request names no host to come back to.", close=True)
    shown = host if port == 443 else f"{host}:{port}"
    return f"https://{shown}{target.with_query(target.path())}"


def answering_own_pages(own: OwnPages) -> Step:
    """Make the step that answers for addresses under /_depot/."""

    def step(exchange: Exchange) -> Answer | None:
        if exchange.target.names[:1] != (PREFIX,):
            return None
        if exchange.method == "OPTIONS":
            return Answer(204, [ALLOW])
        return own.answer(exchange)

    return step
