from __future__ import annotations

import contextlib
import os
import re
import resource
import signal
import socket
import subprocess
from typing import TYPE_CHECKING

import harness
import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

# Seconds in which a start that cannot work is given up, as the recipes E01 and E06 say: of the
# processor, since others may hold the machine up, and of the clock with patience for that.
SOON, PATIENCE = 3.0, 15.0


def powerless() -> list[str]:
    """Give what takes root's rights from a command: it may then open no more than its owner."""
    if os.geteuid() != 0:
        return []
    return [harness.need("setpriv"), "--bounding-set=-all", "--inh-caps=-all"]


def used() -> float:
    """Give the processor time of all children that have ended."""
    found = resource.getrusage(resource.RUSAGE_CHILDREN)
    return found.ru_utime + found.ru_stime


def refused(home: Path, *options: str, through: list[str] | None = None) -> str:
    """Start a depot that must give up soon; give its one line."""
    began = used()
    done = harness.run("serve", "--home", home, *options, through=through or [], timeout=PATIENCE)
    took = used() - began
    said = done.stderr.decode()
    assert done.returncode == 2, said
    assert took < SOON, took
    lines = [line for line in said.splitlines() if not line.startswith(("INFO ", "WARNING "))]
    assert len(lines) == 1, said
    assert lines[0].startswith("depotserve: ")
    assert "Traceback" not in said
    return lines[0]


# Kinds of fault: ../shared cases, E01; each line names the path or port and the reason.
@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("accounts/users", "Permission denied"),
        ("accounts/terms.yaml", "Permission denied"),
        ("tls/server.key", "Permission denied"),
        ("tls/server.pem", "Permission denied"),
        ("depot.yaml", "Permission denied"),
        ("state", "Permission denied"),
    ],
)
def test_a_file_that_cannot_be_read_is_named(home: Path, name: str, reason: str) -> None:
    (home / name).touch()
    (home / name).chmod(0)
    line = refused(home, through=powerless())
    (home / name).chmod(0o700)
    assert name.rpartition("/")[2] in line
    assert reason in line


@pytest.mark.parametrize("name", ["accounts/users", "tls/server.key", "tls/server.pem"])
def test_a_file_that_is_missing_is_named(home: Path, name: str) -> None:
    (home / name).unlink()
    line = refused(home)
    assert f"{home}/{name}: No such file" in line


def test_content_that_cannot_be_read_is_named(home: Path, tree: Path) -> None:
    tree.chmod(0)
    line = refused(home, through=powerless())
    tree.chmod(0o700)
    assert f"{tree}: Permission denied" in line
    assert "depot.yaml:" in line


def test_content_that_is_missing_is_named(home: Path, tree: Path) -> None:
    tree.rename(tree.with_name("elsewhere"))
    assert f"{tree}: No such file" in refused(home)


def test_settings_that_are_wrong_are_named_by_line(home: Path) -> None:
    harness.change_settings(home, workers="many")
    assert re.search(r"depot\.yaml:\d+: workers: ", refused(home))


def test_a_malformed_users_file_is_named_by_line(home: Path) -> None:
    (home / "accounts" / "users").write_text("# people\nann:no-hash\n")
    assert "users:2: " in refused(home)


# ../shared cases, C07: once at a terminal and once without one; it must never ask or hang.
@pytest.mark.parametrize("terminal", [True, False])
def test_an_encrypted_key_is_refused_and_never_asked_about(home: Path, *, terminal: bool) -> None:
    key = home / "tls" / "server.key"
    command = ["openssl", "pkcs8", "-topk8", "-v2", "aes256", "-passout", "pass:s3cret-s3cret"]
    command += ["-in", str(key), "-out", str(key) + ".new"]
    subprocess.run(command, check=True, capture_output=True, timeout=30)
    (home / "tls" / "server.key.new").rename(key)
    through = [harness.need("script"), "-qec"] if terminal else []
    if not terminal:
        assert "server.key: the key is encrypted" in refused(home)
        return
    whole = " ".join(map(str, harness.command("serve", "--home", home)))
    done = subprocess.run(
        [*through, whole, "/dev/null"],
        capture_output=True,
        timeout=PATIENCE,
        check=False,
        env=harness.environment(),
    )
    assert done.returncode == 2
    assert b"server.key: the key is encrypted" in done.stdout
    assert b"phrase:" not in done.stdout


def test_a_key_of_another_certificate_is_refused(home: Path, tmp_path: Path, tree: Path) -> None:
    other = harness.init_home(tmp_path / "other", tree)
    (home / "tls" / "server.key").write_bytes((other / "tls" / "server.key").read_bytes())
    assert "server.pem: does not belong to the key in server.key" in refused(home)


def test_a_key_that_others_can_read_is_told_at_the_start(home: Path) -> None:
    (home / "tls" / "server.key").chmod(0o644)
    with started(home) as depot:
        assert re.search(r"^WARNING .*server\.key is open to every user", depot.log(), re.MULTILINE)


@contextlib.contextmanager
def started(home: Path, *, workers: int = 1) -> Iterator[harness.RunningDepot]:
    depot = harness.start(home, workers=workers)
    try:
        yield depot
    finally:
        depot.stop()


@contextlib.contextmanager
def taken(address: str, port: int = 0) -> Iterator[int]:
    """Listen as another program would; give the port."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family) as other:
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        other.bind((address, port))
        other.listen()
        yield other.getsockname()[1]


def listen_on(home: Path, address: str, port: int) -> None:
    harness.change_settings(home, listeners=[{"address": address, "port": port}])


# ../shared cases, E06. The other program allows its port to be shared, and still must not be.
@pytest.mark.parametrize(
    ("theirs", "ours"),
    [
        ("127.0.0.1", "127.0.0.1"),
        ("0.0.0.0", "127.0.0.1"),  # noqa: S104
        ("127.0.0.1", "0.0.0.0"),  # noqa: S104
        ("::1", "::1"),
        ("::", "::1"),
    ],
)
def test_a_port_that_another_program_has_is_refused(home: Path, theirs: str, ours: str) -> None:
    with taken(theirs) as port:
        listen_on(home, ours, port)
        line = refused(home, "--workers", "2")
    assert f"{ours} port {port}: is taken by another program; " in line
    assert f"ss -ltnp 'sport = :{port}'" in line


# ../shared cases, E06: on one port, in single and in several processes; the first serves on.
@pytest.mark.parametrize("workers", [1, 3])
@pytest.mark.parametrize(
    ("first", "second"),
    [("127.0.0.1", "127.0.0.1"), ("0.0.0.0", "127.0.0.1")],  # noqa: S104
)
def test_a_second_depot_on_a_taken_port_fails_and_the_first_serves_on(
    home: Path, tmp_path: Path, tree: Path, first: str, second: str, workers: int
) -> None:
    listen_on(home, first, 0)
    other = harness.make_home(tmp_path / "other", tree)
    with started(home, workers=workers) as depot:
        listen_on(other, second, depot.port)
        line = refused(other, "--workers", str(workers))
        assert f"port {depot.port}: is taken" in line
        for _ in range(50):
            assert b" 200 OK\r\n" in depot.raw(harness.get("/x"))


def test_a_second_depot_of_one_home_fails_and_names_the_first(home: Path) -> None:
    with started(home) as depot:
        line = refused(home)
        assert f"{home}: is already served by process {depot.pid}; stop that one first" in line
        assert b" 200 OK\r\n" in depot.raw(harness.get("/x"))


def test_a_lock_that_a_killed_depot_left_holds_nobody_up(home: Path) -> None:
    depot = harness.start(home)
    depot.signal(signal.SIGKILL)
    depot.process.wait()
    with started(home) as again:
        assert b" 200 OK\r\n" in again.raw(harness.get("/x"))


def test_a_restart_right_after_a_stop_gets_the_same_port(home: Path) -> None:
    with started(home) as depot:
        port = depot.port
        # These end from the server's side, so that the port is left with waiting remains.
        for _ in range(5):
            assert b" 200 OK\r\n" in depot.raw(harness.get("/x"))
    for _ in range(2):
        listen_on(home, "127.0.0.1", port)
        with started(home) as again:
            assert again.port == port
            assert b" 200 OK\r\n" in again.raw(harness.get("/x"))


# ../shared cases, E01: port 80 without the right to it.
def test_a_low_port_without_the_right_says_which_right(home: Path) -> None:
    with open("/proc/sys/net/ipv4/ip_unprivileged_port_start") as setting:
        if int(setting.read()) <= 80:
            pytest.skip("this machine lets everybody open low ports")
    listen_on(home, "127.0.0.1", 80)
    line = refused(home, through=powerless())
    assert "127.0.0.1 port 80: this user may not open so low a port" in line
    assert "AmbientCapabilities=CAP_NET_BIND_SERVICE" in line
    assert "above 1023" in line


# The address is of TEST-NET-3 (RFC 5737), which no machine has.
def test_an_address_that_the_machine_does_not_have_is_named(home: Path) -> None:
    listen_on(home, "203.0.113.7", 8443)
    assert "203.0.113.7 port 8443: is no address of this machine" in refused(home)


# ../shared cases, X04. In a network of its own in which IPv6 is switched off.
def test_an_ipv6_address_on_a_machine_without_it_is_named(home: Path) -> None:
    listen_on(home, "::1", 8443)
    assert "::1 port 8443: is no address of this machine" in refused(home, through=without_ipv6())


def without_ipv6() -> list[str]:
    """Give what runs a command where there is no IPv6, as root."""
    if os.geteuid() != 0:
        pytest.skip("needs root to make a network of its own")
    switch = 'echo 1 > /proc/sys/net/ipv6/conf/all/disable_ipv6; exec "$@"'
    return [harness.need("unshare"), "--net", "sh", "-c", switch, "sh"]


# ../shared cases, X04: `::` takes IPv6 alone and says so; `0.0.0.0` does not claim IPv6.
def test_every_ipv6_address_means_ipv6_alone_and_the_log_says_so(home: Path) -> None:
    listen_on(home, "::", 0)
    with started(home) as depot:
        assert f"WARNING :: port {depot.port} takes IPv6 only; 0.0.0.0 takes IPv4" in depot.log()
        request, context = harness.get("/x"), depot.context()
        assert b" 200 OK\r\n" in harness.raw(depot.port, request, tls=context, address="::1")
        with pytest.raises(ConnectionRefusedError):
            harness.raw(depot.port, request, tls=context)


def test_both_families_can_have_one_port(home: Path) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    both = [{"address": address, "port": port} for address in ("0.0.0.0", "::")]  # noqa: S104
    harness.change_settings(home, listeners=both)
    with started(home, workers=2) as depot:
        assert "takes IPv6 only" not in depot.log()
        for address in ("127.0.0.1", "::1"):
            received = harness.raw(port, harness.get("/x"), tls=depot.context(), address=address)
            assert b" 200 OK\r\n" in received


def test_port_0_is_one_port_for_all_workers(home: Path) -> None:
    with started(home, workers=4) as depot:
        assert depot.log().count("listening on") == 1
        assert depot.port > 0
        assert len(depot.workers()) == 4
        shown = subprocess.run(
            ["ss", "-Hltn", f"sport = :{depot.port}"],
            capture_output=True,
            text=True,
            check=True,
            timeout=30,
        ).stdout
        assert len(shown.splitlines()) == 4


@pytest.mark.parametrize("count", ["0", "257", "many"])
def test_a_number_of_workers_that_makes_no_sense_is_refused(home: Path, count: str) -> None:
    assert "--workers" in refused(home, "--workers", count)
