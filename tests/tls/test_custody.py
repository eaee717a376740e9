from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING

import cert_kit as kit
import harness
import pytest

from depotserve import tls
from depotserve.errors import CallerError, SurroundingsError
from depotserve.home import Home
from depotserve.tls import custody
from depotserve.tls.pem import read_chain

if TYPE_CHECKING:
    from pathlib import Path

HOSTS = ["localhost", "127.0.0.1"]


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "home")
    made.state.mkdir(parents=True)
    tls.establish(made, HOSTS)
    return made


def pair(home: Home, host: str = "second.plant.example") -> custody.PemPair:
    made = tls.issue(kit.authority_of(home.root), [host])
    return custody.PemPair(made.certificate, made.key)


def names(home: Home) -> tuple[str, ...]:
    return tls.describe(custody.read_live(home).certificate).names


def files(home: Home) -> set[str]:
    return {path.name for path in home.key.parent.iterdir()}


STANDING = {"server.pem", "server.key", "authority.pem", "authority.key"}
PREPARED = {"server-next.pem", "server-next.key"}


def test_what_is_laid_by_waits_and_what_is_activated_is_in_force(home: Home) -> None:
    new = pair(home)
    before = custody.read_live(home)
    assert custody.read_prepared(home) is None
    custody.lay_by(home, new)
    assert custody.read_live(home) == before
    assert custody.read_prepared(home) == new
    assert files(home) == STANDING | PREPARED
    custody.activate(home)
    assert custody.read_live(home) == new
    assert custody.read_prepared(home) is None
    assert files(home) == STANDING


def test_what_is_laid_by_takes_the_place_of_what_was(home: Home) -> None:
    custody.lay_by(home, pair(home, "a.plant.example"))
    last = pair(home, "b.plant.example")
    custody.lay_by(home, last)
    assert custody.read_prepared(home) == last


def test_nothing_prepared_cannot_be_activated(home: Home) -> None:
    with pytest.raises(CallerError, match="no certificate is prepared"):
        custody.activate(home)


@pytest.mark.parametrize("missing", sorted(PREPARED))
def test_half_of_a_prepared_pair_is_none(home: Home, missing: str) -> None:
    custody.lay_by(home, pair(home))
    (home.key.parent / missing).unlink()
    assert custody.read_prepared(home) is None
    with pytest.raises(CallerError, match="no certificate is prepared"):
        custody.activate(home)
    assert names(home) == tuple(HOSTS)


def test_prepared_files_that_are_no_pair_are_none(home: Home) -> None:
    custody.lay_by(home, pair(home))
    home.next_key.write_bytes(pair(home).key)
    assert custody.read_prepared(home) is None
    home.next_certificate.write_bytes(b"-----BEGIN CERT")
    assert custody.read_prepared(home) is None


def test_prepared_files_are_as_those_in_force_so_that_the_service_can_read_them(home: Home) -> None:
    home.key.chmod(0o640)
    custody.lay_by(home, pair(home))
    assert stat.S_IMODE(home.next_key.stat().st_mode) == 0o640
    home.next_key.unlink()
    home.key.unlink()
    custody.lay_by(home, pair(home))
    assert stat.S_IMODE(home.next_key.stat().st_mode) == 0o600


# A change that was cut between its two renames: server.key is new, server.pem old.
def cut_between(home: Home) -> custody.PemPair:
    new = pair(home)
    custody.lay_by(home, new)
    home.next_key.rename(home.key)
    return new


def test_a_change_that_was_cut_counts_as_done_and_is_finished(home: Home) -> None:
    new = cut_between(home)
    assert custody.read_live(home) == new
    custody.finish(home)
    assert files(home) == STANDING
    assert home.certificate.read_bytes() == new.certificate
    assert custody.read_live(home) == new


def test_clients_need_the_same_roots_while_a_change_is_cut(home: Home) -> None:
    roots = custody.anchors(home)
    cut_between(home)
    assert custody.anchors(home) == roots == (kit.load(home.authority),)


def test_a_stray_key_is_an_error_and_finish_does_not_touch_it(home: Home) -> None:
    custody.lay_by(home, pair(home))
    stray = pair(home).key
    home.key.write_bytes(stray)
    custody.finish(home)
    with pytest.raises(CallerError, match=r"server\.pem: does not belong to the key in server"):
        custody.read_live(home)
    assert home.key.read_bytes() == stray
    assert files(home) == STANDING | PREPARED


@pytest.mark.parametrize("name", ["server.pem", "server.key"])
def test_a_file_that_is_missing_a_folder_or_a_pipe_or_too_long_is_named(
    home: Home, name: str
) -> None:
    path = home.key.parent / name
    path.unlink()
    with pytest.raises(SurroundingsError, match=name):
        custody.read_live(home)
    os.mkfifo(path)
    with pytest.raises(CallerError, match=f"{name}: no regular file"):
        custody.read_live(home)
    path.unlink()
    path.write_bytes(b"x" * ((1 << 20) + 1))
    with pytest.raises(CallerError, match=f"{name}: longer than"):
        custody.read_live(home)


def test_a_symlink_stays_and_what_it_names_is_replaced(home: Home, tmp_path: Path) -> None:
    away = tmp_path / "keys"
    away.mkdir()
    home.key.rename(away / "depot.key")
    home.key.symlink_to(away / "depot.key")
    new = pair(home)
    custody.lay_by(home, new)
    custody.activate(home)
    assert home.key.is_symlink()
    assert (away / "depot.key").read_bytes() == new.key
    assert custody.read_live(home) == new


def test_a_symlink_in_the_place_of_what_is_prepared_is_replaced(home: Home) -> None:
    home.next_key.symlink_to("nowhere")
    home.next_certificate.symlink_to("nowhere")
    new = pair(home)
    custody.lay_by(home, new)
    custody.activate(home)
    assert custody.read_live(home) == new
    assert files(home) == STANDING
    assert not home.key.is_symlink()


def test_a_symlink_to_another_file_system_changes_neither_file(home: Home) -> None:
    if os.stat("/dev/shm").st_dev == home.root.stat().st_dev:  # noqa: S108
        harness.missing("the shared memory is no file system of its own")
    before = custody.read_live(home)
    home.certificate.unlink()
    away = f"/dev/shm/depotserve-test-{os.getpid()}.pem"  # noqa: S108
    try:
        with open(away, "wb") as stream:
            stream.write(before.certificate)
        home.certificate.symlink_to(away)
        custody.lay_by(home, pair(home))
        with pytest.raises(CallerError, match="another file system"):
            custody.activate(home)
        assert custody.read_live(home) == before
        assert home.key.read_bytes() == before.key
    finally:
        os.unlink(away)


# Strace ends a command at one of its calls; when, counted among those calls.
CUTS = [("rename", 1), ("rename", 2), ("rename", 3), ("rename", 4), ("fsync", 2), ("fsync", 4)]


@pytest.mark.parametrize(("call", "when"), CUTS)
def test_a_command_that_is_ended_anywhere_leaves_a_pair_and_the_next_one_cleans_up(
    tmp_path: Path, tree: Path, call: str, when: int
) -> None:
    root = harness.make_home(tmp_path / "home", tree)
    through = [harness.need("strace"), "-f", "-o", "/dev/null", "-e", f"trace={call}"]
    inject = f"inject={call}:signal=KILL:when={when}"
    done = kit.cert(root, "issue", "--host", "b.example", through=[*through, "-e", inject])
    assert done.returncode != 0
    assert names(Home(root)) in {("localhost", "127.0.0.1"), ("b.example",)}
    assert kit.cert(root, "issue", "--host", "c.example").returncode == 0
    assert names(Home(root)) == ("c.example",)
    assert files(Home(root)) == STANDING  # no temporary file with a key in it


# What clients must trust.


def adopt(home: Home) -> tls.Pair:
    """Put a certificate of an organisation's authority in force."""
    other = tls.authority.create("plant.example")
    kit.write(home.root, tls.issue(other, HOSTS))
    return other


def test_of_another_authority_the_root_is_what_was_taken_along(home: Home) -> None:
    other = adopt(home)
    with pytest.raises(CallerError, match="the root of the certificate in force is not known"):
        custody.anchors(home)
    home.anchors.write_bytes(other.certificate)
    assert custody.anchors(home) == read_chain(other.certificate, name="").certificates


def test_a_prepared_certificate_of_another_authority_adds_its_root(home: Home) -> None:
    other = tls.authority.create("plant.example")
    made = tls.issue(other, HOSTS)
    home.anchors.write_bytes(other.certificate)
    custody.lay_by(home, custody.PemPair(made.certificate, made.key))
    assert custody.anchors(home) == (
        kit.load(home.authority),
        *read_chain(other.certificate, name="").certificates,
    )


@pytest.mark.parametrize("name", ["next_authority", "old_authority"])
def test_while_one_authority_follows_another_both_count(home: Home, name: str) -> None:
    other = tls.authority.create("plant.example")
    getattr(home, name).write_bytes(other.certificate)
    assert len(custody.anchors(home)) == 2


def test_a_folder_that_may_not_be_looked_into_is_no_missing_authority(home: Home) -> None:
    home.key.parent.chmod(0o600)  # names can be listed, and nothing can be reached
    through = harness.bound_by_modes()
    try:
        (home.root / "depot.yaml").write_text("format: 1\n")
        done = kit.cert(home.root, "issue", "--host", "b.example", through=through)
    finally:
        home.key.parent.chmod(0o700)
    assert done.returncode == 2
    assert b"Permission denied" in done.stderr
    assert b"has no authority" not in done.stderr
