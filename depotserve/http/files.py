"""The answer for one open file: validators, preconditions, ranges, fields."""

from __future__ import annotations

import hashlib
import os
import secrets
import time

from .conditional import Validators, evaluate, range_applies
from .dates import format_date
from .exchange import Answer, Exchange, FileBody
from .fields import combined
from .media_types import media_type
from .ranges import MOST_RANGES, Span, coalesce, parse_ranges
from .refusal import Refusal

__all__ = ["answer_file", "validators_of"]


def answer_file(
    exchange: Exchange, descriptor: int, status: os.stat_result, name: bytes, cache: str
) -> Answer:
    """Answer a GET or HEAD for the open file `descriptor`, which the answer then owns.

    `cache` is the Cache-Control field. Raises `Refusal` 412 or 416 (the file is closed then).
    """
    now = time.time()
    validators = validators_of(status, now)
    fields = _validator_fields(validators, cache)
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
    kind = media_type(name)
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


def validators_of(status: os.stat_result, now: float) -> Validators:
    """Derive a strong entity tag and the modification time of a file.

    The tag changes with the file's identity, size and both times: an in-place write whose
    writer set the old modification time again still changes st_ctime. A time in the future
    is not sent (RFC 9110 §8.8.2.1), nor one before the epoch.
    """
    identity = (status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns)
    tag = hashlib.blake2b(b"%d %d %d %d" % identity, digest_size=12).hexdigest()
    modified = int(status.st_mtime)
    return Validators(f'"{tag}"', modified if 0 <= status.st_mtime <= now else None)


def _validator_fields(validators: Validators, cache: str) -> list[tuple[str, str]]:
    fields = [("ETag", validators.etag), ("Cache-Control", cache)]
    if validators.modified is not None:
        fields.append(("Last-Modified", format_date(validators.modified)))
    return fields


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
