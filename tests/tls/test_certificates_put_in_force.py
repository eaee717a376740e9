from __future__ import annotations

import contextlib
import os
import re
import signal
import ssl
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

import harness
import pytest
from issuing import DAY, HOSTS, NOW, Organisation, issue, openssl, signed_by_openssl, state_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from issuing import Issued

SOON = 10.0  # seconds; a certificate counts after 3, on a machine that is not busy


def given(at: Path, of: Organisation, leaf: Issued | None = None) -> list[str | Path]:
    """Write a key and its chain as they came; give the options that name them."""
    leaf = leaf or of.leaf
    (at / "came.pem").write_bytes(leaf.key_pem + leaf.pem + of.middle.pem + of.root.pem)
    return ["--cert", at / "came.pem"]


def install(
    home: Path, *words: str | Path, **options: object
) -> subprocess.CompletedProcess[bytes]:
    return harness.run("cert", "install", "--home", home, *words, **options)  # type: ignore[arg-type]


def installed(home: Path, *words: str | Path) -> str:
    done = install(home, *words)
    assert (done.returncode, done.stderr) == (0, b""), done.stderr
    return done.stdout.decode()


def refused(done: subprocess.CompletedProcess[bytes]) -> str:
    said = done.stderr.decode()
    assert done.returncode == 2, (said, done.stdout)
    assert said.startswith("depotserve: ")
    assert said.count("\n") == 1
    return said


def in_force(home: Path) -> bytes:
    return (home / "tls" / "server.pem").read_bytes()


def prepare_another(home: Path, at: Path, of: Organisation) -> bytes:
    """Lay a certificate by; give what was prepared."""
    installed(home, *given(at, of, issue("prepared", of.middle)), "--prepare")
    return (home / "tls" / "server-next.pem").read_bytes()


def test_what_is_in_force_and_what_clients_need_is_told(
    home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    said = installed(home, *given(tmp_path, organisation))
    # Outside check: openssl-x509(1) gives the same fingerprint.
    shown = openssl("x509", "-noout", "-fingerprint", "-sha256", stdin=organisation.leaf.pem)
    assert shown.decode().partition("=")[2].strip() in said
    assert "state       in force" in said
    assert ", ".join(HOSTS) in said
    assert re.search(r"valid +29\d more days, until 20\d\d-", said)
    assert "CN=Plant root" in said
    assert "depotserve cert trust --for CLIENT" in said
    assert "note" not in said


def test_the_same_as_one_json_document(
    home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    words = [*given(tmp_path, organisation), "--json"]
    found = harness.json_of(install(home, *words).stdout)
    assert found["state"] == "in force"
    assert found["names"] == list(HOSTS)
    assert found["days"] == 299
    assert found["key_from"] == "the files given"
    assert found["own_authority"] is False
    assert found["notes"] == []
    assert len(found["root"]["fingerprint"]) == len(found["fingerprint"]) == 95


def test_a_certificate_without_a_part_in_the_chain_is_left_out_and_told(
    home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    words = given(tmp_path, organisation)
    (tmp_path / "more.pem").write_bytes(issue("stranger").pem)
    said = installed(home, *words, "--cert", tmp_path / "more.pem")
    assert "note        CN=stranger,O=Desalination plant has no part in the chain" in said
    assert in_force(home) == organisation.leaf.pem + organisation.middle.pem


def test_loopback_names_need_not_be_covered_and_others_can_be_asked_for(
    home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    leaf = issue("pump", organisation.middle, hosts=("pump.plant.example",))
    words = given(tmp_path, organisation, leaf)
    assert "does not cover depot.plant.example" in refused(install(home, *words))
    installed(home, *words, "--host", "PUMP.plant.example.")
    assert in_force(home).startswith(leaf.pem)
    installed(home, *words)  # its own names are the ones in force now


def test_a_prepared_certificate_waits_beside_and_the_root_in_use_stays(
    home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    installed(home, *given(tmp_path, organisation))
    before = in_force(home)
    root = issue("Plant root of next year", authority=True)
    leaf = issue("depot", root)
    (tmp_path / "next.pem").write_bytes(leaf.key_pem + leaf.pem + root.pem)
    said = installed(home, "--cert", tmp_path / "next.pem", "--prepare")
    assert "state       prepared" in said
    assert "depotserve cert issue --activate" in said
    assert in_force(home) == before
    assert (home / "tls" / "server-next.pem").read_bytes() == leaf.pem
    assert (home / "tls" / "server-next.key").read_bytes() == leaf.key_pem
    assert (home / "tls" / "server-next.key").stat().st_mode & 0o777 == 0o600
    assert (home / "tls" / "anchors.pem").read_bytes() == root.pem + organisation.root.pem


def test_a_prepared_key_and_the_key_in_force_are_found(
    home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    leaf = issue("depot", organisation.middle)
    installed(home, *given(tmp_path, organisation, leaf), "--prepare")
    again = issue("depot", organisation.middle, key=leaf.key, end=NOW + 200 * DAY)
    chain = tmp_path / "again.pem"
    chain.write_bytes(again.pem + organisation.middle.pem + organisation.root.pem)
    said = installed(home, "--cert", chain)
    assert "found in server-next.key" in said
    assert "the certificate that had been prepared before is gone" in said
    assert "found in server.key" in installed(home, "--cert", chain)


# A certificate that this depot's authority signed needs no root beside it: clients have it.
def test_a_certificate_of_the_homes_own_authority_needs_no_file_of_roots(
    home: Path, tmp_path: Path
) -> None:
    harness.succeed("cert", "request", "--home", home)
    folder = home / "tls"
    (tmp_path / "extensions").write_text(
        "basicConstraints=critical,CA:false\nsubjectAltName=DNS:depot.plant.example,IP:192.0.2.7\n"
    )
    words = ["x509", "-req", "-in", folder / "request.csr", "-CA", folder / "authority.pem"]
    words += ["-CAkey", folder / "authority.key", "-extfile", tmp_path / "extensions"]
    (tmp_path / "leaf.pem").write_bytes(openssl(*words, "-set_serial", "7", "-days", "90"))
    said = installed(home, "--cert", tmp_path / "leaf.pem")
    assert "signed by this depot's authority" in said
    assert not (folder / "anchors.pem").exists()
    assert in_force(home).count(b"BEGIN") == 1
    assert not list(folder.glob("request.*"))  # what it was for is done; the key is server.key


def test_an_install_repairs_a_home_whose_certificate_is_damaged(
    home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    (home / "tls" / "server.pem").write_bytes(b"half")
    words = given(tmp_path, organisation)
    assert "say with --host which names are needed" in refused(install(home, *words))
    installed(home, *words, "--host", HOSTS[0])
    assert in_force(home) == organisation.leaf.pem + organisation.middle.pem


@contextlib.contextmanager
def small_disk(folder: Path, pages: int) -> Iterator[None]:
    """Put the folder's files onto a disk of their own that has so many free pages (tmpfs(5))."""
    if os.geteuid() != 0:
        harness.missing("only root mounts a disk")
    files = {path: (path.read_bytes(), path.stat().st_mode) for path in folder.iterdir()}
    page = os.sysconf("SC_PAGE_SIZE")
    options = ["-t", "tmpfs", "-o", f"size={page * (len(files) + pages)},mode=0700"]
    mount = [harness.need("mount"), *options, "depotserve-test", str(folder)]
    if subprocess.run(mount, capture_output=True, check=False, timeout=30).returncode != 0:
        harness.missing("this machine lets nobody mount a disk")
    try:
        for path, (content, mode) in files.items():
            path.write_bytes(content)
            path.chmod(mode)
        yield
    finally:
        subprocess.run([harness.need("umount"), str(folder)], check=True, timeout=30)


# Three files are written: the roots, the key, the chain. Each takes a page, so that a disk with
# so many free pages is full at the first, second or third of them.
@pytest.mark.parametrize("pages", [0, 1, 2])
def test_a_full_disk_leaves_everything_as_it_was(
    pages: int, home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    words = given(tmp_path, organisation)
    name = ("anchors.pem", "server-next.key", "server-next.pem")[pages]
    with small_disk(home / "tls", pages):
        before = state_of(home / "tls")
        said = refused(install(home, *words))
        assert f"{name}: No space left on device" in said
        assert state_of(home / "tls") == before


def test_a_disk_with_just_enough_room_will_do(
    home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    with small_disk(home / "tls", 3):
        installed(home, *given(tmp_path, organisation))


# Many file systems say only when a file is synced that the disk is full. strace puts that answer
# in the place of each file's sync: the roots', the key's, the chain's.
@pytest.mark.parametrize(
    ("sync", "name"), [(1, "anchors.pem"), (2, "server-next.key"), (3, "server-next.pem")]
)
def test_a_sync_that_fails_leaves_everything_as_it_was(
    sync: int, name: str, home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    words = given(tmp_path, organisation)
    before = state_of(home / "tls")
    inject = f"inject=fsync:error=ENOSPC:when={sync}"
    through = [harness.need("strace"), "-f", "-qq", "-o", os.devnull, "-e", inject]
    said = refused(install(home, *words, through=through))
    assert f"{name}: No space left on device" in said
    assert state_of(home / "tls") == before


# setrlimit(2): no file may grow beyond RLIMIT_FSIZE.
def test_files_that_may_not_grow_leave_everything_as_it_was(
    home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    words = given(tmp_path, organisation)
    before = state_of(home / "tls")
    through = [harness.need("prlimit"), "--fsize=100", "env", "PYTHONDONTWRITEBYTECODE=1"]
    assert "File too large" in refused(install(home, *words, through=through))
    assert state_of(home / "tls") == before


def test_a_read_only_folder_leaves_everything_as_it_was(
    home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    words = given(tmp_path, organisation)
    before = state_of(home / "tls")
    (home / "tls").chmod(0o500)
    said = refused(install(home, *words, through=harness.bound_by_modes()))
    (home / "tls").chmod(0o700)
    assert "anchors.pem: Permission denied" in said
    assert state_of(home / "tls") == before


def test_what_was_prepared_stays_when_an_install_fails(
    home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    prepared = prepare_another(home, tmp_path, organisation)
    before = state_of(home / "tls")
    wrong = issue("wrong", organisation.middle, hosts=("other.plant.example",))
    refused(install(home, *given(tmp_path, organisation, wrong)))
    inject = "inject=fsync:error=ENOSPC:when=2"
    through = [harness.need("strace"), "-f", "-qq", "-o", os.devnull, "-e", inject]
    refused(install(home, *given(tmp_path, organisation), through=through))
    assert state_of(home / "tls") == before
    assert (home / "tls" / "server-next.pem").read_bytes() == prepared


# A rename can fail too: an attribute of the file forbids it, or the disk is broken. Those of the
# roots, the prepared key, the prepared chain; then that of the key in force.
@pytest.mark.parametrize("rename", [1, 2, 3, 4])
@pytest.mark.parametrize("prepared", [False, True])
def test_a_rename_that_fails_leaves_every_file_with_its_content(
    rename: int, prepared: bool, home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    if prepared:
        root = issue("Plant root of last year", authority=True)
        leaf = issue("depot", root)
        (tmp_path / "earlier.pem").write_bytes(leaf.key_pem + leaf.pem + root.pem)
        installed(home, "--cert", tmp_path / "earlier.pem", "--prepare")
    words = given(tmp_path, organisation)
    before = state_of(home / "tls")
    inject = f"inject=rename,renameat,renameat2:error=EIO:when={rename}"
    through = [harness.need("strace"), "-f", "-qq", "-o", os.devnull, "-e", inject]
    assert "Input/output error" in refused(install(home, *words, through=through))
    after = state_of(home / "tls")
    assert {name: one[:2] for name, one in after.items()} == {
        name: one[:2] for name, one in before.items()
    }


# The renames: the roots, the prepared key, the prepared chain; then key and chain in force.
# strace(1) kills the command as it enters the one of that number.
@pytest.mark.parametrize("rename", [1, 2, 3, 4, 5])
def test_a_depot_starts_after_an_interruption_anywhere_and_the_next_command_finishes(
    rename: int, home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    before = in_force(home)
    new = organisation.leaf.pem + organisation.middle.pem
    words = given(tmp_path, organisation)
    inject = f"inject=rename,renameat,renameat2:error=EIO:signal=KILL:when={rename}"
    through = [harness.need("strace"), "-f", "-qq", "-o", os.devnull, "-e", inject]
    assert install(home, *words, through=through).returncode != 0
    wanted = new if rename == 5 else before
    assert in_force(home) == before
    with served(home) as depot:
        assert shown(depot) == ssl.PEM_cert_to_DER_cert(
            wanted.decode().partition("-----END")[0] + END
        )
    harness.succeed("cert", "request", "--home", home)
    assert in_force(home) == wanted
    installed(home, *words)
    assert in_force(home) == new


END = "-----END CERTIFICATE-----\n"


@contextlib.contextmanager
def served(home: Path, workers: int = 1) -> Iterator[harness.RunningDepot]:
    depot = harness.start(home, workers=workers)
    try:
        yield depot
    finally:
        depot.stop()


def shown(depot: harness.RunningDepot) -> bytes:
    """Connect anew and give the certificate that is shown, whoever signed it."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    with harness.connected(depot.port, tls=context) as secure:
        assert isinstance(secure, ssl.SSLSocket)
        return secure.getpeercert(binary_form=True) or b""


# The faults of one file, without another beside it, stand in tests/process/test_reloading.py.
@pytest.mark.parametrize("name", ["server.pem", "server.key"])
@pytest.mark.parametrize("kind", ["alone", "cut in half"])
def test_a_bad_file_changes_nothing_while_another_certificate_is_prepared(
    name: str, kind: str, home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    prepare_another(home, tmp_path, organisation)
    other = organisation.leaf.pem if name == "server.pem" else organisation.leaf.key_pem
    path = home / "tls" / name
    with served(home) as depot:
        before = shown(depot)
        path.write_bytes(other if kind == "alone" else path.read_bytes()[:120])
        said = depot.wait_for_log("ERROR certificate refused, the old stays in force: .*$")
        assert name in said
        assert shown(depot) == before


DOWNLOADS, RATE = 8, 20_000  # bytes a second for each; at that, one would take 100 seconds
LARGE = 100 * RATE


# The way that an organisation goes: request, its authority's signature by openssl, install.
@pytest.mark.slow
def test_downloads_go_on_while_a_certificate_that_was_asked_for_is_put_in_force(
    home: Path, tmp_path: Path, tree: Path, organisation: Organisation
) -> None:
    (tree / "large").write_bytes(os.urandom(LARGE))
    harness.change_settings(home, bandwidth=[{"of": "connection", "bytes_per_second": RATE}])
    harness.succeed("cert", "request", "--home", home, "--out", tmp_path / "depot.csr")
    leaf = signed_by_openssl(tmp_path, tmp_path / "depot.csr", organisation.middle)
    came = tmp_path / "came.p7b"
    (tmp_path / "all.pem").write_bytes(organisation.root.pem + leaf + organisation.middle.pem)
    came.write_bytes(openssl("crl2pkcs7", "-nocrl", "-certfile", tmp_path / "all.pem"))
    with served(home, workers=2) as depot, ThreadPoolExecutor(DOWNLOADS) as pool:
        old = depot.context()
        fetched = [pool.submit(fetch, depot.port, old) for _ in range(DOWNLOADS)]
        while depot_connections(depot) < DOWNLOADS:
            time.sleep(0.05)
        said = installed(home, "--cert", came)
        assert "found in request.key" in said
        depot.wait_for_log("INFO in force in all 2 workers", seconds=SOON)
        new = ssl.PEM_cert_to_DER_cert(leaf.decode())
        assert {shown(depot) for _ in range(20)} == {new}  # a worker is missed once in a million
        look_as_a_client(depot, organisation)
        assert not any(one.done() for one in fetched)
        harness.change_settings(home, bandwidth=None)
        depot.signal(signal.SIGHUP)
        assert {one.result() for one in fetched} == {(tree / "large").read_bytes()}


def depot_connections(depot: harness.RunningDepot) -> int:
    """Count what the depot's workers have accepted (proc(5)), listening sockets aside."""
    found = 0
    for pid in depot.workers():
        with contextlib.suppress(OSError):
            inodes = {os.readlink(f"/proc/{pid}/fd/{fd}") for fd in os.listdir(f"/proc/{pid}/fd")}
            rows = [row.split() for row in Path(f"/proc/{pid}/net/tcp").read_text().splitlines()]
            found += sum(row[3] == "01" and f"socket:[{row[9]}]" in inodes for row in rows)
    return found


def fetch(port: int, context: ssl.SSLContext) -> bytes:
    """Fetch the large file as a client does that trusts the old certificate."""
    with harness.connected(port, tls=context) as connection:
        connection.sendall(harness.get("/large"))
        return harness.answer(harness.read_all(connection, silence=30)).body


# Outside check: openssl-s_client(1) shows what is sent, leaf first and no root, and verifies it.
def look_as_a_client(depot: harness.RunningDepot, of: Organisation) -> None:
    words = [
        "s_client",
        "-connect",
        f"127.0.0.1:{depot.port}",
        "-showcerts",
        "-verify_return_error",
    ]
    roots = depot.home / "tls" / "anchors.pem"
    said = openssl(*words, "-CAfile", roots, "-verify_hostname", HOSTS[0], "-servername", HOSTS[0])
    subjects = re.findall(r"^ \d s:(.*)$", said.decode(), re.MULTILINE)
    assert [one.replace(" ", "").rpartition("CN=")[2] for one in subjects] == [
        "depot.plant.example",
        "Plantissuing",
    ]
    assert b"Verify return code: 0 (ok)" in said
    assert of.root.pem.strip() not in said
