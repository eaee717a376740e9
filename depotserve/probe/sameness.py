"""The checks that the same file comes whatever way it is asked for."""

from __future__ import annotations

import re
import time
from typing import TYPE_CHECKING, Callable

from depotserve.http.dates import parse_date
from depotserve.probe.finding import Finding, Where, fault, passed, shown, unknown

if TYPE_CHECKING:
    from collections.abc import Mapping

    from depotserve.probe.exchange import Answer
    from depotserve.probe.visit import Fetched, Visit

__all__ = ["accept", "conditional", "head", "ranges"]

# What HEAD must give as GET does (RFC 9110 §9.3.2).
_SAME = ("content-type", "content-length", "content-encoding", "etag", "last-modified")
# What Java's HttpURLConnection sends by default: two of its ranges have weights that are no
# weights of RFC 9110 §12.4.2.
_JAVA = "text/html, image/gif, image/jpeg, *; q=.2, */*; q=.2"
_RANGE = re.compile(r"bytes ([0-9]+)-([0-9]+)/([0-9]+|\*)", re.IGNORECASE)
_MOST_RANGE = 1000  # bytes asked for
_SETTLED = 1  # seconds that a file must stand for its date to tell its state (RFC 9110 §8.8.2.2)


def _of_file(look: Callable[[Visit, Fetched], Finding]) -> Callable[[Visit], Finding]:
    """Make a check of one that is about the file."""

    def check(visit: Visit) -> Finding:
        if visit.file is None:
            return unknown("no file was fetched")
        return look(visit, visit.file)

    return check


def _again(visit: Visit, found: Fetched, fields: Mapping[str, str], method: str = "GET") -> Answer:
    # Of a file that comes whole, though a part or nothing was asked for, little is read.
    return visit.ask(found.target, method=method, fields=fields, most=_MOST_RANGE + 1)[1]


def _lately_modified(found: Fetched) -> bool:
    """Tell whether Last-Modified is of this moment.

    It tells little then, and of a file that is dated in the future it is the
    moment of the answer, another one each time (§8.8.2.1).
    """
    now = time.time()
    modified, date = (parse_date(found.get(name) or "", now) for name in ("last-modified", "date"))
    return modified is not None and modified >= (now if date is None else date) - _SETTLED


def _head(visit: Visit, found: Fetched) -> Finding:
    """Compare the fields of HEAD with those of GET."""
    got = _again(visit, found, {}, "HEAD")
    if got.status != 200:
        return _not_head(found, f"HEAD gets {got.status}, GET got 200")
    for name in _SAME[: -1 if _lately_modified(found) else None]:
        # RFC 9110 §8.6: HEAD may leave out the length.
        if found.get(name) != got.head.get(name) and got.head.get(name) is not None:
            return _not_head(found, f"{name} of HEAD is {shown(got.head.get(name) or '')}")
    return passed("status and fields as of GET")


def _not_head(found: Fetched, how: str) -> Finding:
    return fault(
        f"{shown(found.target)}: {how}",
        cause="the depot, or what stands before it, treats HEAD otherwise than GET",
        advice="let it answer HEAD as it answers GET, without the body",
        where=Where.DEPOT,
        stops=False,
    )


def _accept(visit: Visit, found: Fetched) -> Finding:
    """Send the Accept field that Java sends."""
    got = _again(visit, found, {"Accept": _JAVA})
    if got.status == 200:
        return passed(f"Java's Accept field gets {got.status}")
    return fault(
        f"Java's Accept field gets {got.status}",
        cause="the server, or a filter before it, refuses weights such as q=.2",
        advice="let it pass over what it cannot read in Accept (RFC 9110 section 12.5.1)",
        where=Where.DEPOT,
        stops=False,
    )


def _ranges(visit: Visit, found: Fetched) -> Finding:
    """Ask for bytes from within the file, as a client does that goes on after a break."""
    begin = found.answer.body
    if found.coding or not begin:
        return unknown("not tried: the file is empty, or it came coded")
    first = len(begin) // 2
    last = min(len(begin), first + _MOST_RANGE) - 1
    got = _again(visit, found, {"Range": f"bytes={first}-{last}"})
    if got.status == 206:
        return _judged(got, begin, first, last)
    how = "comes whole (200)" if got.status == 200 else f"gets {got.status}"
    return _no_range(f"a part of {shown(found.target)} {how}")


def _judged(got: Answer, begin: bytes, first: int, last: int) -> Finding:
    value = got.head.get("content-range") or ""
    match = _RANGE.fullmatch(value)
    if match is None or (int(match[1]), int(match[2])) != (first, last):
        return _no_range(f"206 for bytes {first}-{last} says {shown(value) or 'no Content-Range'}")
    if got.body != begin[first : last + 1]:
        return _no_range(f"206 for bytes {first}-{last} has other bytes than the file there")
    return passed(f"206 with bytes {first}-{last} as they are in the file")


def _no_range(how: str) -> Finding:
    return fault(
        f"no ranges: {how}",
        cause="the server, or a device before it, does not serve parts, so nothing can be resumed",
        advice="switch on byte ranges there (RFC 9110 section 14)",
        where=Where.DEPOT,
        stops=False,
    )


def _conditional(visit: Visit, found: Fetched) -> Finding:
    """Ask whether the file has changed, by each validator that it has (RFC 9110 §13)."""
    tag, modified = found.get("etag"), found.get("last-modified")
    asked = [
        *([("If-None-Match", tag)] if tag else []),
        *([("If-Modified-Since", modified)] if modified else []),
    ]
    answered = []
    for name, value in asked:
        got = _again(visit, found, {name: value})
        if got.status == 304:
            answered.append(name)
        elif name == "If-None-Match" or not _lately_modified(found):
            return _no_304(name, got)
    if answered:
        return passed(f"304 on {' and on '.join(answered)}")
    return unknown("the file has neither ETag nor a Last-Modified of the past to ask by")


def _no_304(name: str, got: Answer) -> Finding:
    return fault(
        f"{name} with the file's own value gets {got.status}, not 304",
        cause="the server, or a device before it, passes over preconditions: files come again",
        advice="let it answer conditional requests (RFC 9110 section 13)",
        where=Where.DEPOT,
        stops=False,
    )


head = _of_file(_head)
accept = _of_file(_accept)
ranges = _of_file(_ranges)
conditional = _of_file(_conditional)
