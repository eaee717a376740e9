"""The depot's own pages under /_depot/, which need no password and tell nothing but a state."""

from __future__ import annotations

import time
from typing import Callable

from .exchange import Answer, Exchange
from .pages import STYLE, STYLE_PATH
from .refusal import Refusal

__all__ = ["PREFIX", "OwnPages"]

PREFIX = b"_depot"


class OwnPages:
    """Answers for health, readiness and the style sheet of our pages."""

    def __init__(
        self, content_is_there: Callable[[], bool], now: Callable[[], float] = time.time
    ) -> None:
        self._content_is_there = content_is_there
        self._now = now
        # (not before, not after) of the certificate in seconds since the epoch; None: no TLS.
        self.certificate_validity: tuple[float, float] | None = None
        self._pages: dict[bytes, Callable[[], Answer]] = {
            b"health": self._health,
            b"ready": self._ready,
            STYLE_PATH.rpartition("/")[2].encode(): self._style,
        }

    def answer(self, exchange: Exchange) -> Answer:
        """Answer for the page that the target names; raises `Refusal` 404 for another."""
        names = exchange.target.names
        page = self._pages.get(names[1]) if len(names) == 2 else None
        if page is None or exchange.target.folder:
            raise Refusal(404, "There is nothing here by this name.")
        return page()

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


def _state(status: int, word: str) -> Answer:
    headers = [("Content-Type", "text/plain; charset=utf-8"), ("Cache-Control", "no-store")]
    return Answer(status, headers, f"{word}\n".encode())
