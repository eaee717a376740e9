"""Scanners that are commands: real programs, their statuses, their ends."""

from __future__ import annotations

import os
import stat
import time
from typing import TYPE_CHECKING

import harness
import pytest
import scan_kit
from scan_kit import TEST_FILE, fill

from depotserve.errors import CallerError
from depotserve.tree.finding import Kind
from depotserve.tree.scan import Command, GoneError, Settings, parse_command, scan

if TYPE_CHECKING:
    from pathlib import Path

    from depotserve.tree.scan import ScanReport

# Finds a file by a word in it, names it, and writes down what it was given, each behind a NUL.
SCANNER = """#!/bin/sh
printf '%s\\0' "$@" >>"$(dirname "$0")/asked"
case $(cat -- "$1" 2>/dev/null) in
    *infected*) echo "$1: Plant.Drill FOUND"; exit 1 ;;
    *strange*) echo "no such engine" >&2; exit 7 ;;
    *signal*) kill -9 $$ ;;
    *slow*) sleep 60 ;;
    *chatty*) yes 'all is well' | head -c 3000000; exit 0 ;;
    *daemon*) sleep 60 & echo $! >>"$(dirname "$0")/left"; exit 0 ;;
esac
"""


@pytest.fixture
def tools(tmp_path: Path) -> Path:
    folder = tmp_path / "tools of mine"
    folder.mkdir()
    return folder


@pytest.fixture
def state(tmp_path: Path) -> Path:
    folder = tmp_path / "state"
    folder.mkdir()
    return folder


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    folder = tmp_path / "tree"
    folder.mkdir()
    return folder


def program(folder: Path, name: str, text: str) -> Path:
    file = folder / name
    file.write_text(text)
    file.chmod(file.stat().st_mode | stat.S_IXUSR)
    return file


def scanned(
    tools: Path, tree: Path, state: Path, settings: Settings | None = None, **options: bool
) -> ScanReport:
    file = program(tools, "scanner", SCANNER)
    command = Command((str(file), "{file}"), settings or Settings(seconds=30))
    return scan(tree, command, state=state, **options)


def asked(tools: Path) -> list[bytes]:
    return sorted((tools / "asked").read_bytes().split(b"\0")[:-1])


def test_each_file_is_given_by_its_absolute_path_once(
    tools: Path, tree: Path, state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(tree, 5)
    (tree / "infected.bin").write_text("infected")
    monkeypatch.chdir(tree.parent)
    report = scanned(tools, type(tree)("tree"), state)
    assert asked(tools) == sorted(os.fsencode(path) for path in tree.iterdir())
    assert [(one.kind, one.path, one.detail) for one in report.findings] == [
        (Kind.INFECTED, b"infected.bin", "Plant.Drill")
    ]
    assert (report.status, report.scanned, report.infected) == (1, 6, 1)


NAMES = [
    b"$(touch x);'\".txt",
    b"`touch x`",
    b"line\nend",
    b"-rf",
    b"a b  c",
    b"{file}",
    b"\xff\xfe",
]


def test_a_name_like_shell_code_is_one_argument_and_harms_nothing(
    tools: Path, tree: Path, tmp_path: Path
) -> None:
    for name in NAMES:
        (tree / os.fsdecode(name)).write_text("infected")
    file = program(tools, "scanner", SCANNER)
    empty = tmp_path / "empty"
    empty.mkdir()
    words = ["--command", f"'{file}' {{file}}", "--state", tmp_path / "state"]
    done = harness.run("tree", "scan", tree, *words, cwd=empty)
    assert (done.returncode, done.stderr) == (1, b"")
    assert asked(tools) == sorted(os.fsencode(tree) + b"/" + name for name in NAMES)
    assert done.stdout.count(b": Plant.Drill\n") == len(NAMES)
    assert list(empty.iterdir()) == []
    assert len(list(tree.iterdir())) == len(NAMES)


@pytest.mark.slow
@pytest.mark.parametrize("version", ["", "version: {} -d {} --version\n"])
def test_a_real_scanner_finds_the_test_file_whatever_its_name(
    tree: Path, tmp_path: Path, version: str
) -> None:
    clamscan = harness.need("clamscan")
    daemon = scan_kit.RealDaemon(tmp_path, 0)
    daemon.know(TEST_FILE)
    for name in NAMES:
        (tree / os.fsdecode(name)).write_bytes(TEST_FILE)
    (tree / "tools.zip").write_bytes(scan_kit.zipped(TEST_FILE))
    (tree / "clean.bin").write_bytes(b"clean")
    settings = tmp_path / "scanner.yaml"
    settings.write_text("format: 1\n" + version.format(clamscan, daemon.database))
    words = [
        "--command", f"{clamscan} -d {daemon.database} --no-summary {{file}}",
        "--settings", settings, "--state", tmp_path / "state",
    ]  # fmt: skip
    done = harness.run("tree", "scan", tree, *words)
    assert (done.returncode, done.stderr) == (1, b"")
    assert done.stdout.count(b": " + scan_kit.NAME.encode()) == len(NAMES) + 1
    again = harness.run("tree", "scan", tree, *words)
    # All the samples are one content: it is asked about once, or at most once by each worker.
    kept = f"Remembered: {len(NAMES) + 2}." if version else "Nothing is remembered"
    assert kept in again.stdout.decode()
    assert again.returncode == 1


def test_a_status_that_the_settings_do_not_name_is_no_verdict(
    tools: Path, tree: Path, state: Path
) -> None:
    fill(tree, 3)
    (tree / "strange.bin").write_text("strange")
    report = scanned(tools, tree, state)
    (finding,) = report.findings
    assert (finding.kind, finding.path) == (Kind.NOT_SCANNED, b"strange.bin")
    assert "exit status 7 (no such engine)" in finding.detail
    assert (report.status, report.scanned, report.not_scanned) == (2, 3, 1)


def test_the_settings_say_what_a_status_means(tools: Path, tree: Path, state: Path) -> None:
    (tree / "strange.bin").write_text("strange")
    (tree / "infected.bin").write_text("infected")
    report = scanned(tools, tree, state, Settings(clean=(0, 1), infected=(7, 9)))
    assert [(one.kind, one.path) for one in report.findings] == [(Kind.INFECTED, b"strange.bin")]
    assert (report.status, report.scanned) == (1, 2)


def test_an_end_by_a_signal_is_no_verdict(tools: Path, tree: Path, state: Path) -> None:
    (tree / "signal.bin").write_text("signal")
    report = scanned(tools, tree, state, Settings(clean=(0, 9, 137), infected=(1,)))
    assert "signal 9" in report.findings[0].detail
    assert (report.status, report.scanned) == (2, 0)


def test_a_scanner_that_takes_too_long_is_ended_with_all_that_it_started(
    tools: Path, tree: Path, state: Path
) -> None:
    (tree / "slow.bin").write_text("slow")
    (tree / "swift.bin").write_text("swift")
    began = time.monotonic()
    report = scanned(tools, tree, state, Settings(seconds=1))
    assert time.monotonic() - began < 30
    assert "too long" in report.findings[0].detail
    assert (report.status, report.scanned, report.not_scanned) == (2, 1, 1)
    assert not running_with(tree / "slow.bin")


def test_what_a_scanner_leaves_running_is_not_waited_for_and_ended(
    tools: Path, tree: Path, state: Path
) -> None:
    (tree / "daemon.bin").write_text("daemon")
    began = time.monotonic()
    assert scanned(tools, tree, state).status == 0
    assert time.monotonic() - began < 20
    left = int((tools / "left").read_text())
    scan_kit.until(lambda: not is_running(left))


def running_with(path: Path) -> bool:
    """Tell whether any process has that path among its arguments."""
    wanted = os.fsencode(path)
    for process in os.listdir("/proc"):
        if process.isdigit():
            try:
                with open(f"/proc/{process}/cmdline", "rb") as stream:
                    if wanted in stream.read().split(b"\0"):
                        return True
            except OSError:
                continue
    return False


def is_running(pid: int) -> bool:
    try:
        with open(f"/proc/{pid}/stat") as stream:
            return stream.read().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_megabytes_of_output_do_no_harm(tools: Path, tree: Path, state: Path) -> None:
    (tree / "chatty.bin").write_text("chatty")
    assert scanned(tools, tree, state).status == 0


@pytest.mark.parametrize(
    "words", [("/nowhere/scanner", "{file}"), ("/", "{file}"), ("no-such-scanner-here", "{file}")]
)
def test_a_scanner_that_cannot_be_started_is_status_2(
    tree: Path, state: Path, words: tuple[str, ...]
) -> None:
    fill(tree, 3)
    report = scan(tree, Command(words), state=state)
    assert (report.status, report.scanned, report.left) == (2, 0, 3)
    assert words[0] in report.trouble


def test_a_scanner_that_fails_at_every_file_is_given_up(
    tools: Path, tree: Path, state: Path
) -> None:
    for number in range(40):
        (tree / f"strange-{number}").write_text(f"strange {number}")
    report = scanned(tools, tree, state)
    assert report.status == 2
    assert "8 files in a row" in report.trouble
    assert report.left > 20


def test_without_a_version_nothing_is_remembered_and_it_is_said(
    tools: Path, tree: Path, tmp_path: Path
) -> None:
    fill(tree, 3)
    file = program(tools, "scanner", SCANNER)
    words = ["--command", f"'{file}' {{file}}", "--state", tmp_path / "state"]
    for count in (3, 6):
        said = harness.succeed("tree", "scan", tree, *words)
        assert len(asked(tools)) == count
        assert b"Nothing is remembered for the next time" in said


def versioned(tools: Path, line: str) -> Settings:
    file = program(tools, "version", f"#!/bin/sh\necho '{line}'\n")
    return Settings(version=(str(file),))


def test_with_a_version_only_what_is_new_is_scanned_until_it_changes(
    tools: Path, tree: Path, state: Path
) -> None:
    fill(tree, 3)
    (tree / "infected.bin").write_text("infected")
    first = scanned(tools, tree, state, versioned(tools, "Plant 1.0, signatures 7"))
    assert (first.scanned, first.infected, len(asked(tools))) == (4, 1, 4)
    (tree / "new.bin").write_text("new")
    second = scanned(tools, tree, state, versioned(tools, "Plant 1.0, signatures 7"))
    assert (second.scanned, second.remembered, second.infected) == (1, 4, 1)
    assert second.findings[0].detail == "Plant.Drill"
    third = scanned(tools, tree, state, versioned(tools, "Plant 1.0, signatures 8"))
    assert (third.scanned, third.remembered) == (5, 0)
    assert len(asked(tools)) == 10


def test_signatures_that_are_named_on_a_later_line_count_too(
    tools: Path, tree: Path, state: Path
) -> None:
    fill(tree, 3)
    for day, new in (("monday", 3), ("monday", 0), ("tuesday", 3)):
        found = scanned(tools, tree, state, versioned(tools, f"Plant 1.0\nsignatures of {day}"))
        assert (found.scanned, found.remembered) == (new, 3 - new)


def test_verdicts_of_another_command_or_of_other_statuses_do_not_count(
    tools: Path, tree: Path, state: Path
) -> None:
    fill(tree, 3)
    settings = versioned(tools, "Plant 1.0/7/today")
    lax = scan(tree, Command(("/bin/true", "{file}"), settings), state=state)
    assert lax.scanned == 3
    assert scanned(tools, tree, state, settings).scanned == 3
    other = Settings(clean=(0, 3), version=settings.version)
    assert scanned(tools, tree, state, other).scanned == 3
    assert scanned(tools, tree, state, other).remembered == 3


@pytest.mark.parametrize("script", ["exit 0", "echo; exit 0", "echo Plant 1.0; exit 3", "kill $$"])
def test_a_version_that_cannot_be_had_is_status_2(
    tools: Path, tree: Path, state: Path, script: str
) -> None:
    fill(tree, 1)
    file = program(tools, "version", f"#!/bin/sh\n{script}\n")
    with pytest.raises(GoneError, match="gives no version"):
        scanned(tools, tree, state, Settings(version=(str(file),)))


def test_a_file_that_its_scanner_changes_is_a_finding_and_has_no_verdict(
    tools: Path, tree: Path, state: Path
) -> None:
    fill(tree, 2)
    file = program(tools, "cure", "#!/bin/sh\ncase $1 in *-001*) echo cured >>$1;; esac\n")
    settings = versioned(tools, "Plant 1.0/7/today")
    report = scan(tree, Command((str(file), "{file}"), settings), state=state)
    assert [(one.kind, one.path) for one in report.findings] == [(Kind.CHANGED, b"pump-001.bin")]
    assert (report.status, report.scanned, report.not_scanned) == (1, 1, 1)


def test_a_file_that_its_scanner_takes_away_is_a_finding(
    tools: Path, tree: Path, state: Path
) -> None:
    fill(tree, 2)
    file = program(tools, "jail", "#!/bin/sh\ncase $1 in *-001*) rm $1;; esac\n")
    report = scan(tree, Command((str(file), "{file}")), state=state)
    assert [(one.kind, one.path) for one in report.findings] == [(Kind.CHANGED, b"pump-001.bin")]


def test_what_a_scanner_finds_and_moves_away_is_still_named(
    tools: Path, tree: Path, state: Path
) -> None:
    fill(tree, 2)
    text = '#!/bin/sh\ncase $1 in *-001*) rm "$1"; echo "$1: Plant.Drill FOUND"; exit 1;; esac\n'
    settings = versioned(tools, "Plant 1.0/7/today")
    report = scan(
        tree, Command((str(program(tools, "jail", text)), "{file}"), settings), state=state
    )
    assert [(one.kind, one.path, one.detail) for one in report.findings] == [
        (Kind.INFECTED, b"pump-001.bin", "Plant.Drill")
    ]
    assert report.status == 1


@pytest.mark.parametrize(
    "text",
    [
        "",
        "  ",
        "scanner",
        "scanner --all",
        "{file}",
        "{file} {file}",
        "scanner 'open",
        "''",
        "a\0b {file}",
    ],
)
def test_a_command_that_names_no_program_or_no_file_is_refused(text: str) -> None:
    with pytest.raises(CallerError):
        parse_command(text)


def test_a_command_is_taken_apart_as_a_shell_would_and_nothing_else_is_a_shells() -> None:
    assert parse_command("scan --in={file}") == ("scan", "--in={file}")
    assert parse_command("'my scanner' -x --in={file} $HOME ; rm *") == (
        "my scanner", "-x", "--in={file}", "$HOME", ";", "rm", "*",
    )  # fmt: skip


def test_the_command_line_needs_one_scanner_and_one_only(tree: Path, tmp_path: Path) -> None:
    fill(tree, 1)
    for words in ([], ["--daemon", "unix:/x", "--command", "a {file}"], ["--command", "scanner"]):
        done = harness.run("tree", "scan", tree, *words, "--state", tmp_path / "state")
        assert (done.returncode, done.stdout, done.stderr.count(b"\n")) == (2, b"", 1)


def test_the_state_may_not_lie_in_the_tree(tree: Path) -> None:
    fill(tree, 1)
    done = harness.run("tree", "scan", tree, "--command", "true {file}", "--state", tree / "state")
    assert (done.returncode, done.stderr.count(b"\n")) == (2, 1)
    assert len(list(tree.iterdir())) == 1


@pytest.mark.parametrize(
    "text", ["sh -c 'scan {file}'", "sh -c \"cat '{file}'\"", "scan '{file};x'", "scan '$({file})'"]
)
def test_a_name_is_never_part_of_a_word_that_is_taken_apart_again(text: str) -> None:
    with pytest.raises(CallerError, match="alone, or after an option"):
        parse_command(text)
