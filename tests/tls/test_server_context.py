from __future__ import annotations

import asyncio
import contextlib
import os
import queue
import socket
import ssl
import subprocess
import threading
from typing import TYPE_CHECKING

import harness
import pytest

from depotserve import tls
from depotserve.errors import CallerError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

HOSTS = ["localhost", "127.0.0.1"]
ANCHOR = tls.authority.create("localhost")


ALL: list[asyncio.BaseTransport] = []


class Echo(asyncio.Protocol):
    """Send back what comes, so that a connection shows that it still stands."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the way back."""
        self.transport = transport
        ALL.append(transport)

    def data_received(self, data: bytes) -> None:
        """Answer, and close after what an HTTP client sends."""
        self.transport.write(data)  # type: ignore[attr-defined]
        if data.startswith(b"GET "):
            self.transport.close()


@contextlib.contextmanager
def served(context: tls.ServerContext) -> Iterator[int]:
    """Serve with the event loop's own TLS, as a worker does; give the port."""
    ready: queue.Queue[tuple[int, Callable[[], object]]] = queue.Queue()

    async def serve() -> None:
        loop, ended = asyncio.get_running_loop(), asyncio.Event()
        loop.set_exception_handler(lambda *_: None)  # clients here break off on purpose
        server = await loop.create_server(Echo, "127.0.0.1", 0, ssl=context.of("modern"))
        port = server.sockets[0].getsockname()[1]
        ready.put((port, lambda: loop.call_soon_threadsafe(ended.set)))
        await ended.wait()
        server.close()
        while ALL:
            ALL.pop().abort()  # type: ignore[attr-defined]
        # And those that are still shaking hands, which the protocol does not know.
        for transport in [*loop._transports.values()]:  # type: ignore[attr-defined]  # noqa: SLF001
            transport.abort()
        await asyncio.sleep(0.1)

    thread = threading.Thread(target=asyncio.run, args=(serve(),))
    thread.start()
    port, end = ready.get(timeout=30)
    try:
        yield port
    finally:
        end()
        thread.join()


@pytest.fixture
def context() -> tls.ServerContext:
    first = tls.issue(ANCHOR, HOSTS)
    return tls.ServerContext(first.certificate, first.key)


def client(*, newest: ssl.TLSVersion = ssl.TLSVersion.TLSv1_3) -> ssl.SSLContext:
    made = ssl.create_default_context(cadata=ANCHOR.certificate.decode())
    made.maximum_version = newest
    return made


@contextlib.contextmanager
def connected(
    port: int, made: ssl.SSLContext, name: str | None = "localhost"
) -> Iterator[ssl.SSLSocket]:
    with socket.create_connection(("127.0.0.1", port), 30) as plain:
        if name is None:
            made.check_hostname = False  # the library sends no SNI without a name to check
        with made.wrap_socket(plain, server_hostname=name) as secure:
            yield secure


def fingerprint(port: int, made: ssl.SSLContext, name: str | None = "localhost") -> bytes:
    with connected(port, made, name) as secure:
        leaf = secure.getpeercert(binary_form=True)
        assert leaf
        return leaf


def der(pair: tls.Pair) -> bytes:
    return ssl.PEM_cert_to_DER_cert(pair.certificate.decode())


@pytest.mark.parametrize("newest", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
def test_tls_1_2_and_1_3_are_spoken(context: tls.ServerContext, newest: ssl.TLSVersion) -> None:
    with served(context) as port, connected(port, client(newest=newest)) as secure:
        assert secure.version() == newest.name.replace("_", ".")
        assert secure.compression() is None
        cipher = secure.cipher()
        assert cipher
        assert "GCM" in cipher[0] or "CHACHA20" in cipher[0]


# RFC 8996: TLS 1.0 and 1.1 MUST NOT be used. Outside check: openssl s_client at its lowest level.
@pytest.mark.parametrize("old", ["-tls1", "-tls1_1"])
def test_older_protocols_are_refused(context: tls.ServerContext, old: str) -> None:
    with served(context) as port:
        for version, works in ((old, False), ("-tls1_2", True)):
            command = ["openssl", "s_client", "-connect", f"127.0.0.1:{port}", version]
            command += ["-cipher", "ALL:@SECLEVEL=0"]
            done = subprocess.run(
                command, input=b"Q\n", capture_output=True, timeout=30, check=False
            )
            assert (b"Cipher is ECDHE" in done.stdout) == works, done.stdout


@pytest.mark.parametrize("suites", ["AES128-SHA", "AES128-GCM-SHA256", "ECDHE-ECDSA-AES128-SHA"])
def test_suites_without_forward_secrecy_or_authentication_are_refused(
    context: tls.ServerContext, suites: str
) -> None:
    weak = client(newest=ssl.TLSVersion.TLSv1_2)
    weak.set_ciphers(f"{suites}:@SECLEVEL=0")
    with served(context) as port, pytest.raises((ssl.SSLError, ConnectionError)):
        fingerprint(port, weak)


# RFC 5746 lets a server refuse. Outside check: openssl s_client asks with its command R.
def test_renegotiation_is_refused(context: tls.ServerContext) -> None:
    with served(context) as port:
        command = ["openssl", "s_client", "-connect", f"127.0.0.1:{port}", "-tls1_2"]
        done = subprocess.run(
            [*command, "-msg"], input=b"R\n", capture_output=True, timeout=30, check=False
        )
    assert b"RENEGOTIATING" in done.stdout + done.stderr
    assert b"no_renegotiation" in done.stdout + done.stderr


@pytest.mark.parametrize("newest", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
@pytest.mark.parametrize("name", ["localhost", None, "unknown.example"])
def test_a_new_certificate_counts_for_new_connections_whatever_name_they_ask_for(
    context: tls.ServerContext, newest: ssl.TLSVersion, name: str | None
) -> None:
    second = tls.issue(ANCHOR, HOSTS)
    with served(context) as port:
        before = fingerprint(port, client(newest=newest))
        with connected(port, client(newest=newest)) as standing:
            context.replace(second.certificate, second.key)
            asking = client(newest=newest)
            asking.check_hostname = False
            after = fingerprint(port, asking, name)
            assert after == der(second)
            assert after != before
            standing.sendall(b"still here")
            assert standing.recv(100) == b"still here"


def test_a_bad_certificate_changes_nothing(context: tls.ServerContext) -> None:
    second = tls.issue(ANCHOR, HOSTS)
    with served(context) as port:
        before = fingerprint(port, client())
        for certificate in (second.certificate, second.certificate[:-100], b""):
            with pytest.raises(CallerError):
                context.replace(certificate, tls.issue(ANCHOR, HOSTS).key)
        assert fingerprint(port, client()) == before


def test_certificates_can_be_replaced_again_and_again_without_leaving_files_open(
    context: tls.ServerContext,
) -> None:
    with served(context) as port:
        for _ in range(20):
            newest = tls.issue(ANCHOR, HOSTS)
            context.replace(newest.certificate, newest.key)
            assert fingerprint(port, client()) == der(newest)
    before = open_files()
    context.replace(newest.certificate, newest.key)
    assert open_files() == before


def open_files() -> int:
    return len(os.listdir("/proc/self/fd"))


def test_a_client_that_does_not_know_the_authority_refuses(context: tls.ServerContext) -> None:
    stranger = ssl.create_default_context()
    with served(context) as port, pytest.raises(ssl.SSLCertVerificationError):
        fingerprint(port, stranger)


# Outside check: curl, over each version, with the anchor alone.
@pytest.mark.parametrize("version", ["1.2", "1.3"])
def test_curl_verifies_by_name_and_by_address(
    context: tls.ServerContext, tmp_path: Path, version: str
) -> None:
    curl = harness.need("curl")
    anchor = tmp_path / "authority.pem"
    anchor.write_bytes(ANCHOR.certificate)
    with served(context) as port:
        for host in ("localhost", "127.0.0.1"):
            command = [curl, "--cacert", str(anchor), f"--tlsv{version}", "--tls-max", version]
            # The echo server sends the request back, which no HTTP client takes; TLS stood then.
            done = subprocess.run(
                [*command, "--http0.9", "-s", "--max-time", "3", f"https://{host}:{port}/"],
                capture_output=True,
                timeout=30,
                check=False,
            )
            assert b"GET / HTTP/1.1" in done.stdout, done
