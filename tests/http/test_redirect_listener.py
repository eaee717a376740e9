"""A plain listener that sends everybody to TLS: it keeps the target and asks for no password."""

from __future__ import annotations

import ssl
import subprocess
from typing import TYPE_CHECKING

import harness
import pytest
import serving

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

REDIRECT = {"address": "127.0.0.1", "port": 0, "tls": "redirect"}


@pytest.fixture(scope="module")
def depot(tmp_path_factory: pytest.TempPathFactory) -> Iterator[harness.RunningDepot]:
    folder = tmp_path_factory.mktemp("redirect")
    (folder / "tree" / "d").mkdir(parents=True)
    (folder / "tree" / "a b.bin").write_bytes(b"firmware")
    listeners = [serving.TLS, REDIRECT]
    with serving.serving(
        folder, serving.mount("/", folder / "tree"), listeners=listeners
    ) as running:
        yield running


def ports(depot: harness.RunningDepot) -> tuple[int, int]:
    """Give the port of the TLS listener and that of the redirect listener."""
    secure = next(each.port for each in depot.endpoints if each.scheme == "https")
    plain = next(each.port for each in depot.endpoints if each.redirect)
    return secure, plain


def ask(depot: harness.RunningDepot, head: str) -> harness.Answer:
    request = f"{head}\r\nConnection: close\r\n\r\n".encode("latin-1")
    return harness.answer(serving.ask(ports(depot)[1], request).data)


@pytest.mark.parametrize(
    "target",
    [
        *("/", "/d/", "/d", "/a%20b.bin", "/none", "/a?b=c&d=%2F%0A#".rstrip("#"), "/?"),
        *("/_depot/health", "/_depot/ready", "/.env", "/x?u=https://evil.example/"),
    ],
)
@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_a_redirect_keeps_target_and_query_and_names_the_secure_port(
    depot: harness.RunningDepot, target: str, method: str
) -> None:
    secure, plain = ports(depot)
    got = ask(depot, f"{method} {target} HTTP/1.1\r\nHost: depot.plant.example:{plain}")
    assert got.status == 301
    kept = target.rstrip("?")
    assert got.get("location") == f"https://depot.plant.example:{secure}{kept}"
    assert got.get("www-authenticate") is None


@pytest.mark.parametrize(
    ("host", "shown"),
    [
        ("127.0.0.1", "127.0.0.1"),
        ("127.0.0.1:80", "127.0.0.1"),
        ("[::1]", "[::1]"),
        ("[::1]:8080", "[::1]"),
        ("depot.plant.example:", "depot.plant.example"),
        ("DEPOT", "DEPOT"),
    ],
)
def test_a_redirect_goes_to_the_host_that_was_asked(
    depot: harness.RunningDepot, host: str, shown: str
) -> None:
    got = ask(depot, f"GET /d HTTP/1.1\r\nHost: {host}")
    assert got.get("location") == f"https://{shown}:{ports(depot)[0]}/d"


@pytest.mark.parametrize("host", ["", ":80", "a b", "a/b", "u@evil.example", "a\\b", "[::1", "<x>"])
def test_a_host_that_is_none_is_refused(depot: harness.RunningDepot, host: str) -> None:
    got = ask(depot, f"GET /d HTTP/1.1\r\nHost: {host}")
    assert (got.status, got.get("location")) == (400, None)


@pytest.mark.parametrize(
    "target", ["//evil.example/x", "///evil.example", "/\\evil.example", "/%5cevil.example/.."]
)
def test_no_target_leads_to_another_host(depot: harness.RunningDepot, target: str) -> None:
    got = ask(depot, f"GET {target} HTTP/1.1\r\nHost: depot.plant.example")
    location = got.get("location") or "https://depot.plant.example:"
    assert location.startswith("https://depot.plant.example:")
    assert "//evil" not in location.partition("://")[2]


def test_a_target_in_absolute_form_overrides_the_host_field(depot: harness.RunningDepot) -> None:
    # RFC 9112 section 3.2.2.
    got = ask(depot, "GET http://depot:80/d?x HTTP/1.1\r\nHost: other.example")
    assert got.get("location") == f"https://depot:{ports(depot)[0]}/d?x"


def test_a_request_of_http_1_0_without_host_has_nowhere_to_go(depot: harness.RunningDepot) -> None:
    got = ask(depot, "GET /d HTTP/1.0")
    assert (got.status, got.get("location")) == (400, None)


@pytest.mark.parametrize("field", [harness.AUTHORIZATION.decode().strip(), "Authorization: Basic"])
def test_credentials_are_neither_asked_for_nor_looked_at(
    depot: harness.RunningDepot, field: str
) -> None:
    for _ in range(15):
        got = ask(depot, f"GET /a%20b.bin HTTP/1.1\r\nHost: h\r\n{field}")
        assert (got.status, got.get("www-authenticate")) == (301, None)


def test_what_a_depot_refuses_it_refuses_here_too(depot: harness.RunningDepot) -> None:
    assert ask(depot, "GET /../x HTTP/1.1\r\nHost: h").status == 400
    got = ask(depot, "POST /x HTTP/1.1\r\nHost: h\r\nContent-Length: 0")
    assert (got.status, got.get("allow")) == (405, "GET, HEAD, OPTIONS")


def test_a_client_that_follows_the_redirect_gets_the_file(
    depot: harness.RunningDepot, tmp_path: Path
) -> None:
    config = tmp_path / "curlrc"
    config.write_text(f'user = "{harness.USER}:{harness.PASSPHRASE}"\nproxy = ""\n')
    curl = [harness.need("curl"), "--config", str(config), "--silent", "--show-error", "--fail"]
    address = f"http://localhost:{ports(depot)[1]}/a%20b.bin"
    # --location-trusted: curl holds another port for another place, and sends no password there.
    done = subprocess.run(
        [*curl, "--location-trusted", "--cacert", str(depot.authority), address],
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stdout) == (0, b"firmware"), done.stderr


def test_tls_is_not_spoken_on_a_redirect_listener(depot: harness.RunningDepot) -> None:
    with pytest.raises((ssl.SSLError, OSError)):
        harness.raw(ports(depot)[1], harness.get("/"), tls=depot.context())
