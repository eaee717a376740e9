"""Whatever a file holds, reading it ends in certificates and keys or in one sentence."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from issuing import Organisation, openssl

from depotserve.errors import CallerError
from depotserve.tls.intake import TakenIn, take_in

if TYPE_CHECKING:
    from pathlib import Path

PASSPHRASE = "pump-7-valve"


def read(content: bytes) -> TakenIn | None:
    """Read bytes; None for a refusal, which must be one line."""
    try:
        return take_in(content, name="came.pem", passphrase=PASSPHRASE)
    except CallerError as error:
        said = str(error)
    assert "\n" not in said
    assert said.startswith("came.pem: ")
    return None


def shapes(at: Path, of: Organisation) -> dict[str, bytes]:
    """Give the same chain and key in every kind of encoding."""
    text = of.leaf.pem + of.middle.pem + of.root.pem + of.leaf.key_pem
    (at / "all.pem").write_bytes(text)
    (at / "key.pem").write_bytes(of.leaf.key_pem)
    word = f"pass:{PASSPHRASE}"
    # Few rounds: what is tested is not how long a guess takes.
    rounds = ["-iter", "1"]
    made = ["pkcs12", "-export", "-in", at / "all.pem", "-passout", word, *rounds]
    closed = ["pkcs8", "-topk8", "-in", at / "key.pem", "-passout", word, *rounds]
    return {
        "PEM": text,
        "UTF-16": text.decode().encode("utf-16"),
        "DER": of.leaf.der,
        "PKCS #7": openssl("crl2pkcs7", "-nocrl", "-certfile", at / "all.pem", "-outform", "DER"),
        "PKCS #12": openssl(*made),
        "encrypted key": openssl(*closed, "-outform", "DER"),
        "older encrypted key": openssl("ec", "-aes256", "-in", at / "key.pem", "-passout", word),
        "request": openssl("req", "-new", "-key", at / "key.pem", "-subj", "/CN=x"),
    }


def test_a_file_that_was_cut_anywhere_gives_less_or_is_refused(
    tmp_path: Path, organisation: Organisation
) -> None:
    for name, whole in shapes(tmp_path, organisation).items():
        found = read(whole)
        assert found is not None, name
        assert found.certificates or found.keys or found.requests
        for end in range(0, len(whole.rstrip(b"\n\x00")) - 1, 7):
            part = read(whole[:end])
            # A text may end between two blocks; nothing else may be taken for whole.
            between = b"\n-----" in whole[:end].replace(b"\x00", b"")[-40:]
            assert part is None or between, end


def test_flipped_bits_end_in_certificates_or_in_one_sentence(
    tmp_path: Path, organisation: Organisation
) -> None:
    chance = random.Random(7)  # noqa: S311  # the same every time
    for whole in shapes(tmp_path, organisation).values():
        for _ in range(150):
            damaged = bytearray(whole)
            damaged[chance.randrange(len(whole))] ^= 1 << chance.randrange(8)
            read(bytes(damaged))


@settings(deadline=None, max_examples=300)
@given(st.binary(max_size=200), st.sampled_from([b"", b"0", b"0\x80", b"-----BEGIN ", b"\xff\xfe"]))
def test_any_bytes_end_in_one_sentence(content: bytes, start: bytes) -> None:
    read(start + content)


@pytest.mark.parametrize(
    "unit", [b"-----BEGIN A", b"-----BEGIN A-----", b"-", b"MA", b" \r", b"\x00", b"0\x80"]
)
def test_a_large_file_of_one_thing_is_judged_at_once(unit: bytes) -> None:
    whole = (unit * (1 << 20))[: 1 << 20]
    for content in (whole, whole[:-1] + b"!"):
        assert read(content) is None  # the suite's own limit of time is the other check
