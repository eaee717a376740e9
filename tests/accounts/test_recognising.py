"""An Authorization field found right once and known again, octet by octet, without a check."""

from __future__ import annotations

import base64
import logging
from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING

import bcrypt
import pytest
from account_kit import APR1, NOW, OTHER, S3CRET, UMLAUTS, Bench, bench, load, settings

from depotserve.accounts import Outcome, Verdict, hashes
from depotserve.accounts.hashes import recognise
from depotserve.accounts.terms import Previous, Terms
from depotserve.accounts.throttle import MISSES
from depotserve.config import Throttle

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from depotserve.accounts.hashes import Hash

HERE, THERE = "192.0.2.1", "192.0.2.2"
SOON = datetime.fromtimestamp(NOW, timezone.utc) + timedelta(days=14)
REFUSED = Verdict(Outcome.REFUSED)


def accepted(user: str, *, previous: bool = False) -> Verdict:
    return Verdict(Outcome.ACCEPTED, user, previous=previous)


def hash_of(text: str) -> Hash:
    found = recognise(text)
    assert found is not None
    return found


def basic(name: str, passphrase: str) -> str:
    """Write the field of a credential (RFC 7617 section 2)."""
    return "Basic " + base64.b64encode(f"{name}:{passphrase}".encode()).decode()


ANN = basic("ann", "s3cret")
DRAGON = basic("ann", "dragon")


@pytest.fixture
def checks(monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """Note each bcrypt check that runs, and let it run."""
    noted: list[bytes] = []
    real = bcrypt.checkpw

    def noting(passphrase: bytes, text: bytes) -> bool:
        noted.append(passphrase)
        return real(passphrase, text)

    monkeypatch.setattr(hashes.bcrypt, "checkpw", noting)  # type: ignore[attr-defined]
    return noted


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Bench]:
    (tmp_path / "state").mkdir()
    one = bench(tmp_path, load(f"ann:{S3CRET}\nbob:{APR1}\n"))
    yield one
    one.gate.close()


async def sign_in(made: Bench, field: str = ANN, *, address: str = HERE) -> Verdict:
    """Have the credential in a field checked, as a request that brings it does."""
    name, _, passphrase = base64.b64decode(field.split()[1]).partition(b":")
    return await made.gate.check(address, name.decode(), passphrase, field=field)


async def test_a_field_is_known_once_its_credential_was_found_right(
    made: Bench, checks: list[bytes]
) -> None:
    assert made.gate.recognise(HERE, ANN) is None
    assert await sign_in(made) == accepted("ann")
    for address in (HERE, THERE, "2001:db8::1", "unix"):
        assert made.gate.recognise(address, ANN) == accepted("ann")
    assert checks == [b"s3cret"]


async def test_an_apr1_users_field_is_known_too(made: Bench) -> None:
    field = basic("bob", "s3cret")
    assert await sign_in(made, field) == accepted("bob")
    assert made.gate.recognise(HERE, field) == accepted("bob")
    assert made.gate.recognise(HERE, ANN) is None


async def test_a_field_whose_credential_is_remembered_is_known_from_its_first_recall(
    made: Bench, checks: list[bytes]
) -> None:
    assert await made.gate.check(HERE, "ann", b"s3cret") == accepted("ann")
    assert made.gate.recognise(HERE, ANN) is None
    assert made.gate.recall(HERE, "ann", b"s3cret", field=ANN) == accepted("ann")
    assert made.gate.recognise(HERE, ANN) == accepted("ann")
    assert checks == [b"s3cret"]


async def test_a_credential_without_a_field_makes_no_field_known(made: Bench) -> None:
    assert await made.gate.check(HERE, "ann", b"s3cret") == accepted("ann")
    assert made.gate.recall(HERE, "ann", b"s3cret") == accepted("ann")
    assert made.gate.recognise(HERE, ANN) is None
    assert made.gate.recognise(HERE, "") is None


async def test_a_field_that_was_refused_is_not_known(made: Bench) -> None:
    for wrong in (basic("ann", "S3cret"), basic("nobody", "s3cret"), basic("ann", "")):
        assert await sign_in(made, wrong) == REFUSED
        assert made.gate.recognise(HERE, wrong) is None


async def test_no_field_that_differs_by_one_octet_is_known(made: Bench) -> None:
    await sign_in(made)
    for at, letter in enumerate(ANN):
        for other in (chr(ord(letter) ^ 1), chr(ord(letter) ^ 0x20), ""):
            assert made.gate.recognise(HERE, ANN[:at] + other + ANN[at + 1 :]) is None
        for more in (" ", "\t", "=", "A", "\0"):
            assert made.gate.recognise(HERE, ANN[:at] + more + ANN[at:]) is None
    assert made.gate.recognise(HERE, ANN + "\0") is None
    assert made.gate.recognise(HERE, ANN + " ") is None
    assert made.gate.recognise(HERE, ANN) == accepted("ann")


@pytest.mark.parametrize("field", ["\udcff", "Basic \udc80\ud800", "\u00e9", "x" * 65536])
async def test_any_octets_can_be_asked_about(made: Bench, field: str) -> None:
    assert made.gate.recognise(HERE, field) is None
    assert await made.gate.check(HERE, "ann", b"s3cret", field=field) == accepted("ann")
    assert made.gate.recognise(HERE, field) == accepted("ann")
    assert made.gate.recognise(HERE, field + "\udcff") is None


async def test_each_way_to_write_a_credential_is_known_for_itself(
    made: Bench, checks: list[bytes]
) -> None:
    # The scheme's case and the number of blanks are free (RFC 9110 section 11.1 and 11.4).
    ways = [ANN, ANN.replace("Basic", "basic"), ANN.replace(" ", "  ")]
    for way in ways:
        assert made.gate.recognise(HERE, way) is None
        assert await sign_in(made, way) == accepted("ann")
    assert [made.gate.recognise(HERE, way) for way in ways] == [accepted("ann")] * 3
    assert checks == [b"s3cret"]


async def test_a_name_in_another_normal_form_is_known_as_the_users(tmp_path: Path) -> None:
    made = bench(tmp_path, load(f"\u00e4nn:{UMLAUTS}\n"))
    field = basic("a\u0308nn", "pa\u0308sswo\u0308rd")
    assert await sign_in(made, field) == accepted("\u00e4nn")
    assert made.gate.recognise(HERE, field) == accepted("\u00e4nn")
    made.gate.close()


# How long, and how many.


async def test_a_known_field_is_forgotten_300_s_after_its_last_use(
    made: Bench, checks: list[bytes]
) -> None:
    await sign_in(made)
    for _ in range(3):
        made.clock.time += 299
        assert made.gate.recognise(HERE, ANN) == accepted("ann")
    made.clock.time += 301
    assert made.gate.recognise(HERE, ANN) is None
    assert await sign_in(made) == accepted("ann")
    assert made.gate.recognise(HERE, ANN) == accepted("ann")
    assert len(checks) == 2


async def test_known_fields_are_bounded_and_the_longest_unused_goes_first(tmp_path: Path) -> None:
    names = [f"user{number}" for number in range(1030)]
    made = bench(tmp_path, load("".join(f"{name}:{S3CRET}\n" for name in names)))
    fields = [basic(name, "s3cret") for name in names]
    for number, field in enumerate(fields):
        await sign_in(made, field)
        if number % 100 == 0:
            assert made.gate.recognise(HERE, fields[0]) == accepted("user0")
    known = [made.gate.recognise(HERE, field) is not None for field in fields]
    assert sum(known) == 1024
    assert known[0]  # used in between
    assert not any(known[1:7])
    assert all(known[7:])
    made.gate.close()


# Whoever may not sign in any more is not known.


@pytest.mark.parametrize(
    ("users", "terms"),
    [
        (f"ann:{OTHER}\n", Terms()),
        (f"bob:{S3CRET}\n", Terms()),
        ("# nobody\n", Terms()),
        (f"ann:{S3CRET}\n", Terms(disabled=True)),
        (f"ann:{S3CRET}\n", Terms(expires=datetime.fromtimestamp(NOW, timezone.utc))),
        (f"ann:{S3CRET.replace('$2y$', '$2b$')}\n", Terms()),  # the same passphrase, set anew
    ],
    ids=["other passphrase", "renamed", "removed", "disabled", "expired", "another hash"],
)
async def test_a_user_who_may_not_sign_in_is_out_at_once_though_the_field_is_known(
    made: Bench, users: str, terms: Terms
) -> None:
    await sign_in(made)
    assert made.gate.recognise(HERE, ANN) == accepted("ann")
    made.gate.replace(load(users, {"ann": terms} if terms != Terms() else None), made.settings)
    assert made.gate.recognise(HERE, ANN) is None
    made.gate.replace(load(f"ann:{S3CRET}\n"), made.settings)
    assert made.gate.recognise(HERE, ANN) == accepted("ann")


async def test_a_user_who_expires_is_out_in_that_moment(made: Bench) -> None:
    ends = datetime.fromtimestamp(NOW + 60, timezone.utc)
    made.gate.replace(load(f"ann:{S3CRET}\n", {"ann": Terms(expires=ends)}), made.settings)
    assert await sign_in(made) == accepted("ann")
    made.day.time = NOW + 59.999
    assert made.gate.recognise(HERE, ANN) == accepted("ann")
    made.day.time = NOW + 60
    assert made.gate.recognise(HERE, ANN) is None


# While guesses are throttled.


async def exhaust(made: Bench, address: str = HERE) -> None:
    """Guess until the throttle counts remembered credentials from there no more."""
    for number in range(10 + MISSES + 1):
        verdict = await made.gate.check(address, "ann", b"wrong %d" % number)
        assert verdict.outcome is not Outcome.ACCEPTED


async def test_a_known_field_passes_while_throttled_within_bounded_misses(made: Bench) -> None:
    await sign_in(made)
    for number in range(10):
        assert await made.gate.check(HERE, "ann", b"wrong %d" % number) == REFUSED
    for number in range(MISSES):
        verdict = await made.gate.check(HERE, "ann", b"%d" % number)
        assert verdict.outcome is Outcome.THROTTLED
        assert made.gate.recognise(HERE, ANN) == accepted("ann")
    await made.gate.check(HERE, "ann", b"one more")
    assert made.gate.recognise(HERE, ANN) is None
    assert (await sign_in(made)).outcome is Outcome.THROTTLED
    made.clock.time += 300
    assert await sign_in(made) == accepted("ann")
    assert made.gate.recognise(HERE, ANN) == accepted("ann")


@pytest.mark.parametrize(
    ("guesser", "same", "other"),
    [
        ("192.0.2.1", "::ffff:192.0.2.1", "192.0.2.2"),
        ("2001:db8::1", "2001:db8::ffff:2", "2001:db8:0:1::1"),
    ],
)
async def test_misses_from_one_network_keep_out_nobody_from_another(
    made: Bench, guesser: str, same: str, other: str
) -> None:
    await sign_in(made, address=other)
    await exhaust(made, guesser)
    assert made.gate.recognise(guesser, ANN) is None
    assert made.gate.recognise(same, ANN) is None
    assert made.gate.recognise(other, ANN) == accepted("ann")


async def test_misses_at_one_name_keep_out_no_other_user(made: Bench) -> None:
    bob = basic("bob", "s3cret")
    await sign_in(made)
    await sign_in(made, bob)
    await exhaust(made)
    assert made.gate.recognise(HERE, ANN) is None
    assert made.gate.recognise(HERE, bob) == accepted("bob")


async def test_asking_about_fields_counts_as_no_guess(made: Bench) -> None:
    strict = settings(made.settings.home, throttle=Throttle(failures=2, seconds=60.0))
    made.gate.replace(load(f"ann:{S3CRET}\n"), strict)
    for number in range(1000):
        assert made.gate.recognise(HERE, basic("ann", f"wrong {number}")) is None
    assert await sign_in(made) == accepted("ann")


# The previous passphrase.


async def test_the_previous_passphrases_field_is_known_as_such_until_its_date(
    made: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    kept = {"ann": Terms(previous=Previous(hash_of(OTHER), SOON))}
    made.gate.replace(load(f"ann:{S3CRET}\n", kept), made.settings)
    assert await sign_in(made) == accepted("ann")
    with caplog.at_level(logging.WARNING, "depotserve.accounts"):
        assert await sign_in(made, DRAGON) == accepted("ann", previous=True)
        for address in (HERE, THERE):
            assert made.gate.recognise(address, DRAGON) == accepted("ann", previous=True)
            assert made.gate.recognise(address, ANN) == accepted("ann")
    assert caplog.messages == [
        f"user ann at {address} still uses the previous passphrase, which ends 2027-01-29T08:00:00Z"
        for address in (HERE, THERE)
    ]
    made.day.time = SOON.timestamp() - 0.001
    assert made.gate.recognise(HERE, DRAGON) == accepted("ann", previous=True)
    made.day.time = SOON.timestamp()
    assert made.gate.recognise(HERE, DRAGON) is None
    assert made.gate.recognise(HERE, ANN) == accepted("ann")


async def test_a_known_field_becomes_the_previous_ones_when_the_passphrase_is_replaced(
    made: Bench,
) -> None:
    await sign_in(made)
    kept = {"ann": Terms(previous=Previous(hash_of(S3CRET), SOON))}
    made.gate.replace(load(f"ann:{OTHER}\n", kept), made.settings)
    assert made.gate.recognise(HERE, ANN) == accepted("ann", previous=True)
    assert made.gate.recognise(HERE, DRAGON) is None
    made.gate.replace(load(f"ann:{OTHER}\n"), made.settings)
    assert made.gate.recognise(HERE, ANN) is None


async def test_a_disabled_users_previous_field_is_not_known(made: Bench) -> None:
    previous = Previous(hash_of(OTHER), SOON)
    terms = {"ann": Terms(previous=previous)}
    made.gate.replace(load(f"ann:{S3CRET}\n", terms), made.settings)
    assert await sign_in(made, DRAGON) == accepted("ann", previous=True)
    terms = {"ann": Terms(disabled=True, previous=previous)}
    made.gate.replace(load(f"ann:{S3CRET}\n", terms), made.settings)
    assert made.gate.recognise(HERE, DRAGON) is None
