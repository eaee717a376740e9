"""What a depot does at its start with certificate files as people put them there by hand.

Recipes: ../shared cases, C06 and C07. Those of an encrypted key without a terminal, and of a key
that others can read, stand in tests/process/test_refusals_at_the_start.py.
"""

from __future__ import annotations

import contextlib
import re
import ssl
from typing import TYPE_CHECKING, Callable

import harness
import pytest
from issuing import Organisation, issue, openssl, organise

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture(scope="module")
def organisation() -> Organisation:
    return organise()


@pytest.fixture
def home(tmp_path: Path, tree: Path) -> Path:
    home = harness.make_home(tmp_path / "home", tree)
    listener = {"address": "127.0.0.1", "port": 0, "tls": "modern"}
    harness.change_settings(home, listeners=[listener])
    return home


def put(home: Path, of: Organisation, certificates: bytes) -> None:
    """Put files into a home by hand."""
    (home / "tls" / "server.key").write_bytes(of.leaf.key_pem)
    (home / "tls" / "server.pem").write_bytes(certificates)


@contextlib.contextmanager
def started(home: Path) -> Iterator[harness.RunningDepot]:
    depot = harness.start(home, workers=1)
    try:
        yield depot
    finally:
        depot.stop()


def sent(depot: harness.RunningDepot) -> list[str]:
    """List the subjects that openssl-s_client(1) is sent, in order."""
    said = openssl("s_client", "-connect", f"127.0.0.1:{depot.port}", "-showcerts").decode()
    return [one.rpartition("= ")[2] for one in re.findall(r"^ \d s:(.*)$", said, re.MULTILINE)]


def cautions(depot: harness.RunningDepot) -> list[str]:
    """List what the log warns of in the certificate's file."""
    return [line for line in depot.log().splitlines() if line.startswith("WARNING server.pem")]


# What a text's way over desktops does to it.
@pytest.mark.parametrize(
    "change",
    [
        lambda text: text,
        lambda text: text.replace(b"\n", b"\r\n"),
        lambda text: b"\xef\xbb\xbf" + text,
        lambda text: b"\xef\xbb\xbf" + text.replace(b"\n", b"\r\n"),
    ],
    ids=["as it is", "CR LF", "mark", "mark and CR LF"],
)
def test_a_leaf_and_its_intermediate_are_sent_leaf_first(
    home: Path, organisation: Organisation, change: Callable[[bytes], bytes]
) -> None:
    put(home, organisation, change(organisation.leaf.pem + organisation.middle.pem))
    with started(home) as depot:
        assert sent(depot) == ["depot", "Plant issuing"]
        assert cautions(depot) == []


def test_the_homes_own_certificate_is_sent_alone_without_a_warning(home: Path) -> None:
    with started(home) as depot:
        assert len(sent(depot)) == 1
        assert cautions(depot) == []


def test_a_leaf_whose_intermediate_is_missing_is_warned_of(
    home: Path, organisation: Organisation
) -> None:
    put(home, organisation, organisation.leaf.pem)
    with started(home) as depot:
        (line,) = cautions(depot)
        assert "its issuer CN=Plant issuing,O=Desalination plant is not in it" in line
        assert "depotserve cert install" in line
        assert sent(depot) == ["depot"]


def test_a_leaf_alone_is_fine_where_its_issuer_is_a_root_that_is_known(
    home: Path, organisation: Organisation
) -> None:
    leaf = issue("depot", organisation.root, key=organisation.leaf.key)
    put(home, organisation, leaf.pem)
    (home / "tls" / "anchors.pem").write_bytes(organisation.root.pem)
    with started(home) as depot:
        assert cautions(depot) == []


def test_a_certificate_without_a_part_in_the_chain_is_warned_of(
    home: Path, organisation: Organisation
) -> None:
    text = organisation.leaf.pem + organisation.middle.pem + issue("stranger").pem
    put(home, organisation, text)
    with started(home) as depot:
        (line,) = cautions(depot)
        assert "have no part in the chain" in line
        assert line.endswith("CN=stranger,O=Desalination plant")


def test_a_damaged_file_of_roots_is_warned_of_and_the_depot_serves(
    home: Path, organisation: Organisation
) -> None:
    put(home, organisation, organisation.leaf.pem + organisation.middle.pem)
    (home / "tls" / "anchors.pem").write_bytes(b"half")
    with started(home) as depot:
        assert "WARNING anchors.pem: holds no certificate" in depot.log()


def of_version(der: bytes, version: int) -> bytes:
    """Give a certificate's text with another version, of which there are three (RFC 5280 §4.1)."""
    changed = der.replace(bytes.fromhex("a003020102"), bytes.fromhex("a0030201") + bytes([version]))
    return ssl.DER_cert_to_PEM_cert(changed).encode()


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda of: of.middle.pem + of.leaf.pem, "stand in the wrong order"),
        (lambda of: of.leaf.pem.rstrip(b"\n") + of.middle.pem, "is damaged"),
        (lambda of: of.leaf.pem.decode().encode("utf-16"), "is UTF-16 text"),
        (lambda of: of.leaf.pem[:400], "is cut short"),
        (lambda of: of_version(of.leaf.der, 6), "a certificate is damaged"),
    ],
    ids=["order", "glued", "UTF-16", "cut", "version"],
)
def test_what_cannot_be_meant_is_refused_naming_the_file(
    home: Path,
    organisation: Organisation,
    change: Callable[[Organisation], bytes],
    reason: str,
) -> None:
    put(home, organisation, change(organisation))
    done = harness.run("serve", "--home", home, timeout=30)
    lines = [line for line in done.stderr.decode().splitlines() if not line.startswith("INFO")]
    assert done.returncode == 2, lines
    assert len(lines) == 1, lines
    assert lines[0].startswith("depotserve: server.pem: ")
    assert reason in lines[0]


# ../shared cases, C07: whatever the umask, from the first moment; strace(1) sees it.
def test_every_file_with_a_private_key_is_closed_to_others_from_its_birth(
    tmp_path: Path, tree: Path, organisation: Organisation
) -> None:
    home, calls = tmp_path / "home", tmp_path / "calls"
    came = tmp_path / "came.pem"
    hosts = ["--host", "depot.plant.example"]
    chain = organisation.middle.pem + organisation.root.pem
    came.write_bytes(organisation.leaf.key_pem + organisation.leaf.pem + chain)
    strace = [harness.need("strace"), "-f", "-qq", "-A", "-e", "trace=openat", "-o", str(calls)]
    through = ["sh", "-c", 'umask 000; exec "$@"', "sh", *strace]
    for words in (
        ["init", "--content", tree, *hosts],
        ["cert", "request"],
        ["cert", "install", "--cert", came, "--prepare"],
        ["cert", "install", "--cert", came],
    ):
        harness.succeed(*words, "--home", home, through=through)
    secret = {path for path in home.rglob("*") if path.is_file() and holds_a_key(path)}
    assert {path.name for path in secret} == {"server.key", "authority.key", "request.key"}
    assert {path.stat().st_mode & 0o777 for path in secret} == {0o600}
    assert {path.parent.stat().st_mode & 0o777 for path in secret} == {0o700}
    made = re.findall(r'"[^"]*/tls/([^"]*)", [^)]*O_CREAT[^)]*, (0\d+)\)', calls.read_text())
    assert {mode for _, mode in made} == {"0600"}
    assert sum(".key." in name for name, _ in made) == 5


def holds_a_key(path: Path) -> bool:
    return b"PRIVATE KEY" in path.read_bytes()
