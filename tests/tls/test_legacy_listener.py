"""A listener for old appliances: old TLS, for named clients, up to a day, and each use is told."""

from __future__ import annotations

import contextlib
import ipaddress
import os
import re
import signal
import socket
import ssl
import subprocess
import time
import warnings
from datetime import date, datetime, timedelta, timezone
from typing import TYPE_CHECKING

import harness
import pytest
import serving

from depotserve import tls
from depotserve.config import Listener
from depotserve.process.admission import Admission
from depotserve.process.mentions import Mentions

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

TODAY = datetime.now(timezone.utc).date()
SOME_DAY = TODAY + timedelta(days=30)
HTTP = b"GET /_depot/health HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
OLD = {"1.0": "TLSv1", "1.1": "TLSv1.1", "1.2": "TLSv1.2", "1.3": "TLSv1.3"}


def legacy(until: date = SOME_DAY, *clients: str) -> dict[str, object]:
    """Write a listener of the kind in depot.yaml."""
    names = [*(clients or ["127.0.0.1", "127.0.0.8/30"])]
    return {**serving.TLS, "tls": "legacy", "clients": names, "until": until.isoformat()}


@contextlib.contextmanager
def serve(
    folder: Path, tree: Path, *listeners: dict[str, object], workers: int = 1
) -> Iterator[harness.RunningDepot]:
    """Serve on a modern listener and on these."""
    mount = serving.mount("/", tree)
    every = [serving.TLS, *listeners]
    with serving.serving(folder, mount, listeners=every, workers=workers) as running:
        yield running


@pytest.fixture
def depot(tmp_path: Path, tree: Path) -> Iterator[harness.RunningDepot]:
    with serve(tmp_path, tree, legacy()) as running:
        yield running


def old_port(depot: harness.RunningDepot) -> int:
    return depot.endpoints[1].port


def curl(
    depot: harness.RunningDepot, port: int, *options: str, host: str = "localhost"
) -> subprocess.CompletedProcess[bytes]:
    """Ask for the health page by curl, as a client of the versions that `options` say."""
    command = [harness.need("curl"), "-q", "--noproxy", "*", "-sS", "--max-time", "20"]
    command += ["--cacert", str(depot.authority), "--tlsv1.0", *options]
    address = f"https://{host}:{port}/_depot/health"
    return subprocess.run([*command, address], capture_output=True, timeout=60, check=False)


def openssl(port: int, *options: str, stdin: bytes = HTTP) -> bytes:
    """Send a request by openssl's own client; give all that it says."""
    command = [harness.need("openssl"), "s_client", "-connect", f"127.0.0.1:{port}", "-ign_eof"]
    done = subprocess.run(
        [*command, *options],
        input=stdin,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        timeout=60,
        check=False,
    )
    return done.stdout


def old_client(depot: harness.RunningDepot) -> ssl.SSLContext:
    """Make a client of Python's that knows TLS 1.0 and nothing newer."""
    context = depot.context()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        context.minimum_version = context.maximum_version = ssl.TLSVersion.TLSv1
    context.set_ciphers("DEFAULT:@SECLEVEL=0")
    return context


def is_let_in(port: int, source: str, address: str = "127.0.0.1") -> bool:
    """Tell whether a connection from `source` gets an answer to a hello."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    try:
        with (
            socket.create_connection((address, port), 20, (source, 0)) as plain,
            context.wrap_socket(plain) as secure,
        ):
            return bool(secure.version())
    except (ssl.SSLError, ConnectionError):
        return False


# Outside check: curl, as a client whose newest version is the one named.
@pytest.mark.parametrize("version", OLD)
def test_curl_of_each_version_verifies_and_fetches(
    depot: harness.RunningDepot, version: str
) -> None:
    options = ["--tls-max", version, "--ciphers", "DEFAULT@SECLEVEL=0"]
    done = curl(depot, old_port(depot), *options)
    assert (done.returncode, done.stdout) == (0, b"alive\n"), done.stderr
    depot.wait_for_log(
        rf"^INFO 127\.0\.0\.1 port {old_port(depot)} \(legacy\): used by 127\.0\.0\.1"
        rf" with {OLD[version]}$"
    )


# Case E07: the default listener takes a client of TLS 1.2 and refuses one of TLS 1.1 (RFC 8996).
def test_a_modern_listener_takes_tls_1_2_and_nothing_older(depot: harness.RunningDepot) -> None:
    for version, status in {"1.3": 0, "1.2": 0, "1.1": 35, "1.0": 35}.items():
        done = curl(depot, depot.port, "--tls-max", version, "--ciphers", "DEFAULT@SECLEVEL=0")
        assert done.returncode == status, done.stderr  # curl(1): 35 is a TLS handshake
        if status:
            assert b"alert protocol version" in done.stderr
    assert "(legacy): used by" not in depot.log()


# Outside check: openssl s_client.
@pytest.mark.parametrize(
    ("option", "shown"), [("-tls1", "TLSv1.0"), ("-tls1_1", "TLSv1.0"), ("-tls1_2", "TLSv1.2")]
)
def test_openssl_of_an_old_version_is_answered(
    depot: harness.RunningDepot, option: str, shown: str
) -> None:
    said = openssl(old_port(depot), option, "-cipher", "DEFAULT@SECLEVEL=0")
    assert f"New, {shown}, Cipher is ECDHE-ECDSA-".encode() in said
    assert b"\r\n\r\nalive\n" in said


def test_an_old_python_client_signs_in_and_fetches(depot: harness.RunningDepot) -> None:
    received = harness.raw(old_port(depot), harness.get("/f26.bin"), tls=old_client(depot))
    assert harness.answer(received).body == b"abcdefghijklmnopqrstuvwxyz"


@pytest.fixture
def rsa_depot(tmp_path: Path, tree: Path) -> Iterator[harness.RunningDepot]:
    """Serve with an RSA certificate: clients of TLS 1.0 often know no other."""
    with serve(tmp_path, tree, legacy()) as running:
        folder = running.home / "tls"
        request = [harness.need("openssl"), "req", "-x509", "-newkey", "rsa:2048", "-nodes"]
        request += ["-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"]
        request += ["-days", "30", "-keyout", str(folder / "server.key")]
        request += ["-out", str(folder / "server.pem")]
        subprocess.run(request, check=True, capture_output=True, timeout=60)
        running.wait_for_log("INFO in force in all")
        yield running


# What such clients know: RFC 2246 and RFC 3268 with a key exchange by RSA, RFC 4492 with ECDHE.
@pytest.mark.parametrize(
    "suite", ["AES128-SHA", "AES256-SHA", "ECDHE-RSA-AES128-SHA", "ECDHE-RSA-AES256-SHA"]
)
def test_suites_of_their_time_are_spoken(rsa_depot: harness.RunningDepot, suite: str) -> None:
    said = openssl(old_port(rsa_depot), "-tls1", "-cipher", f"{suite}:@SECLEVEL=0")
    assert f"Cipher is {suite}".encode() in said


@pytest.mark.parametrize("suite", ["aNULL", "eNULL", "RC4", "EXPORT", "DES", "3DES", "PSK", "SRP"])
def test_suites_that_protect_nothing_are_not(suite: str) -> None:
    pair = tls.issue(tls.authority.create("localhost"), ["localhost"])
    context = tls.ServerContext(pair.certificate, pair.key, ["legacy"]).of("legacy")
    offered = {each["name"] for each in context.get_ciphers()}
    every = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    every.set_ciphers("ALL:COMPLEMENTOFALL:@SECLEVEL=0")
    weak = {each["name"] for each in every.get_ciphers() if suite in each["description"]}
    with contextlib.suppress(ssl.SSLError):  # a library that knows no such suite has none to give
        every.set_ciphers(f"{suite}:@SECLEVEL=0")
        weak |= {each["name"] for each in every.get_ciphers() if "TLSv1.3" not in str(each)}
    assert offered & weak == set()
    assert len(offered) > 10


def test_the_best_that_a_client_knows_is_chosen_whatever_it_would_rather_have(
    rsa_depot: harness.RunningDepot,
) -> None:
    wish = "AES128-SHA:ECDHE-RSA-AES256-SHA:ECDHE-RSA-AES256-GCM-SHA384:@SECLEVEL=0"
    said = openssl(old_port(rsa_depot), "-tls1_2", "-cipher", wish)
    assert b"Cipher is ECDHE-RSA-AES256-GCM-SHA384" in said
    said = openssl(old_port(rsa_depot), "-tls1", "-cipher", wish)
    assert b"Cipher is ECDHE-RSA-AES256-SHA" in said


def test_ssl_3_is_not_spoken(depot: harness.RunningDepot) -> None:
    # RFC 6101 section 5.6.1.2: a hello of version 3.0 with RSA and AES; RFC 7568 forbids it.
    body = b"\x03\x00" + bytes(32) + b"\x00" + b"\x00\x06\x00\x2f\x00\x0a\x00\x05" + b"\x01\x00"
    hello = b"\x01" + len(body).to_bytes(3, "big") + body
    received = harness.raw(old_port(depot), b"\x16\x03\x00" + len(hello).to_bytes(2, "big") + hello)
    # RFC 5246 section 7.2: a fatal alert; 70 is protocol_version, 40 handshake_failure.
    assert received[:1] == b"\x15"
    assert (received[5], received[6] in {70, 40}) == (2, True)


@pytest.mark.parametrize(
    ("source", "welcome"),
    [
        *(("127.0.0.1", True), ("127.0.0.8", True), ("127.0.0.11", True)),
        *(("127.0.0.2", False), ("127.0.0.12", False)),
    ],
)
def test_only_its_clients_are_let_in(
    depot: harness.RunningDepot, source: str, welcome: bool
) -> None:
    assert is_let_in(old_port(depot), source) is welcome
    assert is_let_in(depot.port, source)
    said = f"WARNING 127.0.0.1 port {old_port(depot)} (legacy): {source} is not let in:"
    if not welcome:
        depot.wait_for_log(re.escape(f"{said} it is none of its clients") + "$")
    assert (said in depot.log()) is not welcome


def test_others_are_dropped_before_a_word_of_tls(depot: harness.RunningDepot) -> None:
    with socket.create_connection(("127.0.0.1", old_port(depot)), 20, ("127.0.0.2", 0)) as plain:
        assert harness.read_all(plain, silence=10) == b""


def test_what_is_dropped_takes_no_place_of_others(tmp_path: Path, tree: Path) -> None:
    mount = serving.mount("/", tree)
    with serving.serving(
        tmp_path, mount, listeners=[serving.TLS, legacy()], limits={"connections": 16}
    ) as depot:
        for _ in range(40):
            assert not is_let_in(old_port(depot), "127.0.0.2")
        assert is_let_in(old_port(depot), "127.0.0.1")


def test_a_line_a_minute_names_each_address_over_all_workers(tmp_path: Path, tree: Path) -> None:
    with serve(tmp_path, tree, legacy(), workers=4) as depot:
        for source in ("127.0.0.2", "127.0.0.3", "127.0.0.1"):
            for _ in range(20):
                is_let_in(old_port(depot), source)
        depot.wait_for_log("used by 127.0.0.1 with TLSv1.3")
        log = depot.log()
        assert log.count("127.0.0.2 is not let in") == 1
        assert log.count("127.0.0.3 is not let in") == 1
        assert log.count("used by 127.0.0.1 with TLSv1.3") == 1
        with harness.connected(old_port(depot), tls=old_client(depot)):
            depot.wait_for_log("used by 127.0.0.1 with TLSv1$")


def test_an_ipv6_client_is_let_in_by_its_network(tmp_path: Path, tree: Path) -> None:
    six = {**legacy(SOME_DAY, "::1/128"), "address": "::1"}
    other = {**legacy(SOME_DAY, "fd00:1::/64", "127.0.0.1"), "address": "::1"}
    with serve(tmp_path, tree, six, other) as depot:
        assert is_let_in(depot.endpoints[1].port, "::1", "::1")
        assert not is_let_in(depot.endpoints[2].port, "::1", "::1")


def test_after_its_last_day_nobody_is_let_in_and_the_depot_says_so(
    tmp_path: Path, tree: Path
) -> None:
    yesterday = TODAY - timedelta(days=1)
    with serve(tmp_path, tree, legacy(yesterday)) as depot:
        where = f"127.0.0.1 port {old_port(depot)} (legacy)"
        assert f"WARNING {where} lets nobody in since its last day, {yesterday}, is over\n" in (
            depot.log()
        )
        assert not is_let_in(old_port(depot), "127.0.0.1")
        line = f"WARNING {where}: 127.0.0.1 is not let in: its last day was {yesterday}"
        depot.wait_for_log(f"^{re.escape(line)}$")
        assert is_let_in(depot.port, "127.0.0.1")


@pytest.mark.slow
def test_the_last_day_ends_while_the_depot_runs(tmp_path: Path, tree: Path) -> None:
    faketime = harness.need("faketime")
    home = harness.make_home(tmp_path / "home", tree)
    harness.change_settings(home, listeners=[serving.TLS, legacy(SOME_DAY)])
    start = f"{SOME_DAY} 23:59:40"
    env = {"TZ": "UTC", "DONT_FAKE_MONOTONIC": "1", "FAKETIME_DONT_FAKE_MONOTONIC": "1"}
    depot = harness.start(home, workers=1, env=env, through=[faketime, start])
    try:
        assert is_let_in(old_port(depot), "127.0.0.1")
        assert "lets nobody in" not in depot.log()
        deadline = time.monotonic() + 60
        while is_let_in(old_port(depot), "127.0.0.1"):
            assert time.monotonic() < deadline
            time.sleep(0.5)
        depot.wait_for_log(f"127.0.0.1 is not let in: its last day was {SOME_DAY}$")
        assert is_let_in(depot.port, "127.0.0.1")
    finally:
        # The program that shifts the clock waits for the depot, and hands no signal on to it.
        for supervisor in harness.children(depot.process.pid):
            os.kill(supervisor, signal.SIGTERM)
        depot.process.wait(60)
        depot.stop(status=None)


@pytest.mark.parametrize(("day", "welcome"), [(0, True), (1, False), (-400, True), (400, False)])
def test_the_last_day_counts_to_its_end_and_no_longer(day: int, welcome: bool) -> None:
    last = date(2027, 3, 31)
    door = admission(["10.1.0.7"], last, last + timedelta(days=day))
    assert door.admits("10.1.0.7") is welcome


@pytest.mark.parametrize(
    ("address", "welcome"),
    [
        *(("10.1.0.7", True), ("::ffff:10.1.0.7", True), ("10.1.0.8", False)),
        *(("::10.1.0.7", False), ("fd00::5", True), ("fd00::5%eth0", True), ("fd01::5", False)),
        *(("", False), ("unix", False), ("10.1.0.7 ", False)),
    ],
)
def test_addresses_are_compared_as_what_they_stand_for(address: str, welcome: bool) -> None:
    # RFC 4291 section 2.5.5.2: an IPv4-mapped address is the IPv4 one; a compatible one is not.
    door = admission(["10.1.0.7", "fd00::/64"], date(2027, 3, 31), date(2027, 3, 1))
    assert door.admits(address) is welcome


def admission(clients: Sequence[str], until: date, day: date) -> Admission:
    networks = tuple(map(ipaddress.ip_network, clients))
    listener = Listener("10.0.0.5", 8444, "legacy", clients=networks, until=until)
    slot = memoryview(bytearray(Mentions.SIZE))
    return Admission(listener, Mentions(slot, [slot]), lambda: day)


def test_a_thing_is_due_once_a_minute_whichever_worker_sees_it() -> None:
    now = [5.0]
    slots = [memoryview(bytearray(Mentions.SIZE)) for _ in range(2)]
    first, second = (Mentions(slot, slots, lambda: now[0]) for slot in slots)
    assert first.is_due("a")
    assert not first.is_due("a")
    assert not second.is_due("a")
    assert second.is_due("b")
    now[0] += 59.9
    assert not second.is_due("a")
    now[0] += 0.2
    assert second.is_due("a")
    assert not first.is_due("a")


def test_a_flood_of_things_is_told_in_part_and_takes_no_more_memory() -> None:
    now = [5.0]
    slot = memoryview(bytearray(Mentions.SIZE))
    mentions = Mentions(slot, [slot], lambda: now[0])
    told = sum(mentions.is_due(str(number)) for number in range(20_000))
    assert told == 512
    now[0] += 61
    assert sum(mentions.is_due(str(number)) for number in range(20_000)) == 512


def test_a_new_certificate_counts_on_both_kinds_of_listener_in_every_worker(
    tmp_path: Path, tree: Path
) -> None:
    with serve(tmp_path, tree, legacy(), workers=2) as depot:
        assert leaves(depot, depot.port) == leaves(depot, old_port(depot))
        folder = depot.home / "tls"
        anchor = tls.Pair(
            (folder / "authority.pem").read_bytes(), (folder / "authority.key").read_bytes()
        )
        pair = tls.issue(anchor, ["localhost"])
        request = HTTP.replace(b"Connection: close\r\n", b"")
        with harness.connected(old_port(depot), tls=old_client(depot)) as standing:
            standing.sendall(request)
            assert b" 200 OK\r\n" in standing.recv(65536)
            (folder / "server.pem").write_bytes(pair.certificate)
            (folder / "server.key").write_bytes(pair.key)
            depot.wait_for_log("INFO in force in all 2 workers")
            wanted = {ssl.PEM_cert_to_DER_cert(pair.certificate.decode())}
            assert leaves(depot, depot.port) == wanted
            assert leaves(depot, old_port(depot)) == wanted
            standing.sendall(request)
            assert b" 200 OK\r\n" in standing.recv(65536)


def leaves(depot: harness.RunningDepot, port: int) -> set[bytes]:
    """Connect 24 times, by old TLS where that is spoken; give the certificates that are shown."""
    context = depot.context() if port == depot.port else old_client(depot)
    found = set()
    for _ in range(24):
        with harness.connected(port, tls=context) as secure:
            assert isinstance(secure, ssl.SSLSocket)
            found.add(secure.getpeercert(binary_form=True) or b"")
    return found


def test_the_start_names_address_port_clients_and_last_day(depot: harness.RunningDepot) -> None:
    where = f"127.0.0.1 port {old_port(depot)}"
    line = (
        f"WARNING {where} speaks TLS 1.0 and 1.1 too, which can be broken on the way,"
        f" to 127.0.0.1, 127.0.0.8/30 until {SOME_DAY}\n"
    )
    assert depot.log().count(line) == 1
    assert f"INFO listening on https://127.0.0.1:{old_port(depot)} (legacy)\n" in depot.log()
    assert "INFO the certificate's key is ECDSA, which old clients may not know;" in depot.log()
    depot.signal(signal.SIGHUP)
    depot.wait_for_log("INFO settings read again")


def test_with_an_rsa_key_nothing_is_said_of_keys(rsa_depot: harness.RunningDepot) -> None:
    home = rsa_depot.home
    rsa_depot.stop()
    again = harness.start(home)
    try:
        assert "old clients may not know" not in again.log()
    finally:
        again.stop()


def test_it_is_never_what_a_redirect_leads_to(tmp_path: Path, tree: Path) -> None:
    mount = serving.mount("/", tree)
    listeners = [legacy(), {**serving.PLAIN, "tls": "redirect"}, serving.TLS]
    with serving.serving(tmp_path, mount, listeners=listeners) as depot:
        _, redirect, modern = depot.endpoints
        got = harness.answer(harness.raw(redirect.port, harness.get("/x")))
        assert got.get("location") == f"https://localhost:{modern.port}/x"


def test_a_legacy_listener_alone_serves_with_a_certificate(tmp_path: Path, tree: Path) -> None:
    mount = serving.mount("/", tree)
    with serving.serving(tmp_path, mount, listeners=[legacy()]) as depot:
        assert depot.url.startswith("https://")
        received = harness.raw(depot.port, harness.get("/x"), tls=old_client(depot))
        assert harness.answer(received).body == b"x"


@pytest.mark.parametrize(("days", "status"), [(30, 0), (0, 0), (-1, 1)])
def test_inspect_shows_it_as_a_caution_and_past_its_last_day_as_a_fault(
    tmp_path: Path, tree: Path, days: int, status: int
) -> None:
    last = TODAY + timedelta(days=days)
    home = harness.make_home(tmp_path / "home", tree)
    harness.change_settings(home, listeners=[serving.TLS, legacy(last)])
    done = harness.run("inspect", "--home", home)
    said = done.stdout.decode()
    assert re.search(rf"(?m)^caution +protection +127\.0\.0\.1 port 0 .* until {last}$", said)
    over = re.search(r"(?m)^fault +protection .* lets nobody in since its last day", said)
    assert bool(over) is bool(status)
    assert done.returncode == status, said
