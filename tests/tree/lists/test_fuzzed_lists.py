"""Whatever a reader is fed: entries and refusals, one kind of error, no way out of the tree."""

from __future__ import annotations

import io
import os.path
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from list_kit import DECLARATION, H

from depotserve.tree.expectations.listed import (
    Listed,
    Place,
    Reader,
    Unreadable,
    UnusableError,
    resolve,
)
from depotserve.tree.expectations.lists import bag, checksum_lines
from depotserve.tree.manifest import manifest_line

if TYPE_CHECKING:
    from collections.abc import Iterable

# Pieces of which good and nearly good lists are made.
PIECES = [
    *(H, H.upper(), H[:63], H[:40], H[:32], H * 2, b"SHA256 (", b"BLAKE2b-256(", b") = ", b")="),
    *(b" ", b"  ", b" *", b"\t", b"\n", b"\r\n", b"\r", b"\0", b"\\", b"\\n", b"\\\\", b"#", b"-"),
    *(b"x", b"data/x", b"../x", b"/x", b"~", b"..", b"./", b"//", b"%0A", b"%25", b"%", b"\xff"),
    *(b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff", b"\xff\xfe\0\0", b"http://x/", b" 7 ", b" - "),
    *(b"-----BEGIN PGP SIGNED MESSAGE-----\n", b"Hash: SHA256\n\n", b"- "),
    *(b"-----BEGIN PGP SIGNATURE-----\n", b"-----END PGP SIGNATURE-----\n", b"9" * 5000),
    *(b"x" * 70_000, "\u0661".encode(), H + b"  x\n", H + b"  data/y\n"),
]
# Drawn as bytes, one a piece: as values of their own they took longer than to be read.
TEXT = st.one_of(
    st.binary(max_size=300),
    st.binary(max_size=14).map(lambda drawn: b"".join(PIECES[one % len(PIECES)] for one in drawn)),
)
MUTATED = st.tuples(
    st.lists(
        st.binary(min_size=1, max_size=20).map(lambda name: manifest_line(name, b"\x07" * 32)),
        max_size=8,
    ).map(b"".join),
    st.integers(min_value=0),
    st.binary(max_size=3),
).map(lambda made: _replaced(*made))
NAMES = [
    b"SHA256SUMS",
    b"x.iso.sha256",
    b"B2SUMS",
    b"CHECKSUMS",
    b"SHA256SUMS.asc",
    b"\xff.md5",
    b"sums.txt",
]
DECLARATIONS = [DECLARATION, DECLARATION.replace(b"1.0", b"0.97"), None]


def _replaced(text: bytes, at: int, piece: bytes) -> bytes:
    at %= len(text) + 1
    return text[:at] + piece + text[at + len(piece) :]


class InPieces(io.BytesIO):
    """A stream that gives little at a time."""

    def read(self, size: int | None = -1) -> bytes:
        """Give at most 37 bytes, or a 200th of many, so that pieces end anywhere."""
        most = max(37, len(self.getbuffer()) // 200)
        return super().read(most if size is None or size < 0 else min(size, most))


def outcome(read: Reader, stream: io.BytesIO, place: Place) -> list[object]:
    """Read to the end; the error that ends it stands last."""
    found: list[object] = []
    try:
        found.extend(read(stream, place))  # keeps what came before an error
    except UnusableError as error:
        found.append(str(error))
    return found


def check(read: Reader, text: bytes, place: Place) -> None:
    whole = outcome(read, io.BytesIO(text), place)
    assert whole == outcome(read, InPieces(text), place)
    check_items(whole, place.folder, text.count(b"\n") + text.count(b"\r") + text.count(b"\0") + 1)


def check_items(items: Iterable[object], folder: bytes, most: int) -> None:
    for item in items:
        if isinstance(item, Listed):
            check_entry(item, folder)
            assert 1 <= item.line <= most
        elif isinstance(item, Unreadable):
            assert item.why
            assert 1 <= item.line <= most
        else:
            assert item, "an error says why"


def check_entry(entry: Listed, folder: bytes) -> None:
    assert entry.path
    assert b"\0" not in entry.path
    assert all(isinstance(name, str) and value for name, value in entry.digests)
    assert entry.size is None or 0 <= entry.size < 2**63
    for base in (b"", folder):
        path = resolve(base, entry.path)
        if path is not None:
            joined = os.path.normpath(b"/root/" + path)
            assert joined.startswith(b"/root/")


fuzz = settings(
    max_examples=5000,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


@pytest.mark.slow
@fuzz
@given(text=st.one_of(TEXT, MUTATED), name=st.sampled_from(NAMES), own=st.booleans())
def test_any_checksum_list_ends_in_entries_and_refusals(
    text: bytes, name: bytes, *, own: bool
) -> None:
    place = Place(b"depth/" + name, lambda _: b"" if own else None)
    check(checksum_lines.read, text, place)


@pytest.mark.slow
@fuzz
@given(
    text=st.one_of(TEXT, MUTATED),
    name=st.sampled_from([b"manifest-sha256.txt", b"tagmanifest-sha256.txt"]),
    declaration=st.one_of(st.sampled_from(DECLARATIONS), st.binary(max_size=80)),
)
def test_any_manifest_of_a_bag_ends_in_entries_and_refusals(
    text: bytes, name: bytes, declaration: bytes | None
) -> None:
    check(bag.read_manifest, text, Place(b"depth/" + name, lambda _: declaration))


@pytest.mark.slow
@fuzz
@given(text=TEXT, declaration=st.sampled_from(DECLARATIONS))
def test_any_fetch_list_of_a_bag_ends_in_entries_and_refusals(
    text: bytes, declaration: bytes | None
) -> None:
    check(bag.read_fetch_list, text, Place(b"depth/fetch.txt", lambda _: declaration))


@pytest.mark.slow
@fuzz
@given(
    names=st.lists(
        st.binary(min_size=1, max_size=40).filter(lambda name: b"\0" not in name),
        min_size=1,
        max_size=5,
    ),
    digest=st.binary(min_size=32, max_size=32),
)
def test_what_the_manifest_writes_is_read_back(names: list[bytes], digest: bytes) -> None:
    text = b"".join(manifest_line(name, digest) for name in names)
    items = list(checksum_lines.read(io.BytesIO(text), Place(b"SHA256SUMS")))
    assert items == [
        Listed(name, line, None, (("sha256", digest),)) for line, name in enumerate(names, 1)
    ]
