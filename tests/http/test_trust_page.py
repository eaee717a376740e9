"""The authority's page: given to whoever asks once that is set, and what is got there is of use."""

from __future__ import annotations

import json
import re
import shutil
import ssl
import subprocess
from datetime import datetime, timezone
from typing import TYPE_CHECKING

import harness
import pytest
import serving
from cryptography import x509

from depotserve.http import pages
from depotserve.tls import Anchor, authority

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

KINDS = ("modern", "redirect", "none")
LISTENERS = [{"address": "127.0.0.1", "port": 0, "tls": kind} for kind in KINDS]
PUBLISH = {"publish_authority": True}
PLACES = ("/_depot/trust", "/_depot/trust.pem", "/_depot/trust.cer")
HTML = "Accept: text/html,application/xhtml+xml,*/*;q=0.8"  # as browsers send it


@pytest.fixture(scope="module")
def depot(tmp_path_factory: pytest.TempPathFactory) -> Iterator[harness.RunningDepot]:
    folder = tmp_path_factory.mktemp("trust")
    (folder / "tree").mkdir()
    (folder / "tree" / "x").write_bytes(b"x")
    mount = serving.mount("/", folder / "tree")
    with serving.serving(folder, mount, listeners=LISTENERS, tls=PUBLISH) as running:
        yield running


def ask(
    depot: harness.RunningDepot,
    target: str,
    *headers: str,
    kind: str = "redirect",
    method: str = "GET",
) -> harness.Answer:
    """Ask by a listener of one kind, without credentials."""
    port = depot.endpoints[KINDS.index(kind)].port
    tls = depot.context() if kind == "modern" else None
    request = harness.get(target, *headers, method=method, signed_in=False)
    return harness.answer(harness.raw(port, request, tls=tls))


def curl(depot: harness.RunningDepot, kind: str, target: str, *options: str) -> bytes:
    """Fetch by curl, which must succeed."""
    endpoint = depot.endpoints[KINDS.index(kind)]
    address = f"{endpoint.scheme}://localhost:{endpoint.port}{target}"
    done = subprocess.run(
        [harness.need("curl"), "-q", "--noproxy", "*", "-sS", "--fail", *options, address],
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def openssl(*arguments: str, stdin: bytes = b"") -> bytes:
    command = [harness.need("openssl"), *arguments]
    done = subprocess.run(command, input=stdin, capture_output=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def fingerprint(file: Path) -> str:
    """Let openssl compute the fingerprint of a certificate file."""
    said = openssl("x509", "-noout", "-fingerprint", "-sha256", "-in", str(file))
    return said.decode().strip().partition("=")[2]


def root(depot: harness.RunningDepot) -> bytes:
    return ssl.PEM_cert_to_DER_cert(depot.authority.read_text())


# Outside check: curl saves what it gets without TLS, and verifies TLS by that.
@pytest.mark.parametrize("kind", ["redirect", "none"])
@pytest.mark.parametrize("place", ["/_depot/trust", "/_depot/trust.pem"])
def test_what_curl_saves_without_tls_verifies_the_tls_listener(
    depot: harness.RunningDepot, tmp_path: Path, kind: str, place: str
) -> None:
    saved = tmp_path / "depot.pem"
    saved.write_bytes(curl(depot, kind, place))
    assert curl(depot, "modern", "/_depot/health", "--cacert", str(saved)) == b"alive\n"
    assert curl(depot, "modern", place, "--cacert", str(saved)) == saved.read_bytes()
    assert fingerprint(saved) == fingerprint(depot.authority)


# Outside checks: openssl, Python and a JVM's keytool read the text with its words as it stands.
def test_the_text_is_a_certificate_file_to_those_who_read_such_files(
    depot: harness.RunningDepot, tmp_path: Path
) -> None:
    text = ask(depot, "/_depot/trust").body
    saved = tmp_path / "depot.pem"
    saved.write_bytes(text)
    ssl.create_default_context(cafile=str(saved))
    context = ssl.create_default_context(cadata=text.decode("ascii"))
    with harness.connected(depot.port, tls=context) as secure:
        assert isinstance(secure, ssl.SSLSocket)
        assert secure.version() == "TLSv1.3"
    leaf = depot.home / "tls" / "server.pem"
    said = openssl("verify", "-x509_strict", "-CAfile", str(saved), str(leaf))
    assert said.endswith(b": OK\n")
    assert x509.load_pem_x509_certificates(text) == [x509.load_der_x509_certificate(root(depot))]


@pytest.mark.slow
def test_a_jvm_takes_the_text_into_a_trust_store(
    depot: harness.RunningDepot, tmp_path: Path
) -> None:
    saved = tmp_path / "depot.pem"
    saved.write_bytes(ask(depot, "/_depot/trust").body)
    done = subprocess.run(
        [
            *(harness.need("keytool"), "-importcert", "-noprompt", "-trustcacerts"),
            *("-alias", "depot", "-file", str(saved), "-storepass", "changeit"),
            *("-storetype", "PKCS12", "-keystore", str(tmp_path / "trust.p12")),
        ],
        capture_output=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout


def test_text_and_page_and_document_show_the_fingerprint_that_openssl_computes(
    depot: harness.RunningDepot,
) -> None:
    wanted = fingerprint(depot.authority)
    text = ask(depot, "/_depot/trust")
    assert text.get("content-type") == "text/plain; charset=utf-8"
    assert wanted in re.sub(r"\s", "", text.body.decode("ascii"))
    page = ask(depot, "/_depot/trust", HTML)
    assert page.get("content-type") == "text/html; charset=utf-8"
    assert wanted in re.sub(r"<[^>]*>", "", page.body.decode())
    document = ask(depot, "/_depot/trust", "Accept: application/json")
    assert document.get("content-type") == "application/json"
    (found,) = json.loads(document.body)["authorities"]
    assert found["sha256"] == wanted
    assert found["pem"].encode() == depot.authority.read_bytes()
    certificate = x509.load_der_x509_certificate(root(depot))
    assert found["subject"] == certificate.subject.rfc4514_string()
    assert datetime.fromisoformat(found["not_after"].replace("Z", "+00:00")) == (
        certificate.not_valid_after_utc
    )


@pytest.mark.parametrize("form", ["Accept: text/plain", HTML])
def test_the_words_say_to_compare_by_another_way_before_trusting(
    depot: harness.RunningDepot, form: str
) -> None:
    page = re.sub(r"<[^>]*>", "", ask(depot, "/_depot/trust", form).body.decode())
    said = re.sub(r"\s+", " ", page)
    for wanted in (
        "Do not trust it yet.",
        "plain HTTP",
        "proves nothing by itself",
        "telephone",
        "paper",
        "depotserve cert show",
        "openssl x509 -noout -fingerprint -sha256 -in",
        "If a single digit differs, delete the file",
        "If all are the same, give the file to your client",
    ):
        assert wanted in said


def test_the_files_have_the_registered_types_and_the_certificate_itself(
    depot: harness.RunningDepot,
) -> None:
    pem = ask(depot, "/_depot/trust.pem")
    assert pem.get("content-type") == "application/pem-certificate-chain"  # RFC 8555 section 9.1
    assert pem.body == depot.authority.read_bytes()
    der = ask(depot, "/_depot/trust.cer")
    assert der.get("content-type") == "application/pkix-cert"  # RFC 2585 section 4
    assert der.body == root(depot)
    assert pem.get("content-disposition") == 'attachment; filename="trust.pem"'
    assert der.get("content-disposition") == 'attachment; filename="trust.cer"'


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("place", PLACES)
def test_it_is_given_without_a_password_by_every_listener_and_kept_nowhere(
    depot: harness.RunningDepot, kind: str, place: str
) -> None:
    got = ask(depot, place, kind=kind)
    assert got.status == 200
    assert got.get("cache-control") == "no-store"
    assert got.get("x-content-type-options") == "nosniff"
    assert b"PRIVATE KEY" not in got.body
    head = ask(depot, place, kind=kind, method="HEAD")
    assert head.status == 200
    assert head.body == b""
    volatile = {"date"}
    assert [pair for pair in head.headers if pair[0] not in volatile] == [
        pair for pair in got.headers if pair[0] not in volatile
    ]
    options = ask(depot, place, kind=kind, method="OPTIONS")
    assert (options.status, options.get("allow")) == (204, "GET, HEAD, OPTIONS")
    assert ask(depot, place, kind=kind, method="POST").status == 405


def test_the_page_loads_nothing_but_its_style_sheet_which_comes_without_tls_too(
    depot: harness.RunningDepot,
) -> None:
    page = ask(depot, "/_depot/trust", HTML)
    assert page.get("content-security-policy") == pages.CONTENT_SECURITY_POLICY
    assert page.get("vary") == "Accept"
    assert re.findall(r'(?:src|<link[^>]*href)="([^"]*)"', page.body.decode()) == [pages.STYLE_PATH]
    assert ask(depot, pages.STYLE_PATH).body == pages.STYLE


@pytest.mark.parametrize(
    "target",
    [
        *("/", "/x", "/_depot/health", "/_depot/ready", "/_depot/trust/", "/_depot/trust.key"),
        *("/trust", "/x/trust", "/_depot/_depot/trust", "/_depot/authority.key", "/_depot/Trust"),
        *("/_depot/trust%20", "/_depot/trust/trust", "/_depot/"),
    ],
)
def test_everything_else_is_still_sent_to_tls(depot: harness.RunningDepot, target: str) -> None:
    got = ask(depot, target)
    assert (got.status, got.body) == (301, b"This depot is served over TLS.\n")
    assert (got.get("location") or "").startswith(f"https://localhost:{depot.port}")


def test_nobody_is_let_in_by_it(depot: harness.RunningDepot) -> None:
    assert ask(depot, "/x", kind="none").status == 401
    assert ask(depot, "/x?/_depot/trust", kind="none").status == 401
    assert ask(depot, "/_depot/trust.key", kind="none").status == 404


def test_the_log_says_that_it_is_given(depot: harness.RunningDepot) -> None:
    line = "INFO the authority's certificate is given to whoever asks for /_depot/trust\n"
    assert depot.log().count(line) == 1


def test_off_by_default_it_is_a_page_like_any_that_is_not_there(tmp_path: Path, tree: Path) -> None:
    with serving.serving(tmp_path, serving.mount("/", tree), listeners=LISTENERS) as running:
        for place in PLACES:
            assert ask(running, place, kind="redirect").status == 301
            for kind in ("modern", "none"):
                got = ask(running, place, kind=kind)
                other = ask(running, "/_depot/none", kind=kind)
                assert (got.status, got.body) == (404, other.body)
        assert ask(running, pages.STYLE_PATH, kind="redirect").status == 301
        assert "trust" not in running.log()
        harness.change_settings(running.home, tls=PUBLISH)
        running.signal(1)
        running.wait_for_log("INFO in force in all 1 workers")
        assert ask(running, "/_depot/trust").status == 200
        harness.change_settings(running.home, tls=None)
        running.signal(1)
        running.wait_for_log("INFO in force in all 1 workers", times=2)
        assert ask(running, "/_depot/trust").status == 301


def test_both_authorities_are_given_while_one_follows_the_other(tmp_path: Path, tree: Path) -> None:
    mount = serving.mount("/", tree)
    with serving.serving(tmp_path, mount, listeners=LISTENERS, tls=PUBLISH) as running:
        after = authority.create("depot.plant.example")
        (running.home / "tls" / "authority-next.pem").write_bytes(after.certificate)
        running.wait_for_log("INFO authority read again")
        running.wait_for_log("INFO in force in all 1 workers")
        wanted = running.authority.read_bytes() + after.certificate
        assert ask(running, "/_depot/trust.pem").body == wanted
        assert ask(running, "/_depot/trust").body.endswith(wanted)
        assert b"Authority 2 of 2" in ask(running, "/_depot/trust").body
        rows = json.loads(ask(running, "/_depot/trust", "Accept: application/json").body)
        assert len(rows["authorities"]) == 2
        assert ask(running, "/_depot/trust.cer").body == root(running)
        # A file that holds no certificate is refused, and what was in force stays.
        (running.home / "tls" / "authority-next.pem").write_bytes(b"no certificate\n")
        running.wait_for_log("ERROR authority refused, the old stays in force: ")
        assert ask(running, "/_depot/trust.pem").body == wanted


def test_a_depot_whose_root_cannot_be_found_serves_without_the_page(
    tmp_path: Path, tree: Path
) -> None:
    home = harness.make_home(tmp_path / "home", tree)
    harness.change_settings(home, tls=PUBLISH, listeners=[LISTENERS[2], LISTENERS[0]])
    shutil.move(home / "tls" / "authority.pem", tmp_path / "authority.pem")
    running = harness.start(home)
    try:
        line = r"^ERROR nothing can be published at /_depot/trust: .*anchors.pem"
        running.wait_for_log(line)
        for target, status in (("/_depot/trust", 404), ("/x", 200)):
            received = harness.raw(running.port, harness.get(target))
            assert harness.answer(received).status == status
        shutil.move(tmp_path / "authority.pem", home / "tls" / "authority.pem")
        running.wait_for_log("INFO authority read again")
        running.wait_for_log("INFO in force in all")
        received = harness.raw(running.port, harness.get("/_depot/trust"))
        assert harness.answer(received).status == 200
    finally:
        running.stop()


def test_no_subject_can_forge_a_block_or_a_tag() -> None:
    evil = Anchor(
        subject="CN=<script>\n-----BEGIN CERTIFICATE-----\nS\u00fcd\u202e",
        fingerprint=":".join(["AB"] * 32),
        not_before=datetime(2026, 1, 1, tzinfo=timezone.utc),
        not_after=datetime(2036, 1, 1, tzinfo=timezone.utc),
        pem=b"",
        der=b"",
    )
    text = pages.trust_text([evil]).decode("ascii")
    assert not [line for line in text.splitlines() if line.startswith("-")]
    # RFC 4514 section 2.4: a backslash and two hex digits for each octet of the UTF-8 form.
    assert r"<script>\0A-----BEGIN CERTIFICATE-----\0AS\C3\BCd\E2\80\AE" in text
    page = pages.trust_html([evil]).decode()
    assert "<script>" not in page
    assert re.search(r"<bdi>CN=&lt;script&gt;[^<]*</bdi>", page)


@pytest.mark.slow
def test_a_browser_shows_the_page_in_its_own_style_over_the_redirect_listener(
    depot: harness.RunningDepot,
) -> None:
    # Headless Chromium, with nothing trusted: the words and the whole fingerprint are there.
    address = f"http://localhost:{depot.endpoints[1].port}/_depot/trust"
    done = subprocess.run(
        [
            *(harness.need("chromium"), "--headless", "--no-sandbox", "--disable-gpu"),
            *("--virtual-time-budget=5000", "--dump-dom", address),
        ],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        timeout=120,
        check=False,
    )
    shown = re.sub(r"<[^>]*>", "", done.stdout.decode())
    assert "The authority that vouches for this depot" in shown
    assert fingerprint(depot.authority) in shown
    depot_log = depot.access_log()
    assert re.search(r'"GET /_depot/style\.css HTTP/1\.1" 200 .*Chrome', depot_log)
