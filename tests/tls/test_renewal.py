from __future__ import annotations

import hashlib
import random
import socket
import ssl
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timezone
from typing import TYPE_CHECKING

import cert_kit as kit
import harness
import pytest

from depotserve import config, tls
from depotserve.home import Home
from depotserve.process.upkeep import Upkeep
from depotserve.tls.renewal import Due, due, tend

if TYPE_CHECKING:
    from pathlib import Path

END = datetime(2029, 1, 31, 12, tzinfo=timezone.utc)
DAY = kit.DAY


@pytest.fixture
def home(tmp_path: Path, tree: Path) -> Path:
    return harness.make_home(tmp_path / "home", tree)


# Days before the end; the prepared certificate's end in days after that (None: none); auto; due.
PLANS = [
    (400, None, True, Due.NOTHING),
    (91, None, True, Due.NOTHING),
    (90, None, False, Due.PREPARE),
    (20, 0, False, Due.PREPARE),  # a prepared one that ends when the other does is no use
    (90, 700, True, Due.NOTHING),
    (15, 700, True, Due.NOTHING),
    (14, 700, True, Due.ACTIVATE),
    (14, 700, False, Due.NOTHING),
    (14, None, True, Due.PREPARE),
    (-5, 700, True, Due.ACTIVATE),
    (-5, None, False, Due.PREPARE),
]


@pytest.mark.parametrize(("days", "prepared", "auto", "wanted"), PLANS)
def test_a_new_one_is_due_90_days_before_the_end_and_in_force_14_days_before(
    days: int, prepared: int | None, *, auto: bool, wanted: Due
) -> None:
    waiting = None if prepared is None else END + prepared * DAY
    assert due(END - days * DAY, END, waiting, auto=auto) is wanted


def test_nothing_is_done_while_nothing_is_due(home: Path) -> None:
    before = kit.everything(home)
    found = tend(Home(home), kit.now(), auto=True)
    assert (found.done, found.prepared, found.trouble) == ((), None, "")
    assert found.days_left == 794
    assert kit.everything(home) == before


def test_what_is_due_is_prepared_once_and_shown(home: Path) -> None:
    kit.age(home, 80)
    done = kit.cert(home, "issue", "--when-due")
    assert done.returncode == 0, done.stderr
    waiting = kit.fingerprint(home / "tls" / "server-next.pem")
    assert f"A new one is prepared, SHA-256 fingerprint {waiting}" in done.stdout.decode()
    before = kit.everything(home)
    assert kit.cert(home, "issue", "--when-due").returncode == 0
    assert kit.everything(home) == before
    shown = kit.cert(home, "show").stdout.decode()
    assert waiting in shown
    assert "goes live on: depotserve cert issue --activate" in shown
    document = harness.json_of(kit.cert(home, "show", "--json").stdout)
    assert [row["sha256"] for row in document["prepared"]] == [waiting]
    assert document["in_force"][0]["days_left"] in {79, 80}
    assert kit.cert(home, "issue", "--activate").returncode == 0
    assert kit.fingerprint(home / "tls" / "server.pem") == waiting


def test_by_itself_it_goes_live_only_where_the_settings_say_so(home: Path) -> None:
    kit.age(home, 10)
    old = kit.fingerprint(home / "tls" / "server.pem")
    assert kit.cert(home, "issue", "--when-due").returncode == 0
    assert kit.fingerprint(home / "tls" / "server.pem") == old
    harness.change_settings(home, tls={"renew": "auto"})
    shown = kit.cert(home, "show").stdout
    assert b"goes live by itself" in shown
    done = kit.cert(home, "issue", "--when-due")
    assert b"put in force just now" in done.stdout
    assert kit.fingerprint(home / "tls" / "server.pem") != old
    assert kit.ends(home / "tls" / "server.pem") > kit.now() + 790 * DAY


def test_what_waits_to_go_live_by_itself_is_said_so(home: Path) -> None:
    kit.age(home, 80)
    harness.change_settings(home, tls={"renew": "auto"})
    done = kit.cert(home, "issue", "--when-due")
    assert b"It goes live by itself 14 days before the end of the one in force" in done.stdout
    assert b"--activate" not in done.stdout


def test_a_certificate_that_is_over_is_not_good_for_days_below_zero(home: Path) -> None:
    past = kit.now() - 60 * DAY
    authority = tls.authority.create("depot.plant.example", now=past)
    (home / "tls" / "authority.pem").write_bytes(authority.certificate)
    kit.write(home, tls.issue(authority, ["localhost"], days=31, now=past))
    (home / "tls" / "authority.key").unlink()
    done = kit.cert(home, "issue", "--when-due")
    assert done.returncode == 1
    assert b"The certificate ended on 20" in done.stdout


def test_upkeep_goes_on_where_the_time_cannot_be_put_on_record(home: Path) -> None:
    kit.age(home, 80)
    (home / "state" / "clock").unlink()
    (home / "state" / "clock").symlink_to(home / "nowhere" / "clock")
    upkeep = Upkeep(Home(home))
    upkeep.turn(1.0, config.load(home))  # raises nothing; what cannot be read is doubt
    assert not (home / "tls" / "server-next.pem").exists()
    (home / "state" / "clock").unlink()
    upkeep.turn(100.0, config.load(home))
    assert (home / "tls" / "server-next.pem").exists()


def test_both_kinds_of_key_are_renewed_together(home: Path) -> None:
    assert kit.cert(home, "issue", "--key", "both", "--days", "50").returncode == 0
    assert kit.cert(home, "issue", "--when-due").returncode == 0
    content = (home / "tls" / "server-next.pem").read_bytes()
    assert content.count(b"BEGIN CERTIFICATE") == 2


# What keeps a new certificate from being made -> what is said.
def test_what_hinders_is_said_with_what_to_do(home: Path, tmp_path: Path) -> None:
    kit.age(home, 20)
    key = home / "tls" / "authority.key"
    away = key.rename(tmp_path / "key")
    done = kit.cert(home, "issue", "--when-due")
    assert done.returncode == 1
    assert b"a new certificate is due and cannot be made" in done.stderr
    assert b"--authority-key FILE" in done.stderr
    away.rename(key)
    other = tls.authority.create("other.plant.example")
    kit.write(home, tls.issue(other, ["localhost"], days=50))
    done = kit.cert(home, "issue", "--when-due")
    assert done.returncode == 1
    assert b"was issued by another authority" in done.stderr
    assert b"cert request" in done.stderr


def test_an_authority_that_ends_soon_is_named(home: Path) -> None:
    late = kit.ends(home / "tls" / "authority.pem") - 60 * DAY
    pair = tls.issue(kit.authority_of(home), ["localhost"], now=late)
    kit.write(home, pair)
    found = tend(Home(home), late + DAY, auto=True)
    assert found.done == ()
    assert "cert authority new" in found.trouble


def seen(depot: harness.RunningDepot) -> bytes:
    """Give the certificate that a new connection is shown."""
    with socket.create_connection(("127.0.0.1", depot.port), timeout=30) as plain:
        context = ssl.create_default_context(cafile=str(depot.authority))
        with context.wrap_socket(plain, server_hostname="localhost") as secure:
            shown = secure.getpeercert(binary_form=True)
    assert shown
    return shown


def test_a_running_depot_prepares_by_itself_and_says_the_fingerprint(home: Path) -> None:
    harness.change_settings(home, listeners=[kit.TLS])
    kit.age(home, 80)
    depot = harness.start(home, workers=2)
    try:
        depot.wait_for_log(r"a new one is prepared, SHA-256 [0-9A-F:]{95}; it goes live on: ")
        waiting = kit.fingerprint(home / "tls" / "server-next.pem")
        assert waiting in depot.log()
        ready = depot.raw(harness.get("/_depot/ready", signed_in=False))
        assert harness.answer(ready).status == 200
    finally:
        depot.stop()


def test_a_running_depot_takes_a_new_certificate_by_itself_in_every_worker(home: Path) -> None:
    harness.change_settings(home, listeners=[kit.TLS], tls={"renew": "auto"})
    kit.age(home, 10)
    old = kit.load(home / "tls" / "server.pem")
    depot = harness.start(home, workers=4)
    try:
        depot.wait_for_log("a new certificate goes live")
        depot.wait_for_log("in force in all 4 workers")
        new = kit.load(home / "tls" / "server.pem")
        assert new != old
        shown = {seen(depot) for _ in range(40)}
    finally:
        depot.stop()
    assert shown == {kit.der(new)}


# Each download takes some ten seconds, so that it is under way all the time.
SIZE, RATE = 3 << 20, 300_000


def download(depot: harness.RunningDepot, begun: threading.Event) -> str:
    """Fetch the file over a connection of its own; give its SHA-256."""
    context = ssl.create_default_context(cafile=str(depot.authority))
    digest, length = hashlib.sha256(), 0
    with harness.connected(depot.port, tls=context) as connection:
        connection.settimeout(60)
        connection.sendall(harness.get("/big.bin"))
        head, _, piece = connection.recv(1 << 16).partition(b"\r\n\r\n")
        assert head.startswith(b"HTTP/1.1 200 ")
        begun.set()
        while True:
            digest.update(piece)
            length += len(piece)
            piece = connection.recv(1 << 16)
            if not piece:
                break
    assert length == SIZE
    return digest.hexdigest()


def test_a_certificate_is_renewed_under_8_downloads_and_none_breaks(home: Path, tree: Path) -> None:
    content = random.Random(4).randbytes(SIZE)  # noqa: S311
    (tree / "big.bin").write_bytes(content)
    caps = [{"of": "connection", "bytes_per_second": RATE}]
    harness.change_settings(home, listeners=[kit.TLS], bandwidth=caps)
    depot = harness.start(home, workers=2)
    try:
        with ThreadPoolExecutor(8) as pool:
            begun = [threading.Event() for _ in range(8)]
            going = [pool.submit(download, depot, one) for one in begun]
            assert all(one.wait(60) for one in begun)
            for arguments in (["issue", "--prepare"], ["issue", "--activate"]):
                assert kit.cert(home, *arguments).returncode == 0
            depot.wait_for_log("in force in all 2 workers")
            new = kit.der(kit.load(home / "tls" / "server.pem"))
            assert {seen(depot) for _ in range(20)} == {new}
            assert not any(one.done() for one in going)
            digests = {one.result() for one in going}
    finally:
        depot.stop()
    assert digests == {hashlib.sha256(content).hexdigest()}


def test_a_service_that_may_not_write_the_folder_says_so_and_serves_on(home: Path) -> None:
    harness.change_settings(home, listeners=[kit.TLS])
    kit.age(home, 80)
    (home / "tls").chmod(0o500)
    depot = harness.start(home, through=harness.bound_by_modes())
    try:
        log = depot.wait_for_log("a new one cannot be made here: ")
        assert "Permission denied" in log
        assert harness.answer(depot.raw(harness.get("/x"))).status == 200
        # What the timer does, by an administrator.
        (home / "tls").chmod(0o700)
        assert kit.cert(home, "issue", "--when-due").returncode == 0
        assert kit.cert(home, "issue", "--activate").returncode == 0
        depot.wait_for_log("certificate read again")
        deadline = time.monotonic() + 20
        while seen(depot) != kit.der(kit.load(home / "tls" / "server.pem")):
            assert time.monotonic() < deadline
    finally:
        (home / "tls").chmod(0o700)
        depot.stop()
