"""The gate, driven by clocks that the tests turn; every hash is a real one and really checked."""

from __future__ import annotations

import asyncio
import json
import logging
import multiprocessing
import os
import pickle
import time
from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any

import bcrypt
import pytest
from account_kit import (
    APR1,
    BLANK,
    COLONS,
    LONG,
    NOW,
    OTHER,
    PERCENT,
    S3CRET,
    UMLAUTS,
    Bench,
    Clock,
    bench,
    load,
    settings,
    slots,
)

from depotserve.accounts import FailureCounts, Gate, Outcome, Verdict, hashes, usage
from depotserve.accounts.hashes import recognise
from depotserve.accounts.terms import Previous, Terms
from depotserve.accounts.throttle import MISSES
from depotserve.config import Throttle

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

HERE, THERE = "192.0.2.1", "192.0.2.2"
PREVIOUS = recognise(OTHER)
assert PREVIOUS is not None
SOON = datetime.fromtimestamp(NOW, timezone.utc) + timedelta(days=14)
REFUSED = Verdict(Outcome.REFUSED)


def accepted(user: str, *, previous: bool = False) -> Verdict:
    return Verdict(Outcome.ACCEPTED, user, previous=previous)


@pytest.fixture
def checks(monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """Note each bcrypt check that runs, and let it run."""
    seen: list[bytes] = []
    real = bcrypt.checkpw

    def noting(passphrase: bytes, text: bytes) -> bool:
        seen.append(passphrase)
        return real(passphrase, text)

    monkeypatch.setattr(hashes.bcrypt, "checkpw", noting)  # type: ignore[attr-defined]
    return seen


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Bench]:
    (tmp_path / "state").mkdir()
    one = bench(tmp_path, load(f"ann:{S3CRET}\nbob:{APR1}\n"))
    yield one
    one.gate.close()


async def fail(gate: Gate, times: int, *, address: str = HERE, name: str = "ann") -> list[Outcome]:
    found = [await gate.check(address, name, b"wrong %d" % each) for each in range(times)]
    return [verdict.outcome for verdict in found]


# B03, B05 and the settled question of encodings
@pytest.mark.parametrize(
    ("name", "stored", "offered", "right"),
    [
        ("ann", S3CRET, b"s3cret", True),
        ("ann", S3CRET, b"S3cret", False),
        ("ann", S3CRET, b"s3cret\0", False),
        ("ann", S3CRET, b"", False),
        ("ann", APR1, b"s3cret", True),
        ("ann", COLONS, b"se:cr:et", True),
        ("ann", PERCENT, b"p%2Bw@x", True),
        ("ann", PERCENT, b"p+w@x", False),
        ("ann", UMLAUTS, "p\u00e4ssw\u00f6rd".encode(), True),
        ("ann", UMLAUTS, "pa\u0308sswo\u0308rd".encode(), True),  # taken in normal form C
        ("ann", UMLAUTS, "p\u00e4ssw\u00f6rd".encode("latin-1"), False),  # no encoding is guessed
        ("ann", BLANK, b" lead", True),
        ("ann", BLANK, b"lead", False),
        ("ann", LONG, b"a" * 72, True),
        ("ann", LONG, b"a" * 73, False),
        ("ann", LONG, b"a" * 100_000, False),
        ("ann", APR1, b"s3cret" + b"x" * 67, False),
        ("\u00fcnal", S3CRET, b"s3cret", True),
    ],
)
async def test_a_credential_is_judged_by_its_bytes(
    tmp_path: Path, name: str, stored: str, offered: bytes, right: bool
) -> None:
    gate = bench(tmp_path, load(f"{name}:{stored}\n")).gate
    begun = time.monotonic()
    assert await gate.check(HERE, name, offered) == (accepted(name) if right else REFUSED)
    assert (gate.recall(HERE, name, offered) is not None) is right
    assert time.monotonic() - begun < 5
    gate.close()


async def test_a_name_is_known_in_either_normal_form_and_exactly_otherwise(tmp_path: Path) -> None:
    gate = bench(tmp_path, load(f"\u00e4nn:{S3CRET}\n")).gate
    assert await gate.check(HERE, "a\u0308nn", b"s3cret") == accepted("\u00e4nn")
    assert gate.recall(HERE, "a\u0308nn", b"s3cret") == accepted("\u00e4nn")
    assert await gate.check(HERE, "\u00c4nn", b"s3cret") == REFUSED
    assert await gate.check(HERE, "\u00e4nn ", b"s3cret") == REFUSED
    assert await gate.refuse(HERE) == REFUSED
    gate.close()


async def test_a_success_is_remembered_and_another_passphrase_is_still_wrong(
    made: Bench, checks: list[bytes]
) -> None:
    assert made.gate.recall(HERE, "ann", b"s3cret") is None
    assert await made.gate.check(HERE, "ann", b"s3cret") == accepted("ann")
    for _ in range(200):
        assert made.gate.recall(THERE, "ann", b"s3cret") == accepted("ann")
        assert await made.gate.check(HERE, "ann", b"s3cret") == accepted("ann")
    assert checks == [b"s3cret"]
    assert made.gate.recall(HERE, "ann", b"s3creT") is None
    assert made.gate.recall(HERE, "bob", b"s3cret") is None
    assert await made.gate.check(HERE, "ann", b"s3creT") == REFUSED


async def test_a_remembered_success_is_forgotten_300_s_after_its_last_use(
    made: Bench, checks: list[bytes]
) -> None:
    await made.gate.check(HERE, "ann", b"s3cret")
    for _ in range(3):
        made.clock.time += 299
        assert made.gate.recall(HERE, "ann", b"s3cret")
    made.clock.time += 301
    assert made.gate.recall(HERE, "ann", b"s3cret") is None
    assert await made.gate.check(HERE, "ann", b"s3cret") == accepted("ann")
    assert len(checks) == 2


async def test_what_is_remembered_is_bounded(tmp_path: Path) -> None:
    many = "".join(f"user{each}:{S3CRET}\n" for each in range(1030))
    gate = bench(tmp_path, load(many)).gate
    for each in range(1030):
        await gate.check(HERE, f"user{each}", b"s3cret")
    known = [gate.recall(HERE, f"user{each}", b"s3cret") is not None for each in range(1030)]
    assert sum(known) == 1024
    assert known[-1]
    assert not known[0]
    gate.close()


@pytest.mark.parametrize(
    "after",
    [
        f"ann:{OTHER}\n",
        f"bob:{S3CRET}\n",
        "# nobody\n",
    ],
)
async def test_a_changed_or_removed_user_is_out_at_once_though_remembered(
    made: Bench, after: str
) -> None:
    await made.gate.check(HERE, "ann", b"s3cret")
    made.gate.replace(load(after), made.settings)
    assert made.gate.recall(HERE, "ann", b"s3cret") is None
    assert await made.gate.check(HERE, "ann", b"s3cret") == REFUSED
    made.gate.replace(load(f"ann:{S3CRET}\n"), made.settings)
    assert made.gate.recall(HERE, "ann", b"s3cret") == accepted("ann")


async def test_disabled_and_expired_are_looked_at_each_time_though_remembered(
    made: Bench,
) -> None:
    soon = datetime.fromtimestamp(NOW + 60, timezone.utc)
    made.gate.replace(load(f"ann:{S3CRET}\n", {"ann": Terms(expires=soon)}), made.settings)
    assert await made.gate.check(HERE, "ann", b"s3cret") == accepted("ann")
    made.day.time = NOW + 59
    assert made.gate.recall(HERE, "ann", b"s3cret") == accepted("ann")
    made.day.time = NOW + 60
    assert made.gate.recall(HERE, "ann", b"s3cret") is None
    assert await made.gate.check(HERE, "ann", b"s3cret") == REFUSED
    made.gate.replace(load(f"ann:{S3CRET}\n", {"ann": Terms(disabled=True)}), made.settings)
    assert made.gate.recall(HERE, "ann", b"s3cret") is None
    assert await made.gate.check(HERE, "ann", b"s3cret") == REFUSED


async def test_a_user_who_is_changed_while_the_check_runs_is_refused(tmp_path: Path) -> None:
    made = bench(tmp_path, load(f"ann:{S3CRET.replace('$04$', '$10$')}\n"))
    real = recognise(bcrypt.hashpw(b"s3cret", bcrypt.gensalt(10)).decode())
    assert real is not None
    made.gate.replace(load(f"ann:{real.text}\n"), made.settings)
    task = asyncio.create_task(made.gate.check(HERE, "ann", b"s3cret"))
    await asyncio.sleep(0.01)
    made.gate.replace(load(f"ann:{real.text}\n", {"ann": Terms(disabled=True)}), made.settings)
    assert await task == REFUSED
    made.gate.close()


async def test_sixteen_connections_of_one_client_cost_one_check(
    made: Bench, checks: list[bytes]
) -> None:
    found = await asyncio.gather(*(made.gate.check(HERE, "ann", b"s3cret") for _ in range(16)))
    assert found == [accepted("ann")] * 16
    assert checks == [b"s3cret"]


async def test_a_client_that_leaves_takes_nobody_elses_answer_along(made: Bench) -> None:
    first = asyncio.create_task(made.gate.check(HERE, "ann", b"s3cret"))
    second = asyncio.create_task(made.gate.check(HERE, "ann", b"s3cret"))
    await asyncio.sleep(0)
    first.cancel()
    assert await second == accepted("ann")


async def test_the_previous_passphrase_works_until_its_date_and_is_told(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "state").mkdir()
    assert PREVIOUS is not None
    kept = {"ann": Terms(previous=Previous(PREVIOUS, SOON))}
    made = bench(tmp_path, load(f"ann:{S3CRET}\nbob:{S3CRET}\n", kept))
    with caplog.at_level(logging.WARNING, "depotserve.accounts"):
        assert await made.gate.check(HERE, "ann", b"s3cret") == accepted("ann")
        assert usage.last_use(tmp_path / "state", "ann", PREVIOUS) is None
        for address in (HERE, HERE, THERE):
            verdict = await made.gate.check(address, "ann", b"dragon")
            assert verdict == accepted("ann", previous=True)
        assert made.gate.recall(HERE, "ann", b"dragon") == accepted("ann", previous=True)
    assert caplog.messages == [
        f"user ann at {address} still uses the previous passphrase, which ends 2027-01-29T08:00:00Z"
        for address in (HERE, THERE)
    ]
    assert await made.gate.check(HERE, "bob", b"dragon") == REFUSED
    made.day.time = SOON.timestamp()
    assert made.gate.recall(HERE, "ann", b"dragon") is None
    assert await made.gate.check(HERE, "ann", b"dragon") == REFUSED
    made.gate.close()


async def test_the_last_use_of_a_previous_passphrase_is_noted_once_a_minute(
    tmp_path: Path,
) -> None:
    state = tmp_path / "state"
    state.mkdir()
    assert PREVIOUS is not None
    kept = {"ann": Terms(previous=Previous(PREVIOUS, SOON))}
    made = bench(tmp_path, load(f"ann:{S3CRET}\n", kept))

    async def use_until(wanted: float) -> float:
        """Sign in, and wait for a note that is newer than `wanted`; a second if none comes."""
        await made.gate.check(HERE, "ann", b"dragon")
        for _ in range(100 if wanted else 20):
            await asyncio.sleep(0.05)
            found = usage.last_use(state, "ann", PREVIOUS) or 0.0
            if found > wanted > 0:
                break
        return found

    assert abs(await use_until(1.0) - time.time()) < 60
    (note,) = (state / "previous").iterdir()
    assert "ann" not in note.name
    os.utime(note, (1000, 1000))
    made.clock.time += 59
    assert await use_until(0) == 1000
    made.clock.time += 2
    assert await use_until(1000) > 1000
    usage.prune(state, [("ann", PREVIOUS)])
    assert note.exists()
    usage.prune(state, [])
    assert not note.exists()
    made.gate.close()


async def test_a_state_folder_that_cannot_be_written_keeps_nobody_out(tmp_path: Path) -> None:
    assert PREVIOUS is not None
    kept = {"ann": Terms(previous=Previous(PREVIOUS, SOON))}
    (tmp_path / "state").write_bytes(b"no folder")
    made = bench(tmp_path, load(f"ann:{S3CRET}\n", kept))
    assert await made.gate.check(HERE, "ann", b"dragon") == accepted("ann", previous=True)
    usage.mark(tmp_path / "state", "ann", PREVIOUS)  # raises nothing
    assert usage.last_use(tmp_path / "state", "ann", PREVIOUS) is None
    made.gate.close()


async def test_after_ten_failures_no_check_runs_and_retry_after_is_honest(
    made: Bench, checks: list[bytes], caplog: pytest.LogCaptureFixture
) -> None:
    for each in range(10):
        assert await made.gate.check(HERE, "ann", b"wrong %d" % each) == REFUSED
        made.clock.time += 1
    count = len(checks)
    with caplog.at_level(logging.WARNING, "depotserve.accounts"):
        verdict = await made.gate.check(HERE, "ann", b"s3cret")
        assert await made.gate.check(HERE, "ann", b"s3cret") == verdict
    assert verdict == Verdict(Outcome.THROTTLED, retry_after=290)
    assert len(checks) == count
    assert caplog.messages == [
        "user ann from 192.0.2.1 must wait 290 s: 10 wrong passphrases within 300 s"
    ]
    made.clock.time += 289.5
    assert (await made.gate.check(HERE, "ann", b"s3cret")).retry_after == 1
    made.clock.time += 0.5
    assert await made.gate.check(HERE, "ann", b"s3cret") == accepted("ann")


async def test_who_mistypes_now_and_then_never_waits(made: Bench) -> None:
    for _ in range(20):
        assert await fail(made.gate, 3) == [Outcome.REFUSED] * 3
        assert await made.gate.check(HERE, "ann", b"s3cret") == accepted("ann")
        made.clock.time += 8 * 3600


async def test_a_success_counts_as_no_failure_and_forgives_none(made: Bench) -> None:
    for _ in range(20):
        assert await made.gate.check(HERE, "ann", b"s3cret") == accepted("ann")
        made.clock.time += 301  # not remembered any more, so that each is a check
    assert await fail(made.gate, 9) == [Outcome.REFUSED] * 9
    assert await made.gate.check(HERE, "ann", b"s3cret") == accepted("ann")
    assert await fail(made.gate, 2) == [Outcome.REFUSED, Outcome.THROTTLED]


async def test_one_pairs_failures_are_nobody_elses(made: Bench) -> None:
    assert (await fail(made.gate, 11))[-1] is Outcome.THROTTLED
    assert await made.gate.check(HERE, "bob", b"s3cret") == accepted("bob")
    assert await made.gate.check(THERE, "ann", b"s3cret") == accepted("ann")


async def test_all_unknown_names_of_an_address_share_one_count(made: Bench) -> None:
    for each in range(9):
        assert await made.gate.check(HERE, f"guess{each}", b"x") == REFUSED
    assert await made.gate.refuse(HERE) == REFUSED
    assert (await made.gate.refuse(HERE)).outcome is Outcome.THROTTLED
    assert (await made.gate.check(HERE, "other", b"x")).outcome is Outcome.THROTTLED
    assert await made.gate.check(THERE, "other", b"x") == REFUSED
    assert await made.gate.check(HERE, "ann", b"s3cret") == accepted("ann")


@pytest.mark.parametrize(
    ("first", "second", "same"),
    [
        ("192.0.2.1", "::ffff:192.0.2.1", True),
        ("2001:db8::1", "2001:db8::ffff:2", True),
        ("2001:db8::1", "2001:db8:0:1::1", False),
        ("192.0.2.1", "192.0.2.2", False),
    ],
)
async def test_addresses_of_one_network_share_a_count(
    made: Bench, first: str, second: str, same: bool
) -> None:
    await fail(made.gate, 10, address=first)
    outcome = (await made.gate.check(second, "ann", b"wrong")).outcome
    assert outcome is (Outcome.THROTTLED if same else Outcome.REFUSED)


async def test_a_remembered_credential_passes_while_throttled_within_bounded_misses(
    made: Bench, checks: list[bytes]
) -> None:
    assert await made.gate.check(HERE, "ann", b"s3cret") == accepted("ann")
    await fail(made.gate, 10)
    count = len(checks)
    for each in range(MISSES):
        assert (await made.gate.check(HERE, "ann", b"%d" % each)).outcome is Outcome.THROTTLED
        assert made.gate.recall(HERE, "ann", b"s3cret") == accepted("ann")
    await made.gate.check(HERE, "ann", b"one more")
    assert made.gate.recall(HERE, "ann", b"s3cret") is None
    assert (await made.gate.check(HERE, "ann", b"s3cret")).outcome is Outcome.THROTTLED
    assert made.gate.recall(THERE, "ann", b"s3cret") == accepted("ann")
    assert len(checks) == count
    made.clock.time += 300
    assert await made.gate.check(HERE, "ann", b"s3cret") == accepted("ann")


async def test_many_guesses_at_once_do_not_overshoot_the_limit(
    tmp_path: Path, checks: list[bytes]
) -> None:
    gate = bench(tmp_path, load(f"ann:{S3CRET}\n")).gate
    guesses = (gate.check(HERE, "ann", b"wrong %d" % each) for each in range(100))
    outcomes = [verdict.outcome for verdict in await asyncio.gather(*guesses)]
    assert outcomes.count(Outcome.REFUSED) == 10
    assert outcomes.count(Outcome.THROTTLED) == 90
    assert len(checks) == 10
    gate.close()


async def test_a_good_client_among_guesses_of_its_own_name_waits_and_is_not_refused(
    tmp_path: Path,
) -> None:
    gate = bench(tmp_path, load(f"ann:{S3CRET}\n")).gate
    same = [gate.check(HERE, "ann", b"s3cret") for _ in range(50)]
    wrong = [gate.check(HERE, "ann", b"wrong %d" % each) for each in range(9)]
    found = await asyncio.gather(*wrong, *same)
    assert found == [REFUSED] * 9 + [accepted("ann")] * 50
    gate.close()


@pytest.mark.filterwarnings("ignore:This process:DeprecationWarning")
def test_failures_spread_over_four_workers_add_up(tmp_path: Path) -> None:
    memory = slots(4)
    known = load(f"ann:{S3CRET}\nbob:{S3CRET}\n")

    async def work(worker: int, times: int) -> dict[str, Any]:
        gate = bench(tmp_path, known, memory=memory, worker=worker).gate
        wrong = [each.value for each in await fail(gate, times)]
        good = [(await gate.check(HERE, "bob", b"s3cret")).outcome.value for _ in range(3)]
        gate.close()
        return {"wrong": wrong, "good": good}

    def run(worker: int, times: int) -> dict[str, Any]:
        receiver, sender = multiprocessing.Pipe(duplex=False)
        process = multiprocessing.get_context("fork").Process(
            target=lambda: sender.send(json.dumps(asyncio.run(work(worker, times))))
        )
        process.start()
        assert receiver.poll(60)
        found: dict[str, Any] = json.loads(receiver.recv())
        process.join(60)
        return found

    first = [run(worker, 3) for worker in range(3)]
    assert all(found["wrong"] == ["refused"] * 3 for found in first)
    last = run(3, 3)
    assert last["wrong"] == ["refused", "throttled", "throttled"]
    assert all(found["good"] == ["accepted"] * 3 for found in [*first, last])
    memory[0][:] = bytes(FailureCounts.SIZE)  # as the supervisor does when worker 0 has died
    assert run(3, 1)["wrong"] == ["refused"]


async def test_many_workers_of_one_good_client_do_not_throttle_it(tmp_path: Path) -> None:
    memory, clock = slots(16), Clock()
    known = load(f"ann:{S3CRET}\n")
    benches = [
        bench(tmp_path, known, memory=memory, worker=each, clock=clock) for each in range(16)
    ]
    found = await asyncio.gather(*(one.gate.check(HERE, "ann", b"s3cret") for one in benches))
    assert found == [accepted("ann")] * 16
    for one in benches:
        one.gate.close()


async def test_workers_that_guess_at_once_do_not_overshoot_together(
    tmp_path: Path, checks: list[bytes]
) -> None:
    memory, clock = slots(4), Clock()
    known = load(f"ann:{S3CRET}\n")
    benches = [bench(tmp_path, known, memory=memory, worker=each, clock=clock) for each in range(4)]
    found = await asyncio.gather(
        *(
            one.gate.check(HERE, "ann", b"%d %d" % (worker, each))
            for worker, one in enumerate(benches)
            for each in range(20)
        )
    )
    assert [verdict.outcome for verdict in found].count(Outcome.REFUSED) == 10
    assert len(checks) == 10
    for one in benches:
        one.gate.close()


@pytest.mark.slow
async def test_a_full_queue_says_when_to_come_back_and_counts_nothing(tmp_path: Path) -> None:
    slow = S3CRET.replace("$04$", "$08$")
    known = load("".join(f"user{each}:{slow}\n" for each in range(200)))
    made = bench(tmp_path, known)
    crowd = [
        made.gate.check(f"192.0.2.{each % 200}", f"user{each % 200}", b"x") for each in range(200)
    ]
    found = await asyncio.gather(*crowd)
    busy = [verdict for verdict in found if verdict.outcome is Outcome.BUSY]
    assert busy
    assert all(1 <= verdict.retry_after <= 60 for verdict in busy)
    assert len(busy) + found.count(REFUSED) == 200
    again = await made.gate.check("192.0.2.199", "user199", b"x")
    assert again == REFUSED
    made.gate.close()


async def test_one_address_that_fills_the_queue_does_not_hold_up_another(tmp_path: Path) -> None:
    slow = S3CRET.replace("$04$", "$08$")
    crowd = "".join(f"user{each}:{slow}\n" for each in range(30))
    made = bench(tmp_path, load(crowd + f"ann:{S3CRET}\n"), throttle=Throttle(50, 300.0))
    guesses = [
        asyncio.create_task(made.gate.check(HERE, f"user{each % 30}", b"%d" % each))
        for each in range(300)
    ]
    await asyncio.sleep(0.05)
    assert await made.gate.check(THERE, "ann", b"s3cret") == accepted("ann")
    assert sum(guess.done() for guess in guesses) < 280
    assert await made.gate.check(HERE, "ann", b"s3cret") == accepted("ann")
    made.gate.close()
    outcomes = {verdict.outcome for verdict in await asyncio.gather(*guesses)}
    assert outcomes <= {Outcome.REFUSED, Outcome.BUSY}


async def test_a_closed_gate_answers_busy_and_never_hangs(tmp_path: Path) -> None:
    made = bench(tmp_path, load(f"ann:{S3CRET.replace('$04$', '$09$')}\n"))
    waiting = [asyncio.create_task(made.gate.check(HERE, "ann", b"%d" % each)) for each in range(5)]
    await asyncio.sleep(0.01)
    made.gate.close()
    found = await asyncio.wait_for(asyncio.gather(*waiting), 20)
    assert {verdict.outcome for verdict in found} <= {Outcome.BUSY, Outcome.REFUSED}
    late = await asyncio.wait_for(made.gate.check(HERE, "ann", b"late"), 20)
    assert late.outcome is Outcome.BUSY


async def test_the_loop_goes_on_while_passphrases_are_checked(tmp_path: Path) -> None:
    made = bench(tmp_path, load(f"ann:{S3CRET.replace('$04$', '$14$')}\n"))
    task = asyncio.create_task(made.gate.check(HERE, "ann", b"wrong"))
    longest, last = 0.0, time.monotonic()
    while not task.done():
        await asyncio.sleep(0.005)
        longest, last = max(longest, time.monotonic() - last), time.monotonic()
    assert await task == REFUSED
    assert longest < 0.4  # the check itself takes twice as long
    made.gate.close()


async def test_without_any_bcrypt_hash_a_refusal_costs_what_the_settings_say(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    costs: list[bytes] = []
    monkeypatch.setattr(
        hashes.bcrypt,  # type: ignore[attr-defined]
        "checkpw",
        lambda _, text: bool(costs.append(text[4:6])),
    )
    made = bench(tmp_path, load(f"bob:{APR1}\n"), bcrypt_cost=6)
    assert await made.gate.check(HERE, "bob", b"wrong") == REFUSED
    assert await made.gate.check(HERE, "nobody", b"wrong") == REFUSED
    assert costs == [b"06", b"06"]
    made.gate.close()


async def test_settings_that_are_read_again_change_the_throttle(made: Bench) -> None:
    strict = settings(made.settings.home, throttle=Throttle(failures=2, seconds=60.0))
    made.gate.replace(load(f"ann:{S3CRET}\n"), strict)
    assert await fail(made.gate, 3) == [Outcome.REFUSED, Outcome.REFUSED, Outcome.THROTTLED]
    assert (await made.gate.check(HERE, "ann", b"x")).retry_after == 60


def test_accounts_can_be_sent_to_a_worker() -> None:
    assert PREVIOUS is not None
    known = load(f"ann:{S3CRET}\n", {"ann": Terms(True, SOON, Previous(PREVIOUS, SOON))})
    assert pickle.loads(pickle.dumps(known)) == known  # noqa: S301
    assert S3CRET not in repr(known)
    assert OTHER not in repr(known)
