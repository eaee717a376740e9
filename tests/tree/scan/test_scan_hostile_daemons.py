"""Daemons that are false or broken: whatever they do, nothing is called clean that is not."""

from __future__ import annotations

import os
import socket
import time
from typing import TYPE_CHECKING, Callable

import harness
import pytest
import scan_kit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scan_kit import VERSION, answering, fill, listening, take_stream

from depotserve.tree.finding import Kind
from depotserve.tree.scan import Daemon, GoneError, ScanReport, Settings, scan

if TYPE_CHECKING:
    from pathlib import Path

    from scan_kit import Serve

BRIEFLY = Settings(seconds=1)


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    return fill(tmp_path / "tree", 3)


@pytest.fixture
def state(tmp_path: Path) -> Path:
    folder = tmp_path / "state"
    folder.mkdir()
    return folder


def scanned_by(serve: Serve, tree: Path, state: Path) -> ScanReport:
    with listening(serve) as listener:
        return scan(tree, Daemon(listener.unix, BRIEFLY), state=state)


def streaming(act: Callable[[socket.socket], None]) -> Serve:
    """Name a version like any daemon, and do something else with a file."""

    def serve(connection: socket.socket, command: bytes) -> None:
        if command == b"zVERSION":
            connection.sendall(VERSION)
        else:
            act(connection)

    return serve


def wait_for_the_end(connection: socket.socket) -> None:
    while connection.recv(65536):
        pass


def test_a_daemon_that_follows_the_protocol_is_believed(tree: Path, state: Path) -> None:
    report = scanned_by(answering(b"stream: OK\0"), tree, state)
    assert (report.status, report.scanned, report.findings) == (0, 3, ())
    assert report.version == ("Plant 1.0", "7/Thu Nov 26")
    assert scanned_by(answering(b"stream: OK\0"), tree, state).remembered == 3


@pytest.mark.parametrize(
    "version",
    [
        b"",
        b"\0",
        b"HTTP/1.1 400 Bad Request\r\n\r\n",
        b"Plant 1.0/7/Thu Nov 26",
        b"/7/Thu Nov 26\0",
        b"\x1b[2JPlant\0",
        pytest.param(b"x" * (1 << 20), id="a megabyte"),
        b"Plant\0more",
    ],
)
def test_a_daemon_that_does_not_say_what_it_is_cannot_be_asked(
    tree: Path, state: Path, version: bytes
) -> None:
    with pytest.raises(GoneError):
        scanned_by(answering(b"stream: OK\0", version=version), tree, state)
    with listening(answering(b"stream: OK\0", version=version)) as listener:
        done = harness.run(
            "tree", "scan", tree, "--daemon", f"unix:{listener.unix}", "--state", state
        )
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr.count(b"\n") == 1
    assert b"cannot be asked" in done.stderr


def test_a_daemon_that_never_answers_is_given_up(tree: Path, state: Path) -> None:
    with pytest.raises(GoneError, match="too long"):
        scanned_by(lambda connection, _: wait_for_the_end(connection), tree, state)


def test_a_daemon_whose_answer_comes_drop_by_drop_is_given_up(tree: Path, state: Path) -> None:
    def drip(connection: socket.socket, _command: bytes) -> None:
        for _ in range(100):
            connection.sendall(b"P")
            time.sleep(0.1)

    began = time.monotonic()
    with pytest.raises(GoneError, match="too long"):
        scanned_by(drip, tree, state)
    assert time.monotonic() - began < 9  # the hundred drops would take ten seconds


@pytest.mark.parametrize(
    "answer",
    [
        b"nonsense\0",
        b"\0",
        b"stream: ok\0",
        b"stream: OK \0",
        b"OK\0",
        b"FOUND\0",
        b"stream: OK\0stream: Drill FOUND\0",
        pytest.param(b"x" * (1 << 20), id="a megabyte"),
        pytest.param(b"\x00\xff\xfe" * 2000, id="no text"),
    ],
)
def test_an_answer_that_the_protocol_does_not_know_ends_the_scan_with_2(
    tree: Path, state: Path, answer: bytes
) -> None:
    report = scanned_by(answering(answer), tree, state)
    assert (report.status, report.scanned) == (2, 0)
    assert report.trouble
    assert scanned_by(answering(b"stream: OK\0"), tree, state).remembered == 0


def test_an_answer_that_is_cut_off_is_none(tree: Path, state: Path) -> None:
    for answer in (b"stream: OK", b"stre", b""):
        report = scanned_by(answering(answer), tree, state)
        assert (report.status, report.scanned, report.not_scanned) == (2, 0, 3)
        assert {finding.kind for finding in report.findings} == {Kind.NOT_SCANNED}


@pytest.mark.slow
@settings(max_examples=200, deadline=None, suppress_health_check=list(HealthCheck))
@given(answer=st.one_of(st.binary(max_size=60), st.text(max_size=40).map(str.encode)))
def test_no_answer_but_the_one_is_clean(tree: Path, state: Path, answer: bytes) -> None:
    report = scanned_by(answering(b"stream: " + answer), tree, state)
    assert report.scanned == report.infected
    assert report.status > 0


def test_clean_before_everything_was_sent_is_not_clean(tmp_path: Path, state: Path) -> None:
    tree = tmp_path / "large"
    tree.mkdir()
    (tree / "large.iso").write_bytes(bytes(8 << 20))

    def too_early(connection: socket.socket) -> None:
        connection.sendall(b"stream: OK\0")
        wait_for_the_end(connection)

    report = scanned_by(streaming(too_early), tree, state)
    assert (report.status, report.scanned) == (2, 0)


def test_infected_before_everything_was_sent_is_found_and_not_kept(
    tmp_path: Path, state: Path
) -> None:
    tree = tmp_path / "large"
    tree.mkdir()
    (tree / "large.iso").write_bytes(bytes(8 << 20))

    def at_once(connection: socket.socket) -> None:
        connection.sendall(b"stream: Drill FOUND\0")
        wait_for_the_end(connection)

    for _ in range(2):
        report = scanned_by(streaming(at_once), tree, state)
        assert [finding.kind for finding in report.findings] == [Kind.INFECTED]
        assert (report.status, report.scanned, report.remembered) == (1, 1, 0)


def test_a_daemon_that_hangs_up_on_files_has_not_scanned_them(tmp_path: Path, state: Path) -> None:
    tree = fill(tmp_path / "tree", 2)
    (tree / "large.iso").write_bytes(bytes(8 << 20))
    report = scanned_by(streaming(lambda _: None), tree, state)
    assert [finding.kind for finding in report.findings] == [Kind.NOT_SCANNED] * 3
    assert (report.status, report.trouble) == (2, "the scanner failed at 3 of 3 files")


def test_what_a_daemon_says_before_it_hangs_up_is_read(tmp_path: Path, state: Path) -> None:
    tree = tmp_path / "large"
    tree.mkdir()
    (tree / "large.iso").write_bytes(bytes(8 << 20))

    def have_enough(connection: socket.socket) -> None:
        connection.recv(1 << 16)
        connection.sendall(b"INSTREAM size limit exceeded. ERROR\0")

    report = scanned_by(streaming(have_enough), tree, state)
    assert [finding.detail for finding in report.findings] == [
        "the scanner says: INSTREAM size limit exceeded. ERROR"
    ]
    assert (report.status, report.scanned, report.not_scanned) == (1, 0, 1)


def test_a_daemon_that_hangs_up_and_then_answers_no_more_is_gone(tree: Path, state: Path) -> None:
    asked: list[bytes] = []

    def serve(connection: socket.socket, command: bytes) -> None:
        asked.append(command)
        if len(asked) == 1:
            connection.sendall(VERSION)

    report = scanned_by(serve, tree, state)
    assert (report.status, report.scanned, report.left) == (2, 0, 3)


def test_an_error_at_a_file_is_said_and_the_others_are_scanned(tree: Path, state: Path) -> None:
    def err(connection: socket.socket) -> None:
        error = b"pump 1" in take_stream(connection)
        connection.sendall(b"stream: Can't unpack. ERROR\0" if error else b"stream: OK\0")

    report = scanned_by(streaming(err), tree, state)
    (finding,) = report.findings
    assert (finding.kind, finding.path) == (Kind.NOT_SCANNED, b"pump-001.bin")
    assert "Can't unpack" in finding.detail
    assert (report.status, report.scanned, report.not_scanned) == (1, 2, 1)


def test_a_daemon_that_gets_stuck_at_one_file_scans_the_others_and_the_status_is_2(
    tree: Path, state: Path
) -> None:
    def get_stuck(connection: socket.socket) -> None:
        if b"pump 1" in take_stream(connection):
            wait_for_the_end(connection)
        connection.sendall(b"stream: OK\0")

    report = scanned_by(streaming(get_stuck), tree, state)
    assert (report.status, report.scanned, report.not_scanned, report.left) == (2, 2, 1, 0)
    assert "failed at 1 of 3 files" in report.trouble
    assert scanned_by(answering(b"stream: OK\0"), tree, state).scanned == 1


@pytest.mark.slow
def test_a_daemon_that_reads_nothing_is_given_up(tmp_path: Path, state: Path) -> None:
    tree = tmp_path / "large"
    tree.mkdir()
    (tree / "large.iso").write_bytes(bytes(8 << 20))
    report = scanned_by(streaming(lambda _: time.sleep(3)), tree, state)
    assert (report.status, report.scanned, report.not_scanned) == (2, 0, 1)


def test_a_daemon_that_answers_for_no_file_is_given_up_after_a_few(
    tmp_path: Path, state: Path
) -> None:
    tree = fill(tmp_path / "tree", 40)
    with listening(streaming(wait_for_the_end)) as listener:
        report = scan(tree, Daemon(listener.unix, BRIEFLY), state=state)
    assert (report.status, report.scanned) == (2, 0)
    assert "8 files in a row" in report.trouble
    assert listener.streams < 30


def test_a_signatures_name_moves_no_cursor(tree: Path, state: Path) -> None:
    with listening(answering(b"stream: \x1b[2J\nDrill\r FOUND\0")) as listener:
        done = harness.run(
            "tree", "scan", tree, "--daemon", f"unix:{listener.unix}", "--state", state
        )
    assert done.returncode == 1
    assert b"\x1b" not in done.stdout
    assert b"Drill" in done.stdout


def _append(file: Path) -> None:
    with file.open("ab") as stream:
        stream.write(b"more" * 1000)


def _cut(file: Path) -> None:
    os.truncate(file, 1 << 20)


def _replace(file: Path) -> None:
    (file.parent.parent / "new").write_bytes(file.read_bytes())
    os.replace(file.parent.parent / "new", file)


def _rewrite(file: Path) -> None:
    with file.open("r+b") as stream:
        stream.write(b"other")


@pytest.mark.parametrize("change", [_append, _cut, _replace, _rewrite, os.unlink])
def test_a_file_that_changes_while_it_is_sent_is_a_finding(
    tmp_path: Path, state: Path, change: Callable[[Path], None]
) -> None:
    tree = tmp_path / "large"
    tree.mkdir()
    file = tree / "large.iso"
    file.write_bytes(bytes(8 << 20))

    def change_meanwhile(connection: socket.socket) -> None:
        connection.recv(1000)
        change(file)
        take_rest(connection)
        connection.sendall(b"stream: OK\0")

    def take_rest(connection: socket.socket) -> None:
        # The beginning of a chunk was taken away; its end shows by the four zeros and a silence.
        connection.settimeout(0.5)
        try:
            wait_for_the_end(connection)
        except socket.timeout:
            return

    report = scanned_by(streaming(change_meanwhile), tree, state)
    assert [finding.kind for finding in report.findings] == [Kind.CHANGED]
    assert (report.status, report.scanned, report.not_scanned) == (1, 0, 1)
    if file.exists():
        assert scanned_by(answering(b"stream: OK\0"), tree, state).scanned == 1


def test_a_file_that_grows_for_ever_ends_the_sending_of_it(tmp_path: Path, state: Path) -> None:
    tree = tmp_path / "large"
    tree.mkdir()
    file = tree / "capture.log"
    file.write_bytes(bytes(1 << 20))

    def feed(connection: socket.socket) -> None:
        while connection.recv(65536):
            with file.open("ab") as stream:
                stream.write(bytes(1 << 20))

    report = scanned_by(streaming(feed), tree, state)
    assert [finding.kind for finding in report.findings] == [Kind.CHANGED]
    assert file.stat().st_size < 1 << 28


def test_a_file_that_cannot_be_read_is_a_finding(tree: Path, state: Path) -> None:
    (tree / "pump-001.bin").chmod(0)
    with listening(answering(b"stream: OK\0")) as listener:
        done = harness.run(
            "tree", "scan", tree, "--daemon", f"unix:{listener.unix}", "--state", state,
            through=harness.bound_by_modes(),
        )  # fmt: skip
    assert done.returncode == 1
    assert b"cannot be read" in done.stdout
    assert b"pump-001.bin: Permission denied" in done.stdout


def test_a_tree_without_a_file_is_not_called_clean(tmp_path: Path, state: Path) -> None:
    tree = tmp_path / "unmounted"
    (tree / "folder").mkdir(parents=True)
    assert scanned_by(answering(b"stream: OK\0"), tree, state).status == 1


def test_an_address_over_tcp_may_be_a_name_or_of_either_family(tree: Path, state: Path) -> None:
    port = scan_kit.free_port()
    done = harness.run("tree", "scan", tree, "--daemon", f"tcp:localhost:{port}", "--state", state)
    assert (done.returncode, done.stderr.count(b"\n")) == (2, 1)
    assert b"refused" in done.stderr
