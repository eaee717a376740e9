"""Every refusal costs the same, counted in key expansions (2 to the cost) that really ran."""

from __future__ import annotations

import time
from datetime import datetime, timezone
from statistics import median
from typing import Any

import bcrypt
import pytest
from account_kit import APR1, NOW, OTHER, S3CRET, load
from hypothesis import given
from hypothesis import strategies as st

from depotserve.accounts import hashes
from depotserve.accounts.examine import examine, forms, padding
from depotserve.accounts.hashes import recognise
from depotserve.accounts.model import Accounts, Work
from depotserve.accounts.terms import Previous, Terms

LATER = datetime(2028, 1, 1, tzinfo=timezone.utc)
SEVEN = S3CRET.replace("$04$", "$07$")  # nobody knows what it matches
PREVIOUS = recognise(OTHER.replace("$04$", "$05$"))
assert PREVIOUS is not None
KNOWN = load(
    f"ann:{SEVEN}\nlow:{S3CRET}\nold:{APR1}\noff:{SEVEN}\ntwo:{SEVEN}\n",
    {"off": Terms(disabled=True), "two": Terms(previous=Previous(PREVIOUS, LATER))},
)
NFD = "pa\u0308ssword".encode()


@pytest.fixture
def rounds(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Count what bcrypt is made to do, and still let it."""
    done: list[int] = []
    real = bcrypt.checkpw

    def counting(passphrase: bytes, text: bytes) -> bool:
        done.append(1 << int(text[4:6]))
        return real(passphrase, text)

    monkeypatch.setattr(hashes.bcrypt, "checkpw", counting)  # type: ignore[attr-defined]
    return done


def refuse(known: Accounts, name: str, passphrase: bytes) -> None:
    account = known.get(name)
    in_force = account.in_force(NOW) if account and account.is_open(NOW) else ()
    assert examine(passphrase, in_force, known.highest_work(NOW)) is None


@pytest.mark.parametrize("name", ["ann", "low", "old", "off", "two", "nobody", ""])
@pytest.mark.parametrize(
    ("passphrase", "times"),
    [(b"x", 1), (b"x" * 73, 1), (b"x\0", 1), (b"\xff", 1), (b"", 1), (NFD, 2), (b"x" * 10_000, 1)],
)
def test_a_refusal_costs_the_same_whoever_is_named(
    rounds: list[int], name: str, passphrase: bytes, times: int
) -> None:
    refuse(KNOWN, name, passphrase)
    assert sum(rounds) == times * (2**7 + 2**5)


def test_apr1_checks_are_evened_out_too(monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    real = hashes.apr_md5_crypt.verify

    def counting(passphrase: bytes, text: str) -> Any:
        done.append(text)
        return real(passphrase, text)

    monkeypatch.setattr(hashes.apr_md5_crypt, "verify", counting)
    for name in ("old", "low", "nobody"):
        refuse(KNOWN, name, b"x")
    assert len(done) == 3


def test_the_previous_hash_counts_only_while_it_is_in_force() -> None:
    assert KNOWN.highest_work(NOW) == Work(2**7 + 2**5, 1)
    assert KNOWN.highest_work(LATER.timestamp()) == Work(2**7, 1)


def test_a_match_stops_at_once(rounds: list[int]) -> None:
    low = recognise(S3CRET)
    assert low is not None
    assert examine(b"s3cret", (low,), KNOWN.highest_work(NOW)) == low
    assert rounds == [2**4]


def test_the_bytes_as_sent_come_first_then_normal_form_c() -> None:
    nfc = "p\u00e4ssword".encode()
    assert forms(NFD) == (NFD, nfc)
    assert forms(nfc) == (nfc,)
    assert forms("\u00e4".encode("latin-1")) == ()
    assert forms(b"a\0b") == ()
    assert forms(b"a" * 72) == (b"a" * 72,)
    assert forms(b"a" * 73) == ()
    # 24 times two code points of three bytes: 72 bytes, and 48 in normal form C
    assert forms("a\u0308".encode() * 24) == ("a\u0308".encode() * 24, "\u00e4".encode() * 24)
    # over 72 bytes as sent, and right in the form that it was set in
    assert forms("a\u0308".encode() * 36) == ("\u00e4".encode() * 36,)


@given(st.integers(0, 2**16))
def test_padding_is_exactly_what_is_left(units: int) -> None:
    costs = list(padding(units * 16))
    assert sum(1 << cost for cost in costs) == units * 16
    assert len(costs) == len(set(costs))
    assert all(4 <= cost <= 31 for cost in costs)


@pytest.mark.slow
def test_known_and_unknown_names_take_the_same_time() -> None:
    known = load(f"ann:{S3CRET.replace('$04$', '$09$')}\nlow:{S3CRET}\n")
    spent: dict[str, list[float]] = {"ann": [], "low": [], "nobody": []}
    # In turns, and by this thread's own processor time: what else the machine does counts for none.
    for _ in range(15):
        for name, times in spent.items():
            begun = time.thread_time()
            refuse(known, name, b"wrong")
            times.append(time.thread_time() - begun)
    assert 0.5 < median(spent["ann"]) / median(spent["nobody"]) < 2.0
    assert 0.5 < median(spent["low"]) / median(spent["nobody"]) < 2.0
