"""Servers that are in order and unlike ours get no fault; those at fault get the right one."""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import itertools
import socket
import ssl
import struct
import subprocess
import time
from email.utils import formatdate
from typing import TYPE_CHECKING, Callable, Optional

import attrs
import harness
import papers
import pytest
from looking import LIMITS, faults, look, of, words
from stubs import CONTENT, Asked, Shelf, Stub, listening, read_head, saying

from depotserve.probe import State

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from depotserve.probe import Report

Answer = Callable[[Asked], Optional[bytes]]


@attrs.define
class Odd:
    """A whole depot, but for the requests to which `answer` has an answer of its own."""

    answer: Answer
    shelf: Shelf = attrs.Factory(Shelf)

    def __call__(self, connection: socket.socket, stub: Stub) -> None:
        """Serve one connection."""
        while head := read_head(connection):
            stub.asked.append(Asked.of(head))
            own = self.answer(stub.asked[-1])
            connection.sendall(self.shelf.bytes_for(stub.asked[-1]) if own is None else own)


def written(status: str, *fields: str, body: bytes = b"") -> bytes:
    """Write an answer with its length."""
    lines = [f"HTTP/1.1 {status}", *fields, f"Content-Length: {len(body)}", "", ""]
    return "\r\n".join(lines).encode("latin-1") + body


def looked(answer: Answer, shelf: Shelf | None = None, **changes: object) -> Report:
    """Probe a depot over plain HTTP that answers so."""
    with listening(Odd(answer, shelf or Shelf())) as stub:
        return look(f"http://127.0.0.1:{stub.port}/", send_anyway=True, **changes)


def page(*hrefs: str) -> bytes:
    """Write a listing as HTML."""
    body = "".join(f'<li><a href="{href}">x</a>' for href in hrefs).encode()
    return written("200 OK", "Content-Type: text/html", body=body)


def test_a_digest_that_stands_beside_another_file_is_not_held_against_this_one() -> None:
    def answer(asked: Asked) -> bytes | None:
        if asked.target == "/":
            return page("f.bin", "g.bin.sha256")
        lone = hashlib.sha256(b"another").hexdigest().encode()
        return written("200 OK", body=lone) if asked.target == "/g.bin.sha256" else None

    report = looked(answer, Shelf(asks=False))
    assert report.status == 0
    assert of(report, "digest").seen == "as Repr-Digest (sha-256) says"


@pytest.mark.parametrize(
    "guess",
    [written("302 Found", "Location: http://portal.plant.example/"), written("500 X")],
    ids=["leads away", "fails"],
)
def test_a_guessed_list_that_is_not_there_is_no_fault(guess: bytes) -> None:
    def answer(asked: Asked) -> bytes | None:
        return None if asked.target in {"/", "/f.bin"} else guess

    assert looked(answer, file="f.bin").status == 0


@pytest.mark.parametrize(
    "value",
    [
        'Digest realm="a basic realm", nonce="x, basic y"',
        'Digest realm="Basic, Basic ", qop="auth"',
        'Digest realm="a \\", Basic ", Basic = x',
        "Negotiate",
        'Bearer realm="basic"',
    ],
)
def test_the_word_basic_in_another_challenge_offers_no_basic(value: str) -> None:
    assert faults(looked(lambda _: None, Shelf(challenge=value))) == ["challenge"]


@pytest.mark.parametrize(
    "value", ["Negotiate, Basic realm=x", "NTLM dGVzdA==, basic realm=x", ",,Basic", "BASIC"]
)
def test_basic_beside_other_challenges_is_found(value: str) -> None:
    assert looked(lambda _: None, Shelf(challenge=value)).status == 0


def test_a_date_from_a_cache_is_counted_with_its_age() -> None:
    def answer(asked: Asked) -> bytes | None:
        if asked.target != "/":
            return None
        date = formatdate(time.time() - 5000, usegmt=True)
        return written("200 OK", f"Date: {date}", "Age: 5000", "Content-Type: text/plain")

    report = looked(answer)
    assert of(report, "clock").state is State.PASS


def test_a_file_that_is_dated_in_the_future_is_no_fault() -> None:
    # Its Last-Modified is the moment of the answer (RFC 9110 section 8.8.2.1).
    def answer(asked: Asked) -> bytes | None:
        if asked.target != "/f.bin" or "range" in asked.fields:
            return None
        time.sleep(1.1)
        body = b"" if asked.method == "HEAD" else CONTENT
        now = formatdate(usegmt=True)
        head = f"HTTP/1.1 200 OK\r\nDate: {now}\r\nLast-Modified: {now}\r\n"
        return f"{head}Content-Length: {len(CONTENT)}\r\n\r\n".encode() + body

    report = looked(answer, Shelf(asks=False))
    assert faults(report) == []
    assert of(report, "conditional").state is State.UNKNOWN


def test_a_depot_that_wants_fewer_requests_is_not_blamed_for_the_measuring() -> None:
    numbers = itertools.count()
    report = looked(
        lambda _: written("429 X") if next(numbers) > 40 else None, Shelf(), seconds=1.0
    )
    assert report.status == 0
    assert "(429)" in of(report, "throughput").seen


@pytest.mark.parametrize("status", ["407 Proxy Authentication Required", "511 X"])
def test_an_answer_of_a_proxy_is_known_as_that(status: str) -> None:
    report = looked(lambda _: written(status))
    assert faults(report) == ["answer"]
    assert "a proxy's or gateway's" in words(report.first)


def test_400_on_a_tls_port_is_known_as_that(tmp_path: Path) -> None:
    own = papers.context(tmp_path, papers.leaf(papers.authority()))

    def serve(connection: socket.socket, stub: Stub) -> None:
        if connection.recv(1, socket.MSG_PEEK) == b"\x16":
            with contextlib.suppress(OSError), own.wrap_socket(connection, server_side=True) as tls:
                tls.recv(1)
        else:
            saying(written("400 Bad Request", "Connection: close"))(connection, stub)

    with listening(serve) as stub:
        report = look(f"http://127.0.0.1:{stub.port}/")
    assert faults(report) == ["answer"]
    assert "speaks TLS" in words(report.first)


def test_a_redirect_that_is_no_address_is_a_fault_and_no_crash() -> None:
    report = looked(lambda _: written("302 Found", "Location: http://["))
    assert faults(report) == ["redirects"]


def test_a_banner_of_another_protocol_is_shown() -> None:
    with listening(saying(b"SSH-2.0-x\r\n", wait_for_head=False)) as stub:
        report = look(f"http://127.0.0.1:{stub.port}/")
    assert "speaks another protocol" in words(report.first)
    assert "SSH-2.0-x" in words(report.first)


@pytest.mark.parametrize("tls", [False, True], ids=["plain", "TLS"])
def test_a_body_after_head_is_named(tls: bool, tmp_path: Path) -> None:
    def answer(asked: Asked) -> bytes | None:
        return written("200 OK", body=CONTENT) if asked.method == "HEAD" else None

    root = papers.authority()
    ca = tmp_path / "ca.pem"
    ca.write_bytes(root.pem)
    own = papers.context(tmp_path, papers.leaf(root)) if tls else None
    with listening(Odd(answer), own) as stub:
        url = f"{'https' if tls else 'http'}://127.0.0.1:{stub.port}/"
        report = look(url, ca, send_anyway=True)
    assert faults(report) == ["reuse"]
    assert "bytes that nobody asked for" in words(report.first)


def _slowly(begin: bytes, size: int) -> Callable[[socket.socket, Stub], None]:
    """Answer the file's requests by 200 and send it slowly, whatever part is asked for."""

    def serve(connection: socket.socket, stub: Stub) -> None:
        while head := read_head(connection):
            asked = Asked.of(head)
            stub.asked.append(asked)
            connection.sendall(begin)
            for _ in range(0 if asked.method == "HEAD" else size // 10000):
                connection.sendall(bytes(10000))
                time.sleep(0.02)

    return serve


def test_no_ranges_on_a_slow_line_are_called_no_ranges() -> None:
    begin = b"HTTP/1.1 200 OK\r\nContent-Length: 8000000\r\n\r\n"
    limits = attrs.evolve(LIMITS, answer=1, file=1)
    with listening(_slowly(begin, 8_000_000)) as stub:
        report = look(f"http://127.0.0.1:{stub.port}/", file="f.bin", limits=limits)
    assert faults(report) == ["ranges"]
    assert "no ranges" in words(report.first)


def test_a_long_listing_on_a_slow_line_is_read_as_far_as_it_comes() -> None:
    body = b'<a href="f.bin">f</a>' + b" " * 8_000_000

    def serve(connection: socket.socket, stub: Stub) -> None:
        while head := read_head(connection):
            asked = Asked.of(head)
            stub.asked.append(asked)
            if asked.target != "/":
                connection.sendall(Shelf(asks=False).bytes_for(asked))
                continue
            fields = f"Content-Type: text/html\r\nContent-Length: {len(body)}\r\n\r\n"
            connection.sendall(f"HTTP/1.1 200 OK\r\n{fields}".encode())
            for at in range(0, len(body), 10000):
                connection.sendall(body[at : at + 10000])
                time.sleep(0.02)

    with listening(serve) as stub:
        limits = attrs.evolve(LIMITS, answer=1)
        report = look(f"http://127.0.0.1:{stub.port}/", limits=limits)
    assert report.status == 0
    assert of(report, "listing").seen == "1 files, 0 folders, as far as it came in time"
    assert "/f.bin" in of(report, "file").seen


@pytest.mark.parametrize("kind", ["gzip", "other JSON", "empty first"])
def test_listings_of_other_software_are_read(kind: str) -> None:
    def answer(asked: Asked) -> bytes | None:
        if asked.target == "/empty":
            return written("200 OK")
        if asked.target != "/":
            return None
        if kind == "gzip":
            fields = ("Content-Type: text/html", "Content-Encoding: gzip")
            return written("200 OK", *fields, body=gzip.compress(b'<a href="f.bin">f</a>'))
        if kind == "other JSON" and "json" in asked.fields["accept"]:
            return written("200 OK", "Content-Type: application/json", body=b'["f.bin"]')
        return page("empty", "f.bin") if kind == "empty first" else page("f.bin")

    report = looked(answer, Shelf(asks=False))
    assert report.status == 0
    assert of(report, "file").seen == f"/f.bin: {len(CONTENT)} bytes"


def test_a_port_that_resets_at_once_is_not_blamed_on_this_machine() -> None:
    def reset(connection: socket.socket, _stub: Stub) -> None:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))

    with listening(reset) as stub:
        report = look(f"http://127.0.0.1:{stub.port}/")
    assert report.first is not None
    assert words(report.first).split("|")[-1].startswith(" depot:")


@pytest.fixture(name="root")
def _root(tmp_path: Path) -> Iterator[papers.Paper]:
    root = papers.authority(end=papers.DAY)
    (tmp_path / "ca.pem").write_bytes(root.pem)
    return root


def test_a_client_certificate_that_is_wanted_over_tls_1_2_is_named(
    root: papers.Paper, tmp_path: Path
) -> None:
    own = papers.context(tmp_path, papers.leaf(root))
    own.maximum_version = ssl.TLSVersion.TLSv1_2
    own.verify_mode = ssl.CERT_REQUIRED
    own.load_verify_locations(tmp_path / "ca.pem")
    with listening(Shelf(), own) as stub:
        report = look(f"https://localhost:{stub.port}/", tmp_path / "ca.pem")
    assert faults(report) == ["handshake"]
    assert "asks for a client's certificate" in words(report.first)


@pytest.mark.parametrize(("offset", "which"), [("-3650d", "behind"), ("+3650d", "ahead of")])
def test_a_clock_of_the_client_that_is_years_off_is_the_first_cause(
    offset: str, which: str, root: papers.Paper, tmp_path: Path
) -> None:
    own = papers.context(tmp_path, papers.leaf(root))
    secret = tmp_path / "secret"
    secret.write_text("s3cret\n")
    shift = [harness.need("faketime"), "--exclude-monotonic", "-f", offset]
    with listening(Shelf(), own) as stub:
        done = subprocess.run(
            [
                *(*shift, *harness.command("probe", f"https://localhost:{stub.port}/")),
                *("--ca", tmp_path / "ca.pem", "--user", "ann", "--passphrase-file", secret),
            ],
            env=harness.environment(),
            capture_output=True,
            check=False,
            timeout=60,
        )
    assert done.returncode == 1
    verdict = done.stdout.decode()
    assert f"this machine's clock is {which} the depot's" in verdict
    assert "The first fault: authority. Next, on the client: compare both" in verdict
    assert stub.authorizations == []


def test_a_listing_that_fails_keeps_nobody_from_a_file_that_is_named() -> None:
    def answer(asked: Asked) -> bytes | None:
        return written("500 X") if asked.target == "/" else None

    report = looked(answer, Shelf(asks=False), file="f.bin")
    assert faults(report) == ["listing"]
    assert of(report, "ranges").state is State.PASS


def test_a_challenge_of_quotes_that_never_end_is_read_at_once() -> None:
    start = time.monotonic()
    report = looked(lambda _: None, Shelf(challenge='Digest realm="' + '\\"' * 30_000))
    assert time.monotonic() - start < 5  # seconds; all 60,000 characters took over ten
    assert faults(report) == ["challenge"]
