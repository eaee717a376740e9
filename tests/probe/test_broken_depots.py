"""Depots broken in one way each, pairs of faults, and depots with none.

Acceptance of the probe: the first cause is named, with the side on which to mend it.
"""

from __future__ import annotations

import contextlib
import socket
import ssl
import time
from typing import TYPE_CHECKING, Any, Callable

import attrs
import papers
import pytest
from looking import faults, look, of, words
from stubs import FIELD, PASSPHRASE, Shelf, Stub, listening, saying

from depotserve.probe import Limits, State

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from papers import Paper

ROOT = papers.authority()
MIDDLE = papers.authority("Plant Issuing", ROOT)
DAY = papers.DAY
Own = Callable[[], "list[Paper]"]


@attrs.frozen(kw_only=True)
class Broken:
    """One row: how a depot is broken, and what a report must say of it."""

    faults: list[str]  # all checks at fault, the first first
    says: list[str]  # words of the first
    where: str
    own: Own | None = lambda: [papers.leaf(ROOT)]  # what it presents; None: no TLS
    shelf: Callable[[], Any] = Shelf
    version: Any = None
    scheme: str = "https"
    host: str = "localhost"
    path: str = "/"
    wish: dict[str, Any] = attrs.Factory(dict)
    wants_certificate: bool = False
    unverified: bool = False  # nothing that is secret may have been sent


BROKEN: dict[str, Broken] = {
    "plain on the TLS port": Broken(
        own=None,
        faults=["handshake"],
        says=["plain HTTP", "switch on TLS"],
        where="depot",
        unverified=True,
    ),
    "TLS on the plain port": Broken(
        scheme="http",
        faults=["answer"],
        says=["speaks TLS", "https://localhost:"],
        where="client",
        unverified=True,
    ),
    "TLS 1.0 only": Broken(
        version=ssl.TLSVersion.TLSv1,
        faults=["handshake"],
        says=["TLSv1 and neither TLS 1.2 nor 1.3", "switch on TLS 1.2"],
        where="depot",
        unverified=True,
    ),
    "unknown authority": Broken(
        own=lambda: [papers.leaf(papers.authority("Strange Root"))],
        faults=["authority"],
        says=["unknown authority", "CN=Strange Root", "ca.pem"],
        where="client",
        unverified=True,
    ),
    "an unknown root is sent along": Broken(
        own=lambda: [papers.leaf(OTHER), OTHER],
        faults=["authority"],
        says=["unknown authority", "SHA-256", "ca.pem"],
        where="client",
        unverified=True,
    ),
    "an authority made anew under its name": Broken(
        own=lambda: [papers.leaf(papers.authority())],
        faults=["authority"],
        says=["with another key", "ca.pem"],
        where="client",
        unverified=True,
    ),
    "self-signed": Broken(
        own=lambda: [papers.leaf(None)],
        faults=["authority"],
        says=["signed by itself", "ca.pem"],
        where="depot",
        unverified=True,
    ),
    "missing intermediate": Broken(
        own=lambda: [papers.leaf(MIDDLE)],
        faults=["authority"],
        says=["intermediate missing", "CN=Plant Issuing", "ca.pem"],
        where="depot",
        unverified=True,
    ),
    "the root is sent and the intermediate is not": Broken(
        own=lambda: [papers.leaf(papers.authority("Ward", ROOT)), ROOT],
        faults=["authority"],
        says=["intermediate missing", "CN=Ward"],
        where="depot",
        unverified=True,
    ),
    "wrong name": Broken(
        own=lambda: [papers.leaf(ROOT, ["files.plant.example"])],
        faults=["host name"],
        says=["wrong name", "files.plant.example", "localhost"],
        where="depot",
        unverified=True,
    ),
    "IP not in the SAN": Broken(
        own=lambda: [papers.leaf(ROOT, ["localhost"])],
        host="127.0.0.1",
        faults=["host name"],
        says=["does not cover 127.0.0.1", "as IP address"],
        where="depot",
        unverified=True,
    ),
    "IP as DNS name": Broken(
        own=lambda: [papers.leaf(ROOT, ["127.0.0.1"], as_dns=True)],
        host="127.0.0.1",
        faults=["host name"],
        says=["as a DNS name and not as an IP address"],
        where="depot",
        unverified=True,
    ),
    "common name only": Broken(
        own=lambda: [papers.leaf(ROOT, [], common="localhost")],
        faults=["host name"],
        says=["no subjectAltName", "common name"],
        where="depot",
        unverified=True,
    ),
    "for clients only": Broken(
        own=lambda: [papers.leaf(ROOT, purpose=papers.CLIENT)],
        faults=["purpose"],
        says=["wrong purpose", "serverAuth"],
        where="depot",
        unverified=True,
    ),
    "expired": Broken(
        own=lambda: [papers.leaf(ROOT, end=-3 * DAY)],
        faults=["validity"],
        says=["expired", "renew"],
        where="depot",
        unverified=True,
    ),
    "not yet valid": Broken(
        own=lambda: [papers.leaf(ROOT, begin=2 * DAY)],
        faults=["validity"],
        says=["not yet valid", "clock", "date -u"],
        where="client",
        unverified=True,
    ),
    "ends in ten days": Broken(
        own=lambda: [papers.leaf(ROOT, end=10 * DAY + papers.HOUR)],
        faults=["validity"],
        says=["ends in 10 days", "renew"],
        where="depot",
    ),
    "clock off by 3 days": Broken(
        shelf=lambda: Shelf(clock=3 * 86400),
        faults=["clock"],
        says=["s ahead of this machine's", "3 days"],
        where="client",
    ),
    "a 401 loop": Broken(
        shelf=lambda: Shelf(known="none is"),
        faults=["signing in"],
        says=["refused (401)"],
        where="depot",
    ),
    "wrong password": Broken(
        wish={"passphrase": "not the one"},
        faults=["signing in"],
        says=["refused (401)", "not what the depot knows"],
        where="depot",
    ),
    "a passphrase with a blank at its end": Broken(
        wish={"passphrase": "s3cret "},
        faults=["signing in"],
        says=["ends with a blank"],
        where="depot",
    ),
    "another way to sign in": Broken(
        shelf=lambda: Shelf(challenge='Digest realm="plant", nonce="x"'),
        faults=["challenge"],
        says=["only Digest", "another way"],
        where="depot",
    ),
    "401 without a challenge": Broken(
        shelf=lambda: Shelf(challenge=""),
        faults=["challenge"],
        says=["no WWW-Authenticate"],
        where="depot",
    ),
    "wrong passphrases are let in": Broken(
        shelf=lambda: Shelf(lets_all_in=True),
        faults=["refusal"],
        says=["gets 200, not 401"],
        where="depot",
    ),
    "redirect to another host": Broken(
        shelf=lambda: Shelf(redirect="https://elsewhere.plant.example/x"),
        faults=["redirects"],
        says=["redirected to https://elsewhere.plant.example/x"],
        where="client",
        unverified=True,
    ),
    "redirect in a circle": Broken(
        shelf=lambda: Shelf(redirect="/"),
        faults=["redirects"],
        says=["do not end"],
        where="depot",
    ),
    "no ranges": Broken(
        shelf=lambda: Shelf(ranges=False),
        faults=["ranges"],
        says=["no ranges", "whole (200)"],
        where="depot",
    ),
    "wrong bytes in a range": Broken(
        shelf=lambda: Shelf(wrong_range=True),
        faults=["ranges"],
        says=["other bytes"],
        where="depot",
    ),
    "no conditional requests": Broken(
        shelf=lambda: Shelf(conditional=False),
        faults=["conditional"],
        says=["If-None-Match", "not 304"],
        where="depot",
    ),
    "wrong digest": Broken(
        shelf=lambda: Shelf(digest=b"other"),
        faults=["digest"],
        says=["wrong digest", "Repr-Digest"],
        where="depot",
    ),
    "a checksum list that says otherwise": Broken(
        shelf=lambda: Shelf(listed=b"other"),
        faults=["digest"],
        says=["/SHA256SUMS says"],
        where="depot",
    ),
    "another digest than is expected": Broken(
        wish={"sha256": "0" * 64}, faults=["digest"], says=["--sha256 says"], where="depot"
    ),
    "HEAD unlike GET": Broken(
        shelf=lambda: Shelf(head_length=1),
        faults=["head"],
        says=["content-length of HEAD is 1"],
        where="depot",
    ),
    "Java's Accept refused": Broken(
        shelf=lambda: Shelf(old_filter=True), faults=["accept"], says=["406"], where="depot"
    ),
    "truncated body": Broken(
        shelf=lambda: Shelf(cut=True),
        faults=["file"],
        says=["cut short: 1000 of 131072 bytes"],
        where="depot",
    ),
    "stale pooled connection": Broken(
        shelf=lambda: Shelf(stale=True),
        faults=["reuse"],
        says=["no answer had said so", "Connection: close"],
        where="depot",
    ),
    "throttled": Broken(
        shelf=lambda: Shelf(throttled_after=0),
        faults=["answer"],
        says=["throttled: 429, Retry-After 30", "for 30 s"],
        where="client",
    ),
    "throttled later": Broken(
        shelf=lambda: Shelf(throttled_after=3),
        faults=["signing in"],
        says=["throttled: 429", "for 30 s"],
        where="client",
    ),
    "listing off": Broken(
        shelf=lambda: Shelf(listing=403),
        faults=["listing"],
        says=["listing off", "--file PATH"],
        where="client",
    ),
    "404 base": Broken(
        path="/nothing/",
        faults=["listing"],
        says=["404 for /nothing/", "another path"],
        where="client",
    ),
    "a file with other readers than its folder": Broken(
        shelf=lambda: Shelf(asks=False, file_asks=True),
        faults=["file"],
        says=["/f.bin asks for a password (401)", "--file"],
        where="client",
    ),
    "a client's certificate is wanted": Broken(
        wants_certificate=True,
        faults=["answer"],
        says=["ended without an answer", "client's certificate"],
        where="depot",
    ),
    "a fault of the depot's own": Broken(
        shelf=lambda: Shelf(listing=503), faults=["signing in"], says=["503", "log"], where="depot"
    ),
    "no HTTP at all": Broken(
        shelf=lambda: saying(b"220 ready\r\n\r\n"),
        faults=["answer"],
        says=["no HTTP/1.1 answer", "another protocol"],
        where="depot",
    ),
    "no answer at all": Broken(
        shelf=lambda: saying(b""),
        faults=["answer"],
        says=["ended without an answer"],
        where="depot",
    ),
}

PAIRS: dict[str, Broken] = {
    "unknown authority, wrong name": Broken(
        own=lambda: [papers.leaf(OTHER, ["files.plant.example"])],
        faults=["authority", "host name"],
        says=["unknown authority"],
        where="client",
        unverified=True,
    ),
    "missing intermediate, expired": Broken(
        own=lambda: [papers.leaf(MIDDLE, end=-DAY)],
        faults=["authority", "validity"],
        says=["intermediate missing"],
        where="depot",
        unverified=True,
    ),
    "wrong name, no ranges": Broken(
        own=lambda: [papers.leaf(ROOT, ["files.plant.example"])],
        shelf=lambda: Shelf(ranges=False),
        faults=["host name"],
        says=["wrong name"],
        where="depot",
        unverified=True,
    ),
    "expired, wrong password": Broken(
        own=lambda: [papers.leaf(ROOT, end=-DAY)],
        wish={"passphrase": "not the one"},
        faults=["validity"],
        says=["expired"],
        where="depot",
        unverified=True,
    ),
    "plain on the TLS port, 404 base": Broken(
        own=None,
        path="/nothing/",
        faults=["handshake"],
        says=["plain HTTP"],
        where="depot",
        unverified=True,
    ),
    "redirect to another host, clock off": Broken(
        shelf=lambda: Shelf(redirect="http://elsewhere.plant.example/", clock=-3 * 86400),
        faults=["redirects"],
        says=["redirected to http://elsewhere"],
        where="client",
        unverified=True,
    ),
    "clock off, wrong password": Broken(
        shelf=lambda: Shelf(clock=-3 * 86400),
        wish={"passphrase": "not the one"},
        faults=["clock", "signing in"],
        says=["behind this machine's"],
        where="client",
    ),
    "wrong password, listing off": Broken(
        shelf=lambda: Shelf(listing=403),
        wish={"passphrase": "not the one"},
        faults=["signing in"],
        says=["refused"],
        where="depot",
    ),
    "no ranges, wrong digest": Broken(
        shelf=lambda: Shelf(ranges=False, digest=b"other"),
        faults=["ranges", "digest"],
        says=["no ranges"],
        where="depot",
    ),
    "truncated body, stale pooled connection": Broken(
        shelf=lambda: Shelf(cut=True, stale=True),
        faults=["file"],
        says=["cut short"],
        where="depot",
    ),
}

OTHER = papers.authority("Strange Root")


@pytest.fixture(scope="module")
def ca(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("trust") / "ca.pem"
    file.write_bytes(ROOT.pem)
    return file


@contextlib.contextmanager
def running(row: Broken, folder: Path) -> Iterator[tuple[str, Stub]]:
    """Run a row's depot; give its address and what it receives."""
    tls = papers.context(folder, *row.own(), version=row.version) if row.own else None
    if tls and row.wants_certificate:
        tls.verify_mode = ssl.CERT_REQUIRED
    with listening(row.shelf(), tls) as stub:
        yield f"{row.scheme}://{row.host}:{stub.port}{row.path}", stub


@pytest.mark.parametrize("name", [*BROKEN, *PAIRS])
def test_the_first_cause_is_named_with_its_side_and_the_rest_is_silent(
    name: str, ca: Path, tmp_path: Path
) -> None:
    row = {**BROKEN, **PAIRS}[name]
    wish = {"file": "f.bin", **row.wish} if "sha256" in row.wish else row.wish
    with running(row, tmp_path) as (url, stub):
        report = look(url, ca, **wish)
    assert faults(report) == row.faults
    said = words(report.first)
    for word in row.says:
        assert word in said
    assert report.first is not None
    assert report.first.where is not None
    assert report.first.where.value == row.where
    assert report.status == 1
    assert "verification" not in said
    assert not (row.unverified and stub.authorizations)
    assert all(
        PASSPHRASE not in words(one) and FIELD[6:] not in words(one) for one in report.findings
    )


def test_what_builds_on_a_fault_is_not_looked_at_and_says_for_what(
    ca: Path, tmp_path: Path
) -> None:
    with running(BROKEN["expired"], tmp_path) as (url, _):
        report = look(url, ca)
    after = report.findings[8:]
    assert {one.state for one in after} == {State.UNKNOWN}
    assert {one.seen for one in after} == {"not looked at, because of: validity"}


@pytest.mark.parametrize("html", [False, True])
@pytest.mark.parametrize("closes", [False, True])
@pytest.mark.parametrize("path", ["/", "/plant/base/", "/plant/base"])
def test_a_depot_with_nothing_wrong_has_no_fault_and_nothing_unknown(
    ca: Path, tmp_path: Path, path: str, html: bool, closes: bool
) -> None:
    base = path.rstrip("/") + "/"
    shelf = Shelf(base=base, html=html, closes=closes, listed=Shelf().digest)
    with listening(shelf, papers.context(tmp_path, papers.leaf(MIDDLE), MIDDLE)) as stub:
        report = look(f"https://localhost:{stub.port}{path}", ca)
    assert {one.state for one in report.findings} == {State.PASS}
    assert report.status == 0
    assert stub.asked[0].target == base
    assert "Repr-Digest (sha-256) and" in of(report, "digest").seen


def test_an_intermediate_that_was_taken_for_the_authority_is_named(tmp_path: Path) -> None:
    ca = tmp_path / "ca.pem"
    ca.write_bytes(MIDDLE.pem)
    row = Broken(own=lambda: [papers.leaf(MIDDLE), MIDDLE], faults=[], says=[], where="")
    with running(row, tmp_path) as (url, _):
        report = look(url, ca)
    assert faults(report) == ["authority"]
    assert "has CN=Plant Issuing, which is no root" in words(report.first)
    assert "put the certificate of CN=Plant Root into" in words(report.first)


def test_an_authority_that_has_ended_is_named(tmp_path: Path) -> None:
    ended = papers.authority("Old Root", end=-papers.HOUR)
    ca = tmp_path / "ca.pem"
    ca.write_bytes(ended.pem)
    row = Broken(own=lambda: [papers.leaf(ended)], faults=[], says=[], where="")
    with running(row, tmp_path) as (url, stub):
        report = look(url, ca)
    assert faults(report) == ["authority"]
    assert "the authority CN=Old Root ended on" in words(report.first)
    assert stub.authorizations == []


def test_a_certificate_that_is_its_own_authority_is_taken_where_it_is_trusted(
    tmp_path: Path,
) -> None:
    own = papers.leaf(None)
    ca = tmp_path / "ca.pem"
    ca.write_bytes(own.pem)
    with running(Broken(own=lambda: [own], faults=[], says=[], where=""), tmp_path) as (url, _):
        assert look(url, ca).status == 0


def test_a_closed_port_is_named(ca: Path, tmp_path: Path) -> None:
    with running(BROKEN["expired"], tmp_path) as (url, _):
        pass
    report = look(url, ca)
    assert faults(report) == ["connection"]
    assert "the port is closed" in words(report.first)
    assert "depot: see that the depot runs" in words(report.first)


def test_a_port_that_drops_what_is_sent_is_named_as_walled_off(ca: Path) -> None:
    # A queue of one that is full: Linux then drops what else would connect.
    with contextlib.ExitStack() as stack:
        listener = stack.enter_context(socket.socket())
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        for _ in range(3):
            filler = stack.enter_context(socket.socket())
            filler.setblocking(False)
            filler.connect_ex(listener.getsockname())
        time.sleep(0.2)
        url = f"https://127.0.0.1:{listener.getsockname()[1]}/"
        report = look(url, ca, limits=Limits(connect=1))
    assert faults(report) == ["connection"]
    assert "does not answer within 1 s" in words(report.first)
    assert "firewall" in words(report.first)


def test_a_name_that_nobody_knows_is_named(ca: Path) -> None:
    # RFC 6761 section 6.4: .invalid is never resolved.
    report = look("https://depot.invalid/", ca)
    assert faults(report) == ["name"]
    assert "client: " in words(report.first)
    assert "depot.invalid" in words(report.first) or "name servers" in words(report.first)
