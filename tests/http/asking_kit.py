"""Requests of every kind and what their answers must be: ranges of a file, and turns of a talk."""

from __future__ import annotations

import random
import re
from typing import TYPE_CHECKING, Any, Callable

import attrs
from sending_kit import kept

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    import harness
    from sending_kit import Client

# Where one answer's size or one read's ends differ from the next: a page, a TLS record, a piece.
EDGES = (1, 2, 4095, 4096, 4097, 16384, 16385, 65535, 65536, 65537, 131071, 131072, 131073)
_MEBIBYTE = 1024 * 1024


@attrs.frozen
class Asked:
    """A Range field's value, and the first byte and the count of each part that it means."""

    value: str
    spans: tuple[tuple[int, int], ...]

    @property
    def field(self) -> str:
        """Give the whole line."""
        return f"Range: {self.value}"


def seeded(seed: int) -> random.Random:
    """Give choices that are the same in every run."""
    return random.Random(seed)  # noqa: S311 - no secret hangs on them


def same(one: bytes, other: bytes) -> bool:
    """Compare, without pytest's explaining megabytes that differ."""
    return one == other


def some_ranges(choice: random.Random, size: int, count: int) -> Iterator[Asked]:
    """Make ranges of a file: closed, open, suffixes and several at once, many at EDGES."""
    for number in range(count):
        parts = [_span(choice, size) for _ in range(choice.randint(2, 5) if number % 5 == 4 else 1)]
        words = [_word(choice, size, *span) for span in parts]
        yield Asked(f"bytes={','.join(words)}", tuple(parts))


def _span(choice: random.Random, size: int) -> tuple[int, int]:
    around_mebibyte = _MEBIBYTE + choice.randint(-1, 1)
    length = choice.choice([*EDGES, around_mebibyte, choice.randint(1, size)])
    beginnings = [
        0,
        choice.choice(EDGES),
        _MEBIBYTE - 1,
        choice.randrange(size),
        max(0, size - length),
    ]
    start = min(choice.choice(beginnings), size - 1)
    return start, min(length, size - start)


def _word(choice: random.Random, size: int, start: int, length: int) -> str:
    """Write one range (RFC 9110 §14.1.2) in one of the forms that mean it."""
    forms = [f"{start}-{start + length - 1}"]
    if start + length == size:
        forms += [f"{start}-", f"-{length}", f"{start}-{size + choice.randrange(10**6)}"]
    return choice.choice(forms)


def check_parts(
    got: harness.Answer, asked: Asked, size: int, read: Callable[[int, int], bytes]
) -> None:
    """Check that an answer is what a range asked for; `read` gives a file's bytes."""
    assert got.status == 206, got
    parts = _parts_of(got, size)
    for start, data in parts:
        assert same(data, read(start, len(data))), (asked, start, len(data))
    assert _joined((start, len(data)) for start, data in parts) == _joined(asked.spans)


def _parts_of(got: harness.Answer, size: int) -> list[tuple[int, bytes]]:
    kind = re.fullmatch(r"multipart/byteranges; boundary=(\S+)", got.get("content-type") or "")
    if kind is None:
        start, length = _content_range(got.get("content-range") or "", size)
        assert length == len(got.body)
        return [(start, got.body)]
    return list(_multipart(got.body, kind[1].encode(), size))


def _multipart(body: bytes, boundary: bytes, size: int) -> Iterator[tuple[int, bytes]]:
    """Take a multipart body to pieces by its parts' lengths (RFC 2046 §5.1.1, RFC 9110 §14.6)."""
    at, mark = 0, b"--" + boundary
    while not body.startswith(mark + b"--\r\n", at):
        assert body.startswith(mark + b"\r\n", at), body[at : at + 100]
        head_end = body.index(b"\r\n\r\n", at) + 4
        fields = re.search(rb"\r\nContent-Range: ([^\r]+)\r\n", body[at:head_end])
        assert fields, body[at:head_end]
        start, length = _content_range(fields[1].decode(), size)
        yield start, body[head_end : head_end + length]
        at = head_end + length + 2
        assert body[at - 2 : at] == b"\r\n"
    assert at + len(mark) + 4 == len(body)


def _content_range(value: str, size: int) -> tuple[int, int]:
    match = re.fullmatch(r"bytes (\d+)-(\d+)/(\d+)", value)
    assert match, value
    assert int(match[3]) == size
    return int(match[1]), int(match[2]) + 1 - int(match[1])


def _joined(spans: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Give the same bytes as few spans, in the file's order."""
    joined: list[tuple[int, int]] = []
    for start, length in sorted(spans):
        if joined and start <= sum(joined[-1]):
            first = joined[-1][0]
            joined[-1] = (first, max(sum(joined[-1]), start + length) - first)
        else:
            joined.append((start, length))
    return joined


@attrs.frozen
class Turn:
    """One request that lets its connection stay, and what its answer must be."""

    request: bytes
    method: str
    status: int
    check: Callable[[harness.Answer], Any] = lambda _got: None

    def take(self, client: Client) -> None:
        """Take the answer from `client` and check it."""
        got = client.answer(self.method)
        assert got.status == self.status, (self.request, got)
        self.check(got)
        assert got.get("connection") != "close", got


def mixed_turns(choice: random.Random, name: str, content: bytes, count: int) -> list[Turn]:
    """Make requests of every kind for a file of the root, and its answers, in any order."""
    makers = (_whole, _head, _part, _unchanged, _missing, _past, _options, _own_page, _listed)
    return [choice.choice(makers)(choice, name, content) for _ in range(count)]


def _turn(
    status: int, target: str, *fields: str, method: str = "GET", check: Callable[..., Any]
) -> Turn:
    return Turn(kept(target, *fields, method=method), method, status, check)


def _whole(_choice: random.Random, name: str, content: bytes) -> Turn:
    def check(got: harness.Answer) -> None:
        assert same(got.body, content)

    return _turn(200, f"/{name}", check=check)


def _head(_choice: random.Random, name: str, content: bytes) -> Turn:
    def check(got: harness.Answer) -> None:
        assert got.get("content-length") == str(len(content))

    return _turn(200, f"/{name}", method="HEAD", check=check)


def _part(choice: random.Random, name: str, content: bytes) -> Turn:
    asked = choice.choice([*some_ranges(choice, len(content), 5)])

    def check(got: harness.Answer) -> None:
        check_parts(got, asked, len(content), lambda at, count: content[at : at + count])

    return _turn(206, f"/{name}", asked.field, check=check)


def _unchanged(_choice: random.Random, name: str, _content: bytes) -> Turn:
    def check(got: harness.Answer) -> None:
        assert got.get("etag")

    return _turn(304, f"/{name}", "If-None-Match: *", check=check)


def _missing(choice: random.Random, name: str, _content: bytes) -> Turn:
    def check(got: harness.Answer) -> None:
        assert got.body.endswith(b".\n")

    return _turn(404, f"/none/{choice.random()}/{name}", check=check)


def _past(_choice: random.Random, name: str, content: bytes) -> Turn:
    def check(got: harness.Answer) -> None:
        assert got.get("content-range") == f"bytes */{len(content)}"

    return _turn(416, f"/{name}", f"Range: bytes={len(content)}-", check=check)


def _options(_choice: random.Random, name: str, _content: bytes) -> Turn:
    def check(got: harness.Answer) -> None:
        assert got.get("allow") == "GET, HEAD, OPTIONS"

    return _turn(204, f"/{name}", method="OPTIONS", check=check)


def _own_page(_choice: random.Random, _name: str, _content: bytes) -> Turn:
    def check(got: harness.Answer) -> None:
        assert got.body == b"alive\n"

    return _turn(200, "/_depot/health", check=check)


def _listed(_choice: random.Random, name: str, _content: bytes) -> Turn:
    def check(got: harness.Answer) -> None:
        assert name.encode() in got.body

    return _turn(200, "/", check=check)
