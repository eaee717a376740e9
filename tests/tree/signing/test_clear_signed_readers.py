"""What is verified and what is read of a clear-signed list are the same lines, or it is refused."""

from __future__ import annotations

import contextlib
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from signing_kit import signed_text

from depotserve.tree.authenticity import BrokenError
from depotserve.tree.expectations import cleartext
from depotserve.tree.expectations.listed import UnusableError

BEGIN = b"-----BEGIN PGP SIGNED MESSAGE-----"
SIGNATURE = b"-----BEGIN PGP SIGNATURE-----"
PARTS = [
    *(BEGIN, SIGNATURE, b"-----END PGP SIGNATURE-----", b"Hash: SHA512", b"Comment: x", b"", b" "),
    *(b"- -dash", b"-dash", b"- ", b"name  \t", b"\r", b"iQIzBA==", b"=abcd", b"\xef\xbb\xbf"),
    *(b"a  pump.img", b"\x0c", b"\x0b", b"\x85", b"\xe2\x80\xa8"),
]
PIECES = st.lists(st.sampled_from(PARTS), max_size=6)


def whole(text: list[bytes], end: bytes = b"\n") -> bytes:
    return end.join(
        [BEGIN, b"Hash: SHA512", b"", *text, SIGNATURE, b"", b"iQIzBA==", PARTS[2], b""]
    )


def read(content: bytes) -> bytes:
    """Give what a reader of lists gets."""
    lines = cleartext.signed_text(cleartext.lines(io.BytesIO(content)))
    return b"".join(line.text + b"\n" for line in lines)


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_a_plain_message_is_read_as_it_is_verified(end: bytes) -> None:
    content = whole([b"a  pump.img", b"- -dash", b"valve \t"], end)
    assert read(content) == signed_text(content) == b"a  pump.img\n-dash\nvalve\n"


@pytest.mark.slow
@settings(max_examples=2000, deadline=None)
@given(PIECES, PIECES, PIECES, st.sampled_from([b"\n", b"\r\n"]))
def test_whatever_is_taken_for_verification_is_read_alike(
    before: list[bytes], text: list[bytes], after: list[bytes], end: bytes
) -> None:
    content = end.join([*before, whole(text, end) + end.join(after)])
    with contextlib.suppress(BrokenError, UnusableError):
        verified = signed_text(content)
        assert read(content) == verified
