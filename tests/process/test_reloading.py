from __future__ import annotations

import base64
import contextlib
import os
import signal
import socket
import ssl
import time
from collections import Counter
from typing import TYPE_CHECKING

import bcrypt
import harness
import pytest
from process_kit import wait_until

from depotserve import tls

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SOON = 3.0  # seconds after which a change counts in every worker
WORKERS = 4
IN_FORCE = "INFO in force in all 4 workers"
CONNECTIONS = 40  # enough that each worker gets some: a miss has odds of 1 to 25,000


@pytest.fixture
def depot(home: Path) -> Iterator[harness.RunningDepot]:
    """Serve the home with four workers."""
    running = harness.start(home, workers=WORKERS)
    try:
        yield running
    finally:
        running.stop()


def users_line(name: str, passphrase: str) -> str:
    return f"{name}:{bcrypt.hashpw(passphrase.encode(), bcrypt.gensalt(4)).decode()}\n"


def write(path: Path, content: bytes | str) -> None:
    """Replace a file as an administrator's editor does: written in place."""
    path.write_bytes(content.encode() if isinstance(content, str) else content)


def credential(name: str, passphrase: str) -> str:
    return f"Authorization: Basic {base64.b64encode(f'{name}:{passphrase}'.encode()).decode()}"


def statuses(depot: harness.RunningDepot, name: str, passphrase: str) -> Counter[int]:
    """Ask over many new connections with these credentials; count the answers' statuses."""
    found: Counter[int] = Counter()
    request = harness.get("/x", credential(name, passphrase), signed_in=False)
    for _ in range(CONNECTIONS):
        found[harness.answer(depot.raw(request)).status] += 1
    return found


def leaves(depot: harness.RunningDepot) -> Counter[bytes]:
    """Connect anew many times; count the certificates that are shown."""
    found: Counter[bytes] = Counter()
    for _ in range(CONNECTIONS):
        with harness.connected(depot.port, tls=depot.context()) as secure:
            assert isinstance(secure, ssl.SSLSocket)
            found[secure.getpeercert(binary_form=True) or b""] += 1
    return found


# ../shared cases, X10 with what it names: users and certificates, 4 workers, 40 connections.
def test_a_changed_users_file_counts_in_every_worker_soon(depot: harness.RunningDepot) -> None:
    users = depot.home / "accounts" / "users"
    write(users, users_line("ann", "another") + users_line("ben", "new-here"))
    time.sleep(SOON)
    assert statuses(depot, "ann", "another") == {200: CONNECTIONS}
    assert statuses(depot, "ben", "new-here") == {200: CONNECTIONS}
    # Ten wrong ones in five minutes and the pair is throttled; never is it let in.
    assert set(statuses(depot, "ann", "s3cret")) == {401, 429}
    assert depot.log().count("INFO accounts read again") == 1
    assert "INFO in force in all 4 workers" in depot.log()


def test_a_disabled_user_is_out_in_every_worker_soon(depot: harness.RunningDepot) -> None:
    assert statuses(depot, "ann", "s3cret") == {200: CONNECTIONS}
    harness.succeed("user", "disable", "--home", depot.home, "ann")
    depot.wait_for_log(IN_FORCE)
    assert set(statuses(depot, "ann", "s3cret")) <= {401, 429}
    harness.succeed("user", "enable", "--home", depot.home, "ann")


def test_a_new_certificate_is_seen_in_every_worker_soon_and_no_connection_drops(
    depot: harness.RunningDepot,
) -> None:
    before = leaves(depot)
    assert len(before) == 1
    request = harness.get("/x").replace(b"Connection: close\r\n", b"")
    with harness.connected(depot.port, tls=depot.context()) as standing:
        standing.sendall(request)
        assert b" 200 OK\r\n" in standing.recv(65536)
        new = renew(depot.home)
        depot.wait_for_log(IN_FORCE)
        assert leaves(depot) == {new: CONNECTIONS}
        standing.sendall(request)
        assert b" 200 OK\r\n" in standing.recv(65536)
    assert new not in before


def renew(home: Path) -> bytes:
    """Put another certificate and key into a home, one after the other; give its DER form."""
    pair = another(home)
    write(home / "tls" / "server.pem", pair.certificate)
    write(home / "tls" / "server.key", pair.key)
    return ssl.PEM_cert_to_DER_cert(pair.certificate.decode())


def another(home: Path) -> tls.Pair:
    """Issue another certificate by a home's authority."""
    folder = home / "tls"
    anchor = tls.Pair(
        (folder / "authority.pem").read_bytes(), (folder / "authority.key").read_bytes()
    )
    return tls.issue(anchor, ["localhost", "127.0.0.1"])


def test_a_worker_begun_later_serves_by_what_is_in_force(depot: harness.RunningDepot) -> None:
    new = renew(depot.home)
    write(depot.home / "accounts" / "users", users_line("ben", "new-here"))
    depot.wait_for_log("INFO certificate read again")
    depot.wait_for_log("INFO accounts read again")
    depot.wait_for_log(IN_FORCE)
    for pid in depot.workers():
        os.kill(pid, signal.SIGKILL)
    wait_until(lambda: harness.answer(first(depot)).status == 200)
    assert leaves(depot) == {new: CONNECTIONS}
    assert statuses(depot, "ben", "new-here") == {200: CONNECTIONS}


def first(depot: harness.RunningDepot) -> bytes:
    """Ask once; an empty answer where nobody listens at the moment."""
    with contextlib.suppress(OSError):
        received = depot.raw(harness.get("/_depot/health"))
        if received:
            return received
    return b"HTTP/1.1 503 -\r\n\r\n"


BAD_USERS = [
    (b"", "the file is empty"),
    (b"ann:$2y$04$abcdefghijklmnopqrstuuLZYjhNQAOdpb", "users:1: "),
    (b"ann\n", "users:1: the line has no colon"),
]


@pytest.mark.parametrize(("content", "reason"), BAD_USERS)
def test_a_bad_users_file_is_refused_in_one_line_and_the_old_one_stays(
    depot: harness.RunningDepot, content: bytes, reason: str
) -> None:
    users = depot.home / "accounts" / "users"
    good = users.read_bytes()
    write(users, content)
    said = depot.wait_for_log("ERROR accounts refused, the old stays in force: .*$")
    assert reason in said
    assert statuses(depot, "ann", "s3cret") == {200: CONNECTIONS}
    time.sleep(SOON)
    assert depot.log().count("ERROR") == 1  # told once, not twice a second
    write(users, good + users_line("ben", "new-here").encode())
    depot.wait_for_log(IN_FORCE)
    assert statuses(depot, "ben", "new-here") == {200: CONNECTIONS}


def test_a_missing_file_is_refused_and_the_old_one_stays(depot: harness.RunningDepot) -> None:
    (depot.home / "accounts" / "users").rename(depot.home / "accounts" / "users.old")
    depot.wait_for_log("ERROR accounts refused, .*users: No such file")
    assert statuses(depot, "ann", "s3cret") == {200: CONNECTIONS}


def test_terms_that_vanish_let_no_disabled_user_in(home: Path) -> None:
    harness.succeed("user", "disable", "--home", home, "ann")
    depot = harness.start(home, workers=2)
    (home / "accounts" / "terms.yaml").unlink()
    depot.wait_for_log(r"ERROR accounts refused, .*terms\.yaml: is missing")
    depot.signal(signal.SIGHUP)
    depot.wait_for_log(r"ERROR accounts refused, .*terms\.yaml: is missing", times=2)
    assert 200 not in statuses(depot, "ann", "s3cret")
    depot.stop()


# ../shared cases, C06; and the order in which two files arrive must not matter.
@pytest.mark.parametrize("name", ["server.pem", "server.key"])
@pytest.mark.parametrize("kind", ["alone", "cut in half", "empty", "missing"])
def test_a_bad_certificate_or_key_changes_nothing(
    depot: harness.RunningDepot, name: str, kind: str
) -> None:
    before = leaves(depot)
    pair, path = another(depot.home), depot.home / "tls" / name
    content = pair.certificate if name == "server.pem" else pair.key
    if kind == "missing":
        path.unlink()
    else:
        write(path, {"alone": content, "cut in half": content[:300], "empty": b""}[kind])
    said = depot.wait_for_log("ERROR certificate refused, the old stays in force: .*$")
    assert name in said
    assert "Traceback" not in said
    assert leaves(depot) == before


def test_a_bad_certificate_does_not_hold_up_the_accounts(depot: harness.RunningDepot) -> None:
    write(depot.home / "tls" / "server.pem", b"half")
    depot.wait_for_log("ERROR certificate refused")
    write(depot.home / "accounts" / "users", users_line("ben", "new-here"))
    depot.wait_for_log(IN_FORCE)
    assert statuses(depot, "ben", "new-here") == {200: CONNECTIONS}


def test_a_file_that_is_still_being_written_is_left_alone(depot: harness.RunningDepot) -> None:
    line = users_line("ben", "new-here")
    with open(depot.home / "accounts" / "users", "w") as file:
        # Slower than a look, quicker than what counts as still.
        for piece in (line[:10], line[10:30], line[30:50], line[50:]):
            file.write(piece)
            file.flush()
            time.sleep(0.6)
    depot.wait_for_log(IN_FORCE)
    assert "ERROR" not in depot.log()
    assert statuses(depot, "ben", "new-here") == {200: CONNECTIONS}


def test_settings_that_are_broken_are_refused_and_the_old_ones_serve_on(
    depot: harness.RunningDepot,
) -> None:
    write(depot.home / "depot.yaml", b"format: 1\ncontent: []\nlisteners: [\n")
    depot.signal(signal.SIGHUP)
    said = depot.wait_for_log(r"ERROR settings refused, the old stays in force: depot\.yaml:\d+: ")
    assert "Traceback" not in said
    assert statuses(depot, "ann", "s3cret") == {200: CONNECTIONS}
    assert len(depot.workers()) == WORKERS


def test_settings_count_on_request_in_every_worker(
    depot: harness.RunningDepot, tmp_path: Path
) -> None:
    (tmp_path / "more").mkdir()
    (tmp_path / "more" / "new").write_bytes(b"new content")
    content = [
        {"url": "/", "path": str(tmp_path / "tree"), "users": "any"},
        {"url": "/more/", "path": str(tmp_path / "more"), "users": "anonymous"},
    ]
    harness.change_settings(depot.home, content=content, realm="another")
    time.sleep(SOON)  # settings are not watched
    request = harness.get("/more/new", signed_in=False)
    assert b" 200 OK\r\n" not in depot.raw(request)
    depot.signal(signal.SIGHUP)
    depot.wait_for_log(IN_FORCE)
    for _ in range(CONNECTIONS):
        assert depot.raw(request).endswith(b"new content")
        assert b'realm="another"' in depot.raw(harness.get("/x", signed_in=False))


def test_settings_whose_content_is_missing_are_refused(
    depot: harness.RunningDepot, tmp_path: Path
) -> None:
    content = [{"url": "/", "path": str(tmp_path / "nowhere"), "users": "any"}]
    harness.change_settings(depot.home, content=content)
    depot.signal(signal.SIGHUP)
    depot.wait_for_log("ERROR settings refused, .*nowhere: ")
    assert statuses(depot, "ann", "s3cret") == {200: CONNECTIONS}


def test_listeners_and_workers_need_a_restart_and_the_rest_counts(
    depot: harness.RunningDepot,
) -> None:
    listeners = [{"address": "127.0.0.1", "port": 0}, {"address": "127.0.0.1", "port": 8999}]
    harness.change_settings(depot.home, listeners=listeners, workers=7, realm="another")
    depot.signal(signal.SIGHUP)
    said = depot.wait_for_log(IN_FORCE)
    assert "WARNING listeners changed in depot.yaml; a restart puts that in force" in said
    assert "WARNING the number of workers changed in depot.yaml; a restart" in said
    assert b'realm="another"' in depot.raw(harness.get("/x", signed_in=False))
    assert len(depot.workers()) == WORKERS
    with pytest.raises(ConnectionRefusedError), socket.create_connection(("127.0.0.1", 8999), 5):
        pass


def test_a_reload_without_a_change_says_nothing_is_wrong(depot: harness.RunningDepot) -> None:
    depot.signal(signal.SIGHUP)
    said = depot.wait_for_log(IN_FORCE)
    assert "restart" not in said
    assert "ERROR" not in said
