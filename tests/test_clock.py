from __future__ import annotations

import subprocess
import time
from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING

import harness
import pytest

from depotserve import clock, config
from depotserve.home import Home
from depotserve.process.upkeep import Upkeep

if TYPE_CHECKING:
    from pathlib import Path

SEEN = datetime(2027, 3, 1, 12, tzinfo=timezone.utc)
YEARS = timedelta(days=3650)


# What the clock shows, against the highest time seen (None: no record), and a word of the fault.
CLOCKS = {
    "the same moment": (SEEN, SEEN, ""),
    "a while later": (SEEN + timedelta(days=90), SEEN, ""),
    "off for a year": (SEEN + timedelta(days=399), SEEN, ""),
    "a time zone back": (SEEN - timedelta(hours=14), SEEN, ""),
    "two days back": (SEEN - timedelta(days=2), SEEN, "has been 2027-03-01 here already"),
    "ten years back": (SEEN - YEARS, SEEN, "has been 2027-03-01 here already"),
    "ten years ahead": (SEEN + YEARS, SEEN, "more than 400 days after the last time seen"),
    "no record": (SEEN, None, ""),
    "no record, battery empty": (datetime(1970, 1, 1, tzinfo=timezone.utc), None, "before this"),
    "the least that can be written": (SEEN, datetime(1, 1, 1, tzinfo=timezone.utc), "more than"),
    "the most that can be written": (
        SEEN,
        datetime(9999, 12, 31, tzinfo=timezone.utc),
        "has been 9999",
    ),
    "before the program, but accepted": (SEEN - YEARS, SEEN - YEARS, ""),
}


@pytest.mark.parametrize("name", CLOCKS)
def test_a_clock_is_believed_within_bounds_of_the_highest_time_seen(name: str) -> None:
    shown, highest, word = CLOCKS[name]
    fault = clock.judge(shown, highest)
    assert bool(fault) == bool(word)
    assert word in fault


def test_while_a_clock_is_not_believed_the_highest_time_counts(tmp_path: Path) -> None:
    home = Home(tmp_path)
    home.state.mkdir()
    clock.accept(home, SEEN)
    for shown in (SEEN - YEARS, SEEN + YEARS):
        reading = clock.read(home, shown)
        assert reading.believed == SEEN
        assert reading.shift == (SEEN - shown).total_seconds()
        clock.note(home, reading)
    assert clock.read(home, SEEN).highest == SEEN
    clock.note(home, clock.read(home, SEEN + timedelta(days=2)))
    assert clock.read(home, SEEN).highest == SEEN + timedelta(days=2)


@pytest.mark.parametrize("content", [b"", b"soon\n", b"\xff\n", b"2027-03-01\n", b"9" * 100])
def test_a_record_that_is_damaged_is_doubt(tmp_path: Path, content: bytes) -> None:
    home = Home(tmp_path)
    home.state.mkdir()
    home.clock.write_bytes(content)
    reading = clock.read(home, SEEN)
    assert "is not known" in reading.fault
    assert reading.shift == 0


def test_a_link_in_the_place_of_the_record_is_replaced_and_not_followed(tmp_path: Path) -> None:
    """A service may write state/; what an administrator's command writes there must stay there."""
    home = Home(tmp_path)
    home.state.mkdir()
    other = tmp_path / "other"
    other.write_text("precious\n")
    home.clock.symlink_to(other)
    clock.accept(home, SEEN)
    assert other.read_text() == "precious\n"
    assert not home.clock.is_symlink()
    assert home.clock.stat().st_mode & 0o777 == 0o644
    assert clock.read(home, SEEN).highest == SEEN


def test_a_clock_that_jumps_again_while_it_is_not_believed_is_followed(tmp_path: Path) -> None:
    home = Home(tmp_path)
    home.state.mkdir()
    upkeep = Upkeep(home)
    settings = config.Settings(home=tmp_path, content=(), listeners=())
    gone_by = []
    for turn, off in enumerate([YEARS, YEARS, -YEARS, -YEARS]):
        clock.accept(home, clock.now() - off)
        upkeep.turn(1000.0 * (turn + 1), settings)
        gone_by.append(clock.now() + timedelta(seconds=upkeep.clock_shift))
        assert abs(gone_by[-1] - (clock.now() - off)) < timedelta(minutes=2)
    first = upkeep.clock_shift
    time.sleep(1.1)
    upkeep.turn(9000.0, settings)
    assert upkeep.clock_shift == first  # time goes on from the record


# From here on: faketime, a library that shifts the clock of one process and its children.

# Acceptance: ten years off either way.
SHIFTS = {"ahead": "+3650d", "behind": "-3650d"}


def faketime(shift: str) -> dict[str, str]:
    """Give the environment that faketime would start a program with."""
    command = [harness.need("faketime"), "--exclude-monotonic", "-f", shift, "env", "-0"]
    done = subprocess.run(command, capture_output=True, check=True, text=True)
    pairs = (pair.partition("=") for pair in done.stdout.split("\0"))
    wanted = {"LD_PRELOAD", "FAKETIME", "FAKETIME_DONT_FAKE_MONOTONIC", "DONT_FAKE_MONOTONIC"}
    return {name: value for name, _, value in pairs if name in wanted}


@pytest.fixture
def home(tmp_path: Path, tree: Path) -> Path:
    return harness.make_home(tmp_path / "home", tree)


def contents(home: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in (home / "tls").iterdir()}


@pytest.mark.parametrize("shift", SHIFTS)
@pytest.mark.parametrize(
    "arguments",
    [
        ["cert", "issue"],
        ["cert", "issue", "--prepare"],
        ["cert", "issue", "--when-due"],
        ["cert", "authority", "new"],
    ],
    ids=" ".join,
)
def test_a_clock_ten_years_off_issues_nothing(home: Path, shift: str, arguments: list[str]) -> None:
    before = contents(home)
    done = harness.run(*arguments, "--home", home, env=faketime(SHIFTS[shift]))
    assert done.returncode == 2
    assert done.stderr.startswith(b"depotserve: this machine's clock says 20")
    assert b"nothing is issued" in done.stderr
    assert done.stderr.endswith(b"depotserve home accept-clock\n")
    assert done.stderr.count(b"\n") == 1
    assert contents(home) == before


@pytest.mark.parametrize("shift", SHIFTS)
def test_inspect_says_that_the_clock_is_off(home: Path, shift: str) -> None:
    done = harness.run("inspect", "--home", home, "--json", env=faketime(SHIFTS[shift]))
    assert done.returncode == 1
    findings = harness.json_of(done.stdout)["findings"]
    (found,) = [row for row in findings if row["topic"] == "clock"]
    assert found["grade"] == "fault"
    assert "this machine's clock says 20" in found["text"]


@pytest.mark.parametrize("shift", SHIFTS)
def test_serving_goes_on_with_a_clock_ten_years_off(home: Path, shift: str) -> None:
    listener = {"address": "127.0.0.1", "port": 0, "tls": "modern"}
    harness.change_settings(home, listeners=[listener])
    soon = datetime.now(timezone.utc) + timedelta(days=30)
    terms = f"format: 1\nusers:\n  ann: {{expires: {soon:%Y-%m-%dT%H:%M:%SZ}}}\n...\n"
    (home / "accounts" / "terms.yaml").write_text(terms)
    before = contents(home)
    depot = harness.start(home, env=faketime(SHIFTS[shift]))
    try:
        # The client's own clock is right, so it takes the certificate.
        got = harness.answer(depot.raw(harness.get("/f26.bin")))
        assert (got.status, got.body) == (200, b"abcdefghijklmnopqrstuvwxyz")
        ready = depot.raw(harness.get("/_depot/ready", signed_in=False))
        assert harness.answer(ready).status == 200
        depot.wait_for_log(r"ERROR this machine's clock says 20.*nothing is issued or expires")
    finally:
        depot.stop()
    assert contents(home) == before


def test_an_expired_user_stays_out_when_the_clock_is_set_back(home: Path) -> None:
    listener = {"address": "127.0.0.1", "port": 0, "tls": "none"}
    harness.change_settings(home, listeners=[listener])
    past = datetime.now(timezone.utc) - timedelta(days=3)
    terms = f"format: 1\nusers:\n  ann: {{expires: {past:%Y-%m-%dT%H:%M:%SZ}}}\n...\n"
    (home / "accounts" / "terms.yaml").write_text(terms)
    depot = harness.start(home, env=faketime("-3650d"))
    try:
        assert harness.answer(depot.raw(harness.get("/f26.bin"))).status == 401
    finally:
        depot.stop()


def test_an_accepted_clock_counts_again(home: Path) -> None:
    env = faketime("+3650d")
    done = harness.run("home", "accept-clock", "--home", home, env=env)
    assert done.returncode == 0, done.stderr
    year = time.gmtime(time.time() + YEARS.total_seconds()).tm_year
    assert f"The clock counts: {year}-" in done.stdout.decode()
    # The authority made now has ended by then, which is another matter.
    done = harness.run("cert", "authority", "new", "--home", home, env=env)
    assert done.returncode == 0, done.stderr
    done = harness.run("cert", "authority", "new", "--home", home)
    assert done.returncode == 2
    assert b"has been 20" in done.stderr


def test_init_makes_nothing_with_a_clock_before_the_program(tmp_path: Path, tree: Path) -> None:
    options = ["--home", tmp_path / "new", "--content", tree, "--host", "localhost"]
    done = harness.run("init", *options, env=faketime("-3650d"))
    assert done.returncode == 2
    assert b"before this program was made" in done.stderr
    assert not (tmp_path / "new").exists()


def test_a_running_depot_notes_the_highest_time(home: Path) -> None:
    listener = {"address": "127.0.0.1", "port": 0, "tls": "modern"}
    harness.change_settings(home, listeners=[listener])
    (home / "state" / "clock").unlink()
    depot = harness.start(home)
    try:
        deadline = time.monotonic() + 30
        while not (home / "state" / "clock").exists():
            assert time.monotonic() < deadline
            time.sleep(0.1)
    finally:
        depot.stop()
    noted = clock.read(Home(home)).highest
    assert noted is not None
    assert abs((datetime.now(timezone.utc) - noted).total_seconds()) < 120
