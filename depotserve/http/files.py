"""The answer for one open file: validators, preconditions, ranges, fields."""

from __future__ import annotations

import hashlib
import os
import secrets
import time
from functools import lru_cache

from .conditional import Validators, evaluate, range_applies
from .dates import format_date
from .exchange import Answer, Exchange, FileBody
from .fields import combined
from .media_types import media_type
from .ranges import MOST_RANGES, Span, coalesce, parse_ranges
from .refusal import Refusal

__all__ = ["answer_file"]

_Identity = tuple[int, int, int, int]


def answer_file(
    exchange: Exchange, descriptor: int, status: os.stat_result, name: bytes, cache: str
) -> Answer:
    """Answer a GET or HEAD for the open file `descriptor`, which the answer then owns.

    `cache` is the Cache-Control field. Raises `Refusal` 412 or 416 (the file is closed then).
    """
    now = time.time()
    kind = media_type(name)
    validators, known = _describe(_identity(status), _modified(status, now), cache)
    fields = [*known]
    try:
        verdict = evaluate(exchange.headers, validators, now)
        if verdict is not None:
            return _conditional(verdict, descriptor, fields)
        spans = _spans(exchange, validators, status.st_size, now)
    except Refusal:
        os.close(descriptor)
        raise
    fields.append(("Accept-Ranges", "bytes"))
    fields.append(("X-Content-Type-Options", "nosniff"))
    if spans is None:
        fields.append(("Content-Type", kind))
        whole = (Span(0, status.st_size),)
        return Answer(200, fields, FileBody(descriptor, status, whole, status.st_size))
    if len(spans) == 1:
        fields.append(("Content-Type", kind))
        fields.append(("Content-Range", _content_range(spans[0], status.st_size)))
        return Answer(206, fields, FileBody(descriptor, status, (spans[0],), spans[0].length))
    boundary = secrets.token_hex(16)
    parts = _parts(spans, status.st_size, kind, boundary)
    length = sum(len(part) if isinstance(part, bytes) else part.length for part in parts)
    fields.append(("Content-Type", f"multipart/byteranges; boundary={boundary}"))
    return Answer(206, fields, FileBody(descriptor, status, parts, length))


def _identity(status: os.stat_result) -> _Identity:
    """Give what a file's entity tag is made from: its identity, size and both times.

    An in-place write whose writer set the old modification time again still changes st_ctime.
    """
    return status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns


def _modified(status: os.stat_result, now: float) -> int | None:
    """Give the modification time; none in the future (RFC 9110 §8.8.2.1) or before the epoch."""
    return int(status.st_mtime) if 0 <= status.st_mtime <= now else None


@lru_cache(maxsize=4096)
def _describe(
    identity: _Identity, modified: int | None, cache: str
) -> tuple[Validators, tuple[tuple[str, str], ...]]:
    """Give a file's validators, a strong entity tag among them, and the fields that say them."""
    tag = hashlib.blake2b(b"%d %d %d %d" % identity, digest_size=12).hexdigest()
    fields = [("ETag", f'"{tag}"'), ("Cache-Control", cache)]
    if modified is not None:
        fields.append(("Last-Modified", format_date(modified)))
    return Validators(f'"{tag}"', modified), tuple(fields)


def _conditional(verdict: int, descriptor: int, fields: list[tuple[str, str]]) -> Answer:
    if verdict == 412:
        raise Refusal(412, "The file is not the one that the request speaks of.")
    os.close(descriptor)
    return Answer(304, fields)


def _spans(exchange: Exchange, validators: Validators, size: int, now: float) -> list[Span] | None:
    """Give what part is asked for, None for the whole; raises `Refusal` 416."""
    # §14.2: defined for GET only; two Range lines are one field that is no valid range-set.
    value = combined(exchange.headers, "Range")
    if value is None or exchange.method != "GET":
        return None
    if not range_applies(combined(exchange.headers, "If-Range"), validators, now):
        return None
    spans = parse_ranges(value, size)
    if spans is None:
        return None
    if not spans:
        raise Refusal(
            416,
            "The file ends before the range begins.",
            headers=(("Content-Range", f"bytes */{size}"),),
        )
    spans = coalesce(spans)
    return spans if len(spans) <= MOST_RANGES else None


def _content_range(span: Span, size: int) -> str:
    return f"bytes {span.start}-{span.start + span.length - 1}/{size}"


def _parts(spans: list[Span], size: int, kind: str, boundary: str) -> tuple[bytes | Span, ...]:
    """Put part heads around the spans of a file of `size` bytes (§14.6, RFC 2046 §5.1.1)."""
    parts: list[bytes | Span] = []
    for span in spans:
        content_range = _content_range(span, size)
        lead = "\r\n" if parts else ""
        head = f"Content-Type: {kind}\r\nContent-Range: {content_range}\r\n\r\n"
        parts.append(f"{lead}--{boundary}\r\n{head}".encode("latin-1"))
        parts.append(span)
    parts.append(f"\r\n--{boundary}--\r\n".encode("latin-1"))
    return tuple(parts)
