"""The depot's own pages under /_depot/, which need no password and tell nothing secret."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Callable

from .exchange import Answer, Exchange
from .pages import STYLE, STYLE_PATH
from .refusal import Refusal
from .trust_page import NAMES as TRUST_NAMES
from .trust_page import answer_trust

if TYPE_CHECKING:
    from depotserve.tls import Anchor

    from .target import Target

__all__ = ["PREFIX", "OwnPages"]

PREFIX = b"_depot"
_STYLE_NAME = STYLE_PATH.rpartition("/")[2].encode()
# What a depot that publishes its authority gives without TLS too; the style sheet, since a browser
# that does not trust the depot yet would not load it over TLS.
_PUBLISHED = frozenset({*TRUST_NAMES, _STYLE_NAME})


class OwnPages:
    """Answers for health, readiness, the authority, and the style sheet of our pages."""

    def __init__(
        self, content_is_there: Callable[[], bool], now: Callable[[], float] = time.time
    ) -> None:
        self._content_is_there = content_is_there
        self._now = now
        # (not before, not after) of the certificate in seconds since the epoch; None: no TLS.
        self.certificate_validity: tuple[float, float] | None = None
        self.anchors: tuple[Anchor, ...] = ()  # that are published; none: there is no such page
        self._pages: dict[bytes, Callable[[], Answer]] = {
            b"health": self._health,
            b"ready": self._ready,
            _STYLE_NAME: self._style,
        }

    def answer(self, exchange: Exchange) -> Answer:
        """Answer for the page that the target names; raises `Refusal` 404 for another."""
        name = _name(exchange.target)
        if name in TRUST_NAMES and self.anchors:
            return answer_trust(exchange, self.anchors)
        page = self._pages.get(name)
        if page is None:
            raise Refusal(404, "There is nothing here by this name.")
        return page()

    def is_published(self, target: Target) -> bool:
        """Tell whether `target` names a part of the page that is given without TLS too."""
        return bool(self.anchors) and _name(target) in _PUBLISHED

    @staticmethod
    def _health() -> Answer:
        return _state(200, "alive")

    def _ready(self) -> Answer:
        ready = self._certificate_is_valid(self._now()) and self._content_is_there()
        return _state(200, "ready") if ready else _state(503, "not ready")

    def _certificate_is_valid(self, now: float) -> bool:
        validity = self.certificate_validity
        return validity is None or validity[0] <= now <= validity[1]

    @staticmethod
    def _style() -> Answer:
        return Answer(
            200,
            [("Content-Type", "text/css; charset=utf-8"), ("Cache-Control", "max-age=3600")],
            STYLE,
        )


def _name(target: Target) -> bytes:
    """Give the page's name under the prefix; nothing if the target can be none of ours."""
    names = target.names
    fits = len(names) == 2 and names[0] == PREFIX and not target.folder
    return names[1] if fits else b""


def _state(status: int, word: str) -> Answer:
    headers = [("Content-Type", "text/plain; charset=utf-8"), ("Cache-Control", "no-store")]
    return Answer(status, headers, f"{word}\n".encode())
