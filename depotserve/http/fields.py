"""A request's fields as values: several lines of one field are one list (RFC 9110 §5.3)."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from multidict import CIMultiDictProxy

__all__ = ["combined"]


def combined(headers: CIMultiDictProxy[str], name: str) -> str | None:
    """Give all lines of the field `name` as one value, None when there is none.

    A field that is no list comes out invalid when it was sent twice, which is what it is.
    """
    if name not in headers:
        return None
    lines = headers.getall(name)
    return lines[0] if len(lines) == 1 else ", ".join(lines)
