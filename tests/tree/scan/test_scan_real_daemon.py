"""Acceptance 5 of the issue, with a real daemon: clamd of Debian, and a database made here."""

from __future__ import annotations

import hashlib
import json
import os
from typing import TYPE_CHECKING, Any

import harness
import pytest
import scan_kit
from scan_kit import NAME, TEST_FILE, RealDaemon, fill, listening, relay_to, running_daemon

from depotserve.tree.finding import Kind
from depotserve.tree.scan import Daemon, GoneError, ScanReport, Settings, scan

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.slow  # a peer that is not everywhere


@pytest.fixture(scope="module")
def daemon() -> Iterator[RealDaemon]:
    with running_daemon(TEST_FILE) as running:
        yield running


@pytest.fixture
def state(tmp_path: Path) -> Path:
    folder = tmp_path / "state"
    folder.mkdir()
    return folder


def found(report: ScanReport) -> list[tuple[Kind, bytes]]:
    return [(finding.kind, finding.path) for finding in report.findings]


def test_the_test_file_is_the_published_one() -> None:
    assert len(TEST_FILE) == 68
    assert hashlib.md5(TEST_FILE, usedforsecurity=False).hexdigest() == scan_kit.TEST_MD5


@pytest.mark.parametrize("way", ["unix", "tcp"])
def test_the_test_file_is_found_in_a_plain_file_and_in_a_zip(
    daemon: RealDaemon, tmp_path: Path, state: Path, way: str
) -> None:
    tree = fill(tmp_path / "tree", 3)
    (tree / "drill.txt").write_bytes(TEST_FILE)
    (tree / "tools.zip").write_bytes(scan_kit.zipped(TEST_FILE))
    (tree / "empty.bin").touch()
    address: Any = daemon.unix if way == "unix" else ("127.0.0.1", daemon.port)
    report = scan(tree, Daemon(address), state=state)
    assert found(report) == [(Kind.INFECTED, b"drill.txt"), (Kind.INFECTED, b"tools.zip")]
    assert all(NAME in finding.detail for finding in report.findings)
    assert (report.status, report.files, report.scanned, report.infected) == (1, 6, 6, 2)
    assert report.version.signatures.startswith("1/")
    assert (tree / "drill.txt").read_bytes() == TEST_FILE  # it lies where it lay


def test_the_command_says_what_was_found_and_ends_with_1(
    daemon: RealDaemon, tmp_path: Path
) -> None:
    tree = fill(tmp_path / "tree", 3)
    (tree / "drill.txt").write_bytes(TEST_FILE)
    words = ["tree", "scan", tree, "--daemon", f"tcp:127.0.0.1:{daemon.port}"]
    done = harness.run(*words, env={"XDG_STATE_HOME": str(tmp_path / "xdg")})
    text = done.stdout.decode()
    assert (done.returncode, done.stderr) == (1, b"")
    assert text.startswith(f"infected                  drill.txt: {NAME}")
    assert "Next: do not carry this tree." in text
    assert (tmp_path / "xdg" / "depotserve" / "verdicts.db").is_file()
    assert (tree / "drill.txt").read_bytes() == TEST_FILE
    again = harness.run(*words, "--json", env={"XDG_STATE_HOME": str(tmp_path / "xdg")})
    document = json.loads(again.stdout)
    assert again.returncode == document["status"] == 1
    assert (document["scanned"], document["remembered"], document["infected"]) == (0, 4, 1)
    assert document["findings"][0]["path"] == "drill.txt"


def test_what_is_unchanged_is_not_sent_again(
    daemon: RealDaemon, tmp_path: Path, state: Path
) -> None:
    tree = fill(tmp_path / "tree", 12)
    (tree / "drill.txt").write_bytes(TEST_FILE)
    with listening(relay_to(daemon.unix)) as relay:
        assert scan(tree, Daemon(relay.unix), state=state).scanned == 13
        assert relay.streams == 13
        (tree / "pump-003.bin").write_bytes(b"firmware of pump 3, second edition")
        second = scan(tree, Daemon(relay.unix), state=state)
        assert relay.streams == 14
    assert (second.scanned, second.remembered, second.infected) == (1, 12, 1)
    assert found(second) == [(Kind.INFECTED, b"drill.txt")]


def test_the_same_content_under_another_name_is_not_sent_again(
    daemon: RealDaemon, tmp_path: Path, state: Path
) -> None:
    tree = fill(tmp_path / "tree", 4)
    with listening(relay_to(daemon.unix)) as relay:
        scan(tree, Daemon(relay.unix), state=state)
        (tree / "pump-000.bin").rename(tree / "renamed.bin")
        (tree / "copy.bin").write_bytes((tree / "pump-001.bin").read_bytes())
        assert scan(tree, Daemon(relay.unix), state=state).remembered == 5
        assert relay.streams == 4


def test_fresh_sends_everything_again(daemon: RealDaemon, tmp_path: Path, state: Path) -> None:
    tree = fill(tmp_path / "tree", 4)
    with listening(relay_to(daemon.unix)) as relay:
        scan(tree, Daemon(relay.unix), state=state)
        assert scan(tree, Daemon(relay.unix), state=state, fresh=True).scanned == 4
        assert relay.streams == 8


def test_a_daemon_stopped_half_way_is_no_clean_tree_and_a_rerun_scans_only_what_is_left(
    tmp_path: Path,
) -> None:
    tree, state = fill(tmp_path / "tree", 60), tmp_path / "state"
    with running_daemon() as daemon:

        def stop_at_the_twentieth(_command: bytes) -> None:
            if relay.streams == 20:
                daemon.kill()

        with listening(relay_to(daemon.unix, before=stop_at_the_twentieth)) as relay:
            words = ["tree", "scan", tree, "--daemon", f"unix:{relay.unix}", "--state", state]
            first = harness.run(*words, "--json")
            document = json.loads(first.stdout)
            assert first.returncode == document["status"] == 2
            assert first.stderr.count(b"\n") == 1
            assert b"cannot be asked" in first.stderr
            done = document["scanned"]
            assert 0 < done < 20
            assert document["left"] == 60 - done
        daemon.start()
        with listening(relay_to(daemon.unix)) as relay:
            second = harness.run(*words[:4], f"unix:{relay.unix}", *words[5:], "--json")
            document = json.loads(second.stdout)
            assert (second.returncode, second.stderr) == (0, b"")
            assert (document["scanned"], document["remembered"]) == (60 - done, done)
            assert relay.streams == 60 - done


def test_new_signatures_scan_everything_again_and_find_what_they_know(
    tmp_path: Path, state: Path
) -> None:
    tree = fill(tmp_path / "tree", 5)
    with running_daemon(TEST_FILE) as daemon, listening(relay_to(daemon.unix)) as relay:
        assert scan(tree, Daemon(relay.unix), state=state).status == 0
        daemon.reload(b"firmware of pump 4", number=2)
        second = scan(tree, Daemon(relay.unix), state=state)
        assert relay.streams == 10
        assert found(second) == [(Kind.INFECTED, b"pump-004.bin")]
        assert scan(tree, Daemon(relay.unix), state=state).infected == 1  # remembered, and said
        assert relay.streams == 10


def test_a_daemon_that_names_no_version_of_its_signatures_has_nothing_remembered(
    tmp_path: Path, state: Path
) -> None:
    tree = fill(tmp_path / "tree", 3)
    with running_daemon(number=0) as daemon:
        words = ["tree", "scan", tree, "--daemon", f"unix:{daemon.unix}", "--state", state]
        said = [harness.succeed(*words) for _ in range(2)]
    assert all(b"Scanned now: 3" in text for text in said)
    assert b"Nothing is remembered" in said[1]


@pytest.mark.parametrize("way", ["unix", "tcp"])
def test_a_file_over_the_daemons_limit_is_reported_as_not_scanned(
    tmp_path: Path, state: Path, way: str
) -> None:
    tree = fill(tmp_path / "tree", 5)
    (tree / "large.iso").write_bytes(b"\x5a" * (20 << 20))
    with running_daemon(options=("StreamMaxLength 1M",)) as daemon:
        address: Any = daemon.unix if way == "unix" else ("127.0.0.1", daemon.port)
        report = scan(tree, Daemon(address), state=state)
        again = scan(tree, Daemon(address), state=state)
    assert found(report) == found(again) == [(Kind.NOT_SCANNED, b"large.iso")]
    assert (report.status, report.scanned, report.not_scanned) == (1, 5, 1)
    assert (again.scanned, again.remembered, again.not_scanned) == (0, 5, 1)
    assert "limit exceeded" in report.findings[0].detail


def test_a_file_over_the_limit_in_the_settings_is_not_even_sent(
    daemon: RealDaemon, tmp_path: Path, state: Path
) -> None:
    tree = fill(tmp_path / "tree", 5)
    (tree / "large.iso").write_bytes(bytes(1001))
    with listening(relay_to(daemon.unix)) as relay:
        report = scan(tree, Daemon(relay.unix, Settings(largest=1000)), state=state)
        assert relay.streams == 5
    assert found(report) == [(Kind.NOT_SCANNED, b"large.iso")]
    assert report.status == 1


def test_names_like_shell_code_links_and_special_files_harm_nothing(
    daemon: RealDaemon, tmp_path: Path, state: Path
) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    for name in (b"$(touch x);'\".txt", b"line\nend.txt", b"-rf", b"\xff\xfe.bin"):
        (tree / os.fsdecode(name)).write_bytes(TEST_FILE)
    (tree / "link").symlink_to("-rf")
    (tree / "away").symlink_to("/etc")
    os.mkfifo(tree / "fifo")
    report = scan(tree, Daemon(daemon.unix), state=state)
    infected, others = found(report)[:4], found(report)[4:]
    assert [kind for kind, _ in infected] == [Kind.INFECTED] * 4
    assert [path for _, path in infected] == sorted(path for _, path in infected)
    assert others == [(Kind.ASTRAY, b"away"), (Kind.SPECIAL, b"fifo")]
    assert (report.files, report.scanned, report.links) == (4, 4, 1)


def test_a_daemon_that_is_not_there_is_status_2(tmp_path: Path, state: Path) -> None:
    tree = fill(tmp_path / "tree", 3)
    with pytest.raises(GoneError):
        scan(tree, Daemon(("127.0.0.1", scan_kit.free_port())), state=state)
    done = harness.run("tree", "scan", tree, "--daemon", f"unix:{tmp_path}/none", "--state", state)
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr.count(b"\n") == 1
