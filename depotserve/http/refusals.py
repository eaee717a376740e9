"""From a refusal to the answer that says it, in the form that its reader prefers."""

from __future__ import annotations

import json

from . import negotiate
from .exchange import Answer, Exchange
from .fields import combined
from .pages import CONTENT_SECURITY_POLICY, error_html
from .refusal import REASONS, Refusal

__all__ = ["answer_refusal"]

_TEXT, _HTML = "text/plain", "text/html"
_PROBLEM, _JSON = "application/problem+json", "application/json"


def answer_refusal(exchange: Exchange, refusal: Refusal) -> Answer:
    """Say `refusal` as a line of text, as a page, or as a problem document (RFC 9457)."""
    offers = (_TEXT, _HTML, _PROBLEM, _JSON)
    kind = negotiate.prefers(combined(exchange.headers, "Accept"), offers)
    headers = [
        *refusal.headers,
        ("Cache-Control", "no-store"),
        ("X-Content-Type-Options", "nosniff"),
    ]
    title = REASONS[refusal.status]
    if kind == _HTML:
        headers.append(("Content-Security-Policy", CONTENT_SECURITY_POLICY))
        body = error_html(refusal.status, title, refusal.sentence)
    elif kind == _TEXT:
        body = f"{refusal.sentence}\n".encode()
    else:
        kind = _PROBLEM
        problem = {"title": title, "status": refusal.status, "detail": refusal.sentence}
        body = json.dumps(problem, ensure_ascii=False).encode() + b"\n"
    charset = "" if kind == _PROBLEM else "; charset=utf-8"
    headers.append(("Content-Type", f"{kind}{charset}"))
    headers.append(("Vary", "Accept"))
    return Answer(refusal.status, headers, body, close=refusal.close)
