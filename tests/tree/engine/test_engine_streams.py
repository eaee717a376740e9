"""Compressed streams and XML as they are read everywhere in a tree: whole, bounded, and no bomb."""

from __future__ import annotations

import bz2
import contextlib
import gzip
import io
import lzma
import os
import tracemalloc
from typing import Any, BinaryIO, cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from depotserve.tree import compression
from depotserve.tree.compression import CutShortError, DamagedError, TooLargeError
from depotserve.tree.xml_events import BadXmlError, End, Start, events

zstd: Any = compression.zstd
PACK: dict[str, Any] = {
    "gzip": gzip.compress,
    "bzip2": bz2.compress,
    "xz": lzma.compress,
    "zstd": zstd.compress,
}
MOST = 64 * 1024 * 1024
SIZES = (0, 1, compression.PIECE - 1, compression.PIECE, compression.PIECE + 1, 1_000_003)


def _through(data: bytes, most: int = MOST) -> bytes:
    return compression.opened(io.BytesIO(data), most=most).read()


@pytest.mark.parametrize("name", PACK)
def test_what_was_compressed_comes_out_whole_and_in_small_pieces(name: str) -> None:
    for size in SIZES:
        content = os.urandom(size // 2) + bytes(size - size // 2)
        assert _through(PACK[name](content)) == content
        pieces = list(compression.decompressed(io.BytesIO(PACK[name](content)), name))
        assert b"".join(pieces) == content
        assert max(map(len, pieces), default=0) <= compression.PIECE


@pytest.mark.parametrize("name", PACK)
def test_streams_that_follow_each_other_count_as_one(name: str) -> None:
    parts = [b"pump", b"", os.urandom(700_000), b"valve"]
    assert _through(b"".join(map(PACK[name], parts))) == b"".join(parts)


@pytest.mark.parametrize("name", PACK)
def test_a_stream_cut_anywhere_is_cut_short(name: str) -> None:
    whole = PACK[name](os.urandom(3000))
    for end in [*range(6, 60), *range(60, len(whole), 97), len(whole) - 1]:
        with pytest.raises((CutShortError, DamagedError)):
            _through(whole[:end])


@pytest.mark.slow
@pytest.mark.parametrize("name", PACK)
def test_a_bomb_stops_at_the_bound_and_takes_no_memory(name: str) -> None:
    bomb = PACK[name](bytes(100 * 1024 * 1024))
    tracemalloc.start()
    try:
        with pytest.raises(TooLargeError, match="holds more than 1000000 bytes"):
            _through(bomb, most=1_000_000)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 30 * 1024 * 1024


def test_padding_is_taken_where_the_format_has_it_and_else_told() -> None:
    for name in ("gzip", "xz"):
        assert _through(PACK[name](b"x") + bytes(1024)) == b"x"
        assert _through(PACK[name](b"x") + bytes(1024) + PACK[name](b"y")) == b"xy"
        assert _through(PACK[name](b"x") + bytes(600_000) + PACK[name](b"y")) == b"xy"
    for name in ("bzip2", "zstd"):
        with pytest.raises(DamagedError):
            _through(PACK[name](b"x") + bytes(1024))


@pytest.mark.parametrize("name", PACK)
def test_what_follows_a_stream_and_is_none_is_told(name: str) -> None:
    for junk in (b"j", b"junk that is longer than any magic number", PACK["bzip2"](b"z")[:3]):
        with pytest.raises(DamagedError):
            _through(PACK[name](b"x") + b"\1" + junk)


def test_what_is_not_compressed_is_given_as_it_is_and_bounded_too() -> None:
    for content in (b"", b"\x1f", b"plain text\n" * 9, os.urandom(600_000)):
        assert _through(b"P" + content) == b"P" + content
    with pytest.raises(TooLargeError):
        _through(bytes(1001), most=1000)
    assert _through(bytes(1000), most=1000) == bytes(1000)


def test_a_window_that_is_larger_than_is_recommended_is_refused() -> None:
    parameter = zstd.CompressionParameter
    compressor = zstd.ZstdCompressor(
        options={parameter.window_log: 28, parameter.content_size_flag: 0}
    )
    large = compressor.compress(b"x" * 10) + compressor.flush()
    with pytest.raises(TooLargeError):
        _through(large)


@pytest.mark.slow
@settings(max_examples=5000, deadline=None)
@given(
    st.sampled_from(sorted(PACK)),
    st.binary(max_size=200),
    st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 255)), max_size=4),
)
def test_damage_of_any_kind_raises_only_what_is_promised(
    name: str, content: bytes, flips: list[tuple[int, int]]
) -> None:
    data = bytearray(PACK[name](content))
    for place, value in flips:
        data[place % len(data)] ^= value
    with contextlib.suppress(DamagedError, TooLargeError):
        out = _through(bytes(data), most=1_000_000)
        assert len(out) <= 1_000_000


# XML.


def test_events_come_in_order_with_their_own_text_and_namespaces() -> None:
    xml = b'<?xml version="1.0"?><a xmlns="urn:x" k="v">one<b>two</b>\n  <b/>three&amp;</a>'
    assert list(events(io.BytesIO(xml))) == [
        Start("urn:x|a", {"k": "v"}, 1),
        Start("urn:x|b", {}, 1),
        End("urn:x|b", "two", 1),
        Start("urn:x|b", {}, 2),
        End("urn:x|b", "", 2),
        End("urn:x|a", "onethree&", 2),
    ]


@pytest.mark.parametrize(
    ("xml", "what"),
    [
        (b'<!DOCTYPE a [<!ENTITY x "y">]><a>&x;</a>', "document type declaration is not taken"),
        (b"<!DOCTYPE a SYSTEM 'file:///etc/passwd'><a/>", "document type declaration"),
        (b"<a>&x;</a>", "undefined entity"),
        (b"<a>", "no element found"),
        (b"<a/><b/>", "junk after document element"),
        (b"", "no element found"),
        (b"<a>" * 65, "more than 64 elements"),
        (b'<?xml version="1.0" encoding="utf-7"?><a/>', "multi-byte encodings"),
        (b'<?xml version="1.0" encoding="zip_codec"?><a/>', "zip_codec"),
        (b"<a>" + b"x" * 1_100_000, "a text is longer than"),
        (b"<a k='" + b"x" * 1_200_000, "a text or tag is longer than"),
        (b"<a><!--" + b"x" * 1_200_000, "a text or tag is longer than"),
        (b"<a>" + (b"x" * 1000 + b"<b/>") * 2000, "a text is longer than"),
        (b"<a>" + b"x" * 600_000 + b"<b>" + b"x" * 600_000, "a text is longer than"),
    ],
)
def test_what_is_refused_is_told_with_its_line(xml: bytes, what: str) -> None:
    with pytest.raises(BadXmlError, match=what):
        list(events(io.BytesIO(xml)))


class _Endless(io.RawIOBase):
    """A list of very many elements, made as it is read."""

    def __init__(self, count: int) -> None:
        self._left = count

    def read(self, size: int = -1) -> bytes:  # noqa: ARG002  # a short read is one
        if self._left < 0:
            return b""
        self._left -= 1
        return b"</a>" if self._left < 0 else b"\n  <b>seven pumps</b>\n " * 1000


@pytest.mark.slow
def test_memory_does_not_grow_with_the_number_of_elements() -> None:
    def peak(count: int) -> int:
        stream = cast("BinaryIO", io.BufferedReader(cast("Any", _Head(_Endless(count)))))
        tracemalloc.start()
        try:
            assert sum(1 for _ in events(stream)) == 2 + 2 * 1000 * count
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    assert peak(100) < peak(10) + 1_000_000


class _Head(io.RawIOBase):
    """A stream with the beginning of the document before it."""

    def __init__(self, rest: _Endless) -> None:
        self._rest, self._next = rest, b"<a>"

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        if not self._next:
            self._next = self._rest.read()
        count = min(len(buffer), len(self._next))
        buffer[:count], self._next = self._next[:count], self._next[count:]
        return count


GOOD = b'<?xml version="1.0" encoding="UTF-8"?><a xmlns:p="urn:p"><p:b k="v">t</p:b><c/></a>'


@pytest.mark.slow
@settings(max_examples=5000, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, len(GOOD) - 1), st.integers(0, 255)), max_size=4),
    st.integers(0, len(GOOD)),
    st.binary(max_size=30),
)
def test_any_bytes_give_events_that_nest_or_what_is_promised(
    flips: list[tuple[int, int]], at: int, junk: bytes
) -> None:
    data = bytearray(GOOD)
    for place, value in flips:
        data[place] ^= value
    depth = 0
    try:
        for event in events(io.BytesIO(bytes(data[:at]) + junk + bytes(data[at:]))):
            depth += 1 if isinstance(event, Start) else -1
            assert depth >= 0
    except BadXmlError:
        return
    assert depth == 0
