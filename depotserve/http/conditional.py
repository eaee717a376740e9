"""Preconditions, in the order of RFC 9110 §13.2.2."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import attrs
from multidict import istr

from .dates import parse_date
from .fields import combined

if TYPE_CHECKING:
    from multidict import CIMultiDictProxy

__all__ = ["Validators", "evaluate", "range_applies"]

_MATCH, _NONE_MATCH = istr("If-Match"), istr("If-None-Match")
_MODIFIED, _UNMODIFIED = istr("If-Modified-Since"), istr("If-Unmodified-Since")
_TAG = re.compile(r'[ \t,]*((?:W/)?"[\x21\x23-\x7e\x80-\U0010ffff]*")[ \t]*(?=,|\Z)')
_MOST_TAGS = 256  # a header of 32 KiB holds no more tags that anybody would send on purpose


@attrs.frozen(slots=True)
class Validators:
    """What tells one representation of a file from another (§8.8)."""

    etag: str  # strong, with its quotes
    modified: int | None  # whole seconds since the epoch; None: not known


def evaluate(headers: CIMultiDictProxy[str], validators: Validators, now: float) -> int | None:
    """Give 412 or 304 if a precondition of a GET or HEAD says so, else None.

    `headers` are the request's fields; `now` in seconds since the epoch.
    """
    if not (
        _MATCH in headers
        or _NONE_MATCH in headers
        or _MODIFIED in headers
        or _UNMODIFIED in headers
    ):
        return None
    tags = combined(headers, _MATCH)
    if tags is not None:
        if not _any_matches(tags, validators.etag, weak=False):
            return 412
    elif _changed_since(combined(headers, _UNMODIFIED), validators, now):
        return 412
    tags = combined(headers, _NONE_MATCH)
    if tags is not None:
        return 304 if _any_matches(tags, validators.etag, weak=True) else None
    return 304 if _same_since(combined(headers, _MODIFIED), validators, now) else None


def range_applies(value: str | None, validators: Validators, now: float) -> bool:
    """Tell whether an If-Range field (None: not sent) lets the Range field count (§13.1.5).

    A date counts only when it is exactly the one we sent and is strong: at least a second
    older than now (§8.8.2.2).
    """
    if value is None:
        return True
    if value.startswith(('"', "W/")):
        return value == validators.etag
    date = parse_date(value, now)
    return date is not None and date == validators.modified and now - date >= 1


def _any_matches(value: str, etag: str, *, weak: bool) -> bool:
    """Compare a list of entity tags or `*` with `etag`, which is strong (§8.8.3.2)."""
    if value.strip(" \t") == "*":
        return True
    position = 0
    for _ in range(_MOST_TAGS):
        match = _TAG.match(value, position)
        if match is None:
            return False
        tag = match[1]
        if tag == etag or (weak and tag == f"W/{etag}"):
            return True
        position = match.end()
    return False


def _changed_since(value: str | None, validators: Validators, now: float) -> bool:
    date = None if value is None else parse_date(value, now)
    return date is not None and validators.modified is not None and validators.modified > date


def _same_since(value: str | None, validators: Validators, now: float) -> bool:
    date = None if value is None else parse_date(value, now)
    return date is not None and validators.modified is not None and validators.modified <= date
