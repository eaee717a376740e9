"""Every row of hashes.json; each names its source, and the implementations that confirmed it."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import harness
import pytest

from depotserve.accounts import users_file
from depotserve.accounts.hashes import LONGEST, make, recognise, verify

ROWS: dict[str, Any] = json.loads(Path(__file__).with_name("hashes.json").read_text())
FITTING = [row for row in ROWS["bcrypt"] if row["password_bytes"] <= LONGEST]
CUT = [row for row in ROWS["bcrypt"] if row["password_bytes"] > LONGEST]


def password(row: dict[str, Any]) -> bytes:
    given = row["password"]
    return bytes.fromhex(given["hex"]) if isinstance(given, dict) else given.encode()


@pytest.mark.parametrize("row", FITTING + ROWS["apr1"], ids=lambda row: row["hash"])
def test_a_published_pair_verifies_and_no_other_password_does(row: dict[str, Any]) -> None:
    known = recognise(row["hash"])
    assert known is not None
    assert known.cost == row.get("cost")
    assert verify(password(row), known)
    assert not verify(password(row) + b"x", known)
    assert not verify(b"\x01" + password(row)[1:], known)


@pytest.mark.parametrize("row", CUT, ids=lambda row: row["hash"])
def test_a_password_that_bcrypt_would_cut_is_never_right(row: dict[str, Any]) -> None:
    # The vectors show that only 72 bytes count. NIST SP 800-63B-4 section 3.1.1.2: the entire
    # password is verified, so over 72 bytes nothing can be right; the first 72 of them are.
    known = recognise(row["hash"])
    assert known is not None
    assert not verify(password(row), known)
    assert verify(password(row)[:LONGEST], known)


@pytest.mark.parametrize("row", ROWS["must_not_verify"], ids=lambda row: row["reason"])
def test_what_must_not_verify_is_refused_when_it_is_read_or_does_not_verify(
    row: dict[str, Any],
) -> None:
    known = recognise(row["hash"])
    if row["reason"] == "wrong password":
        assert known is not None
        assert not verify(row["password"].encode(), known)
    else:
        assert known is None
        entries, faults = users_file.read(f"ann:{row['hash']}\n".encode())
        assert (entries, [fault.line for fault in faults]) == ([], [1])
        assert not row["hash"] or row["hash"] not in faults[0].what


def test_the_published_users_file_is_read_as_we_argue() -> None:
    # Line 6: a second alice refuses the file, since neither choice is sure to be the one meant.
    # Line 5: more after the hash is refused, not passed over: it may be a cut or joined line.
    # Line 9: a name with outer blanks is refused, so that it is neither trimmed nor unreachable.
    entries, faults = users_file.read(ROWS["users_file"]["text"].encode())
    assert [(entry.line, entry.name) for entry in entries] == [
        (3, "alice"),
        (4, "bob"),
        (10, "\u00fcnal"),
    ]
    assert [fault.line for fault in faults] == [5, 6, 7, 8, 9]
    known = {entry.name: entry.hash for entry in entries}
    assert verify(b"open sesame", known["alice"])
    assert not verify(b"pass1", known["alice"])
    assert verify(b"myPassword", known["bob"])
    assert verify(b"password", known["\u00fcnal"])  # openssl passwd -apr1 -salt xxxxxxxx


@pytest.mark.parametrize(
    "passphrase", ["s3cret", "p\u00e4ssw\u00f6rd", " outer blanks ", "x" * 100, "a:b%41@/"]
)
def test_apr1_agrees_with_openssl(passphrase: str) -> None:
    openssl = shutil.which("openssl") or harness.need("openssl")
    made = subprocess.run(
        [openssl, "passwd", "-apr1", "-stdin"],
        input=passphrase.encode() + b"\n",
        capture_output=True,
        check=True,
        timeout=60,
    ).stdout.decode()
    known = recognise(made.strip())
    assert known is not None
    assert verify(passphrase.encode(), known)
    assert not verify(passphrase.encode() + b"x", known)


def test_a_hash_made_here_is_bcrypt_2b_under_a_fresh_salt() -> None:
    one, two = make("tidal basin", 4), make("tidal basin", 4)
    assert one.text.startswith("$2b$04$")
    assert one.text != two.text
    assert recognise(one.text) == one
    assert verify(b"tidal basin", one)


@pytest.mark.parametrize("text", [b"a" * 73, b"a" * 100_000, b"s3\0cret", b"\xff\xfe", b""])
def test_no_bytes_make_a_check_raise(text: bytes) -> None:
    for row in (ROWS["bcrypt"][0], ROWS["apr1"][0]):
        known = recognise(row["hash"])
        assert known is not None
        assert not verify(text, known)


def test_a_nul_does_not_end_a_password() -> None:
    known = recognise(make("s3cret", 4).text)
    assert known is not None
    assert verify(b"s3cret", known)
    assert not verify(b"s3cret\0", known)
    assert not verify(b"s3cret\0junk", known)


@pytest.mark.parametrize(("cost", "taken"), [(3, False), (4, True), (31, True), (32, False)])
def test_only_costs_that_bcrypt_knows_are_recognised(cost: int, *, taken: bool) -> None:
    text = ROWS["bcrypt"][0]["hash"].replace("$05$", f"${cost:02d}$")
    assert (recognise(text) is not None) is taken


def test_a_salt_or_digest_with_unused_bits_set_is_no_hash() -> None:
    # bcrypt 4.0.1 to 5.0.0 raise "Invalid salt" for the first and never make the second.
    good = ROWS["bcrypt"][0]["hash"]
    assert recognise(good[:28] + "v" + good[29:]) is None
    assert recognise(good[:-1] + "X") is None
