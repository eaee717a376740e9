"""What is remembered: whole after every end, of use to several, and refused when it is not ours."""

from __future__ import annotations

import os
import signal
import sqlite3
import stat
import subprocess
import threading
from typing import TYPE_CHECKING, Callable

import harness
import pytest
import scan_kit
from scan_kit import answering, fill, listening, take_stream

from depotserve.errors import SurroundingsError
from depotserve.tree.scan import Daemon, Version, scan
from depotserve.tree.scan.record import opened_record
from depotserve.tree.scan.verdict import Answer, Verdict

if TYPE_CHECKING:
    import socket
    from pathlib import Path

CLEAN = answering(b"stream: OK\0")
AT = Version("Plant 1.0", "7")
DIGEST = bytes(range(32))
FOUND = Answer(Verdict.INFECTED, "Drill")


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    return fill(tmp_path / "tree", 5)


@pytest.fixture
def state(tmp_path: Path) -> Path:
    folder = tmp_path / "state"
    folder.mkdir()
    return folder


def test_a_verdict_is_found_by_digest_size_way_engine_and_signatures(state: Path) -> None:
    with opened_record(state, "daemon", AT) as record:
        assert record.find(DIGEST, 5) is None
        record.keep(DIGEST, 5, FOUND, "2026-11-26T10:00:00Z")
        assert record.find(DIGEST, 5) == FOUND  # before it is on the disk, too
        record.flush()
    for way, at, digest, size, expected in (
        ("daemon", AT, DIGEST, 5, FOUND),
        ("daemon", AT, DIGEST, 6, None),
        ("daemon", AT, bytes(32), 5, None),
        ("command", AT, DIGEST, 5, None),
        ("daemon", Version("Plant 1.0", "8"), DIGEST, 5, None),
        ("daemon", Version("Plant 2.0", "7"), DIGEST, 5, None),
    ):
        with opened_record(state, way, at) as record:
            assert record.find(digest, size) == expected


@pytest.mark.parametrize("verdict", [Verdict.NOT_TAKEN, Verdict.NO_ANSWER])
def test_what_is_no_verdict_is_not_kept(state: Path, verdict: Verdict) -> None:
    with opened_record(state, "daemon", AT) as record:
        record.keep(DIGEST, 5, Answer(verdict, "why"), "2026-11-26T10:00:00Z")
        record.flush()
        assert record.find(DIGEST, 5) is None


def test_new_signatures_take_the_place_of_old_ones(state: Path) -> None:
    for number in range(5):
        with opened_record(state, "daemon", Version("Plant 1.0", str(number))) as record:
            record.keep(DIGEST, 5, FOUND, "2026-11-26T10:00:00Z")
            record.flush()
    with sqlite3.connect(state / "verdicts.db") as database:
        rows = database.execute("SELECT signatures, verdict, time FROM verdicts").fetchall()
    database.close()
    assert rows == [("4", "infected", "2026-11-26T10:00:00Z")]


def test_the_record_is_its_owners_alone(state: Path) -> None:
    with opened_record(state, "daemon", AT):
        pass
    assert stat.S_IMODE((state / "verdicts.db").stat().st_mode) == 0o600


def _text(file: Path) -> None:
    file.write_text("pump 1: serviced in May\n" * 100)


def _other_database(file: Path) -> None:
    database = sqlite3.connect(file)
    database.execute("CREATE TABLE pumps (name TEXT)")
    database.close()


def _other_columns(file: Path) -> None:
    database = sqlite3.connect(file)
    database.execute("CREATE TABLE verdicts (digest BLOB PRIMARY KEY, verdict TEXT)")
    database.close()


def _view(file: Path) -> None:
    database = sqlite3.connect(file)
    database.execute("CREATE VIEW verdicts AS SELECT x'00' AS digest, 'clean' AS verdict")
    database.close()


def _with_trigger(file: Path) -> None:
    with opened_record(file.parent, "daemon", AT):
        pass
    database = sqlite3.connect(file)
    database.execute(
        "CREATE TRIGGER lie AFTER INSERT ON verdicts BEGIN UPDATE verdicts SET verdict='clean'; END"
    )
    database.close()


def _damaged_pages(file: Path) -> None:
    with opened_record(file.parent, "daemon", AT) as record:
        for number in range(2000):
            record.keep(number.to_bytes(32, "big"), 5, FOUND, "2026-11-26T10:00:00Z")
        record.flush()
    with file.open("r+b") as stream:
        stream.seek(4096)
        stream.write(os.urandom(file.stat().st_size - 4096))


def _cut_short(file: Path) -> None:
    _damaged_pages(file)
    os.truncate(file, 4096 + 100)


def _folder(file: Path) -> None:
    file.mkdir()


def _fifo(file: Path) -> None:
    os.mkfifo(file)


@pytest.mark.parametrize(
    "make",
    [
        _text, _other_database, _other_columns, _view, _with_trigger, _damaged_pages, _cut_short,
        _folder, _fifo,
    ],
)  # fmt: skip
def test_a_record_that_is_damaged_or_not_ours_is_one_line_that_names_it(
    tree: Path, state: Path, make: Callable[[Path], None]
) -> None:
    file = state / "verdicts.db"
    make(file)
    with listening(CLEAN) as listener:
        words = ["--daemon", f"unix:{listener.unix}", "--state", state]
        done = harness.run("tree", "scan", tree, *words, timeout=60)
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr.count(b"\n") == 1
    assert os.fsencode(file) in done.stderr
    assert b"fault of depotserve" not in done.stderr


def test_values_that_nobody_wrote_are_no_verdict(state: Path) -> None:
    with opened_record(state, "daemon", AT) as record:
        record.keep(DIGEST, 5, FOUND, "2026-11-26T10:00:00Z")
        record.flush()
    database = sqlite3.connect(state / "verdicts.db")
    for verdict in ("CLEAN", "", b"clean", 7, 1.5, "not taken"):
        database.execute("UPDATE verdicts SET verdict = ?", (verdict,))
        database.commit()
        with opened_record(state, "daemon", AT) as record:
            assert record.find(DIGEST, 5) is None
    database.execute("UPDATE verdicts SET verdict = 'infected', signature = ?", ("x" * 10**6,))
    database.commit()
    with opened_record(state, "daemon", AT) as record:
        found = record.find(DIGEST, 5)
        assert found is not None
        assert len(found.text) == 200
    database.execute("UPDATE verdicts SET signature = CAST(x'fffe' AS TEXT)")
    database.commit()
    database.close()
    with opened_record(state, "daemon", AT) as record, pytest.raises(SurroundingsError):
        record.find(DIGEST, 5)


def test_two_scans_at_once_keep_both_their_verdicts(tmp_path: Path, state: Path) -> None:
    trees = [tmp_path / name for name in ("north", "south")]
    for tree in trees:
        tree.mkdir()
        for number in range(300):
            (tree / f"{number}").write_text(f"{tree.name} {number}")
    with listening(CLEAN) as listener:
        words = ["--daemon", f"unix:{listener.unix}", "--state", state]
        running = [
            subprocess.Popen(
                harness.command("tree", "scan", tree, *words),
                stdout=subprocess.DEVNULL,
                env=harness.environment(),
            )
            for tree in trees
        ]
        assert [process.wait(120) for process in running] == [0, 0]
        for tree in trees:
            assert scan(tree, Daemon(listener.unix), state=state).remembered == 300


def test_a_record_that_another_holds_for_a_while_is_waited_for(tree: Path, state: Path) -> None:
    with opened_record(state, "daemon", AT):
        pass
    database = sqlite3.connect(state / "verdicts.db", isolation_level=None, check_same_thread=False)
    database.execute("BEGIN EXCLUSIVE")
    letting_go = threading.Timer(1.5, database.execute, ("COMMIT",))
    letting_go.start()
    with listening(CLEAN) as listener:
        assert scan(tree, Daemon(listener.unix), state=state).scanned == 5
    letting_go.join()
    database.close()


def test_a_full_disk_is_one_line_and_status_2(tree: Path, state: Path) -> None:
    with listening(CLEAN) as listener:
        words = ["--daemon", f"unix:{listener.unix}", "--state", state]
        # The first file-size limit that lets the table be made is 8 KiB; 1 KiB lets nothing.
        limited = ["sh", "-c", 'ulimit -f 1; trap "" XFSZ; exec "$@"', "sh"]
        done = harness.run("tree", "scan", tree, *words, through=limited)
    assert (done.returncode, done.stdout, done.stderr.count(b"\n")) == (2, b"", 1)
    assert b"verdicts.db" in done.stderr


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGKILL])
def test_an_interrupted_scan_has_kept_what_was_done(
    tmp_path: Path, state: Path, number: signal.Signals
) -> None:
    tree = fill(tmp_path / "tree", 30)
    stuck = threading.Event()

    def get_stuck_at_the_tenth(connection: socket.socket, command: bytes) -> None:
        if command == b"zVERSION":
            connection.sendall(scan_kit.VERSION)
        elif listener.streams > 10:
            stuck.set()
            while connection.recv(65536):
                pass
        else:
            take_stream(connection)
            connection.sendall(b"stream: OK\0")

    with listening(get_stuck_at_the_tenth) as listener:
        words = ["tree", "scan", tree, "--daemon", f"unix:{listener.unix}", "--state", state]
        process = subprocess.Popen(
            harness.command(*words),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=harness.environment(),
        )
        assert stuck.wait(60)
        scan_kit.until(lambda: rows(state) == 10)  # within the second in which they are written
        process.send_signal(number)
        _, errors = process.communicate(timeout=30)
    if number == signal.SIGINT:
        assert (process.returncode, errors.strip()) == (130, b"depotserve: interrupted")
    with listening(CLEAN) as listener:
        report = scan(tree, Daemon(listener.unix), state=state)
    assert (report.scanned, report.remembered) == (20, 10)


def rows(state: Path) -> int:
    database = sqlite3.connect(state / "verdicts.db")
    try:
        return int(database.execute("SELECT count(*) FROM verdicts").fetchone()[0])
    except sqlite3.OperationalError:
        return 0
    finally:
        database.close()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_an_interrupt_ends_the_commands_that_are_running(
    tmp_path: Path, state: Path, number: signal.Signals
) -> None:
    tree = fill(tmp_path / "tree", 4)
    script = tmp_path / "scanner"
    script.write_text(f"#!/bin/sh\necho $$ >>{tmp_path}/pids\nsleep 300 & wait\n")
    script.chmod(0o755)
    process = subprocess.Popen(
        harness.command("tree", "scan", tree, "--command", f"{script} {{file}}", "--state", state),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=harness.environment(),
    )
    pids = tmp_path / "pids"
    scan_kit.until(lambda: pids.exists() and b"\n" in pids.read_bytes())
    process.send_signal(number)
    _, errors = process.communicate(timeout=30)
    assert (process.returncode, errors.strip()) == (130, b"depotserve: interrupted")
    for pid in pids.read_text().split():
        assert not os.path.exists(f"/proc/{pid}")
