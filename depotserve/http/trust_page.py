"""The authority that vouches for this depot, given to whoever asks, with how to make sure of it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from . import negotiate
from .exchange import Answer, Exchange
from .fields import combined
from .pages import CONTENT_SECURITY_POLICY, trust_html, trust_text

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Callable

    from depotserve.tls import Anchor

__all__ = ["NAMES", "answer_trust"]

_TEXT, _HTML, _JSON = "text/plain", "text/html", "application/json"


def answer_trust(exchange: Exchange, anchors: Sequence[Anchor]) -> Answer:
    """Answer for the page, or one of its files, that the target names: one of `NAMES`.

    `anchors` are the roots that clients need, at least one, the one in use first.
    """
    return NAMES[exchange.target.names[1]](exchange, anchors)


def _page(exchange: Exchange, anchors: Sequence[Anchor]) -> Answer:
    """Answer in the form that is asked for; as text, so that it can be saved and used as it is."""
    kind = negotiate.prefers(combined(exchange.headers, "Accept"), tuple(_FORMS))
    answer = _whole(kind if kind == _JSON else f"{kind}; charset=utf-8", _FORMS[kind](anchors))
    answer.headers.append(("Vary", "Accept"))
    if kind == _HTML:
        answer.headers.append(("Content-Security-Policy", CONTENT_SECURITY_POLICY))
    return answer


def _json(anchors: Sequence[Anchor]) -> bytes:
    """Give one document (RFC 8259); moments as RFC 3339."""
    rows = [
        {
            "subject": one.subject,
            "sha256": one.fingerprint,
            "not_before": f"{one.not_before:%Y-%m-%dT%H:%M:%SZ}",
            "not_after": f"{one.not_after:%Y-%m-%dT%H:%M:%SZ}",
            "pem": one.pem.decode(),
        }
        for one in anchors
    ]
    return json.dumps({"authorities": rows}, ensure_ascii=False).encode() + b"\n"


def _pem(_exchange: Exchange, anchors: Sequence[Anchor]) -> Answer:
    """Give every root, and no word beside them (RFC 8555 section 9.1)."""
    content = b"".join(one.pem for one in anchors)
    return _file("application/pem-certificate-chain", content, "trust.pem")


def _der(_exchange: Exchange, anchors: Sequence[Anchor]) -> Answer:
    """Give the first root alone: the form holds no second (RFC 2585 section 4)."""
    return _file("application/pkix-cert", anchors[0].der, "trust.cer")


def _file(kind: str, content: bytes, name: str) -> Answer:
    answer = _whole(kind, content)
    answer.headers.append(("Content-Disposition", f'attachment; filename="{name}"'))
    return answer


def _whole(kind: str, content: bytes) -> Answer:
    headers = [("Content-Type", kind), ("Cache-Control", "no-store")]
    return Answer(200, [*headers, ("X-Content-Type-Options", "nosniff")], content)


_FORMS: dict[str, Callable[[Sequence[Anchor]], bytes]] = {
    _TEXT: trust_text,
    _HTML: trust_html,
    _JSON: _json,
}
NAMES: dict[bytes, Callable[[Exchange, Sequence[Anchor]], Answer]] = {
    b"trust": _page,
    b"trust.pem": _pem,
    b"trust.cer": _der,
}
