"""What part of a file a Range field asks for (RFC 9110 §14)."""

from __future__ import annotations

import re
from typing import NamedTuple

__all__ = ["MOST_RANGES", "Span", "coalesce", "parse_ranges"]

# More spans than this after coalescing get the whole file: a reader that needs so many small
# pieces costs more in part headers and seeks than it saves (§14.2 lets a server ignore them).
MOST_RANGES = 16

# §5.6.1.2 lets a list hold empty elements; blanks around elements as in §14.1.2's own example,
# whose blank after "=" is outside the grammar (erratum 7306) and is taken all the same.
_SET = re.compile(r"bytes=(.*)", re.IGNORECASE | re.ASCII | re.DOTALL)
_SPEC = re.compile(r"([0-9]*)-([0-9]*)", re.ASCII)
_SIZE_DIGITS = 20  # 2^64 - 1 has 20; more digits mean "past any end" without a long conversion


class Span(NamedTuple):
    """Consecutive bytes of a file: the first position and the count, both in bytes."""

    start: int
    length: int


def parse_ranges(value: str, size: int) -> list[Span] | None:
    """Resolve a Range field against a file of `size` bytes.

    Gives the satisfiable spans in the order asked, clamped to the file; an empty list when
    none is (status 416); None when the field is to be ignored: another unit, or malformed.
    """
    match = _SET.fullmatch(value)
    if match is None:
        return None
    spans: list[Span] = []
    elements = [element.strip(" \t") for element in match[1].split(",")]
    elements = [element for element in elements if element]
    if not elements:
        return None
    for element in elements:
        spec = _SPEC.fullmatch(element)
        span = None if spec is None else _resolve(spec[1], spec[2], size)
        if span is None:
            return None
        if span.length > 0:
            spans.append(span)
    # §14.1.2: a suffix range of an empty file selects the whole of it, so it is answered
    # as if not asked (no 206 can say "no bytes").
    if size == 0 and any(_is_suffix(element) for element in elements):
        return None
    return spans


def _is_suffix(element: str) -> bool:
    return element.startswith("-") and _bounded(element[1:]) > 0


def _resolve(first: str, last: str, size: int) -> Span | None:
    """Give the span that a range-spec selects, of length 0 when unsatisfiable, None if invalid."""
    if first == "":
        if last == "":
            return None
        length = min(_bounded(last), size)
        return Span(size - length, length)
    start = _bounded(first)
    if last == "":
        return Span(start, max(0, size - start))
    end = _bounded(last)
    if end < start:
        return None
    return Span(start, max(0, min(end + 1, size) - start))


def _bounded(digits: str) -> int:
    digits = digits.lstrip("0")
    return int(digits or "0") if len(digits) <= _SIZE_DIGITS else 10**_SIZE_DIGITS


def coalesce(spans: list[Span]) -> list[Span]:
    """Join spans that overlap or touch; keep the order in which the first of each was asked.

    §15.3.7.2 allows it; it keeps the sum of all parts within the size of the file. The time is
    that of one sort.
    """
    joined: list[tuple[int, Span]] = []  # (place in the order asked, span), by position
    for place, span in sorted(enumerate(spans), key=lambda pair: pair[1].start):
        if joined and span.start <= joined[-1][1].start + joined[-1][1].length:
            before_place, before = joined[-1]
            end = max(before.start + before.length, span.start + span.length)
            joined[-1] = (min(before_place, place), Span(before.start, end - before.start))
        else:
            joined.append((place, span))
    return [span for _, span in sorted(joined)]
