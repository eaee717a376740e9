"""Progress on a real terminal, and where there is none."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import re
import struct
import subprocess
import sys
import termios
from typing import TYPE_CHECKING

import harness
import pytest
from placing_kit import fill, sums

from depotserve.cli.sizes import size_words

if TYPE_CHECKING:
    from pathlib import Path

KINDS = ("md5", "sha1", "sha256", "sha384", "sha512")
# Steps that go on for most of a second, as a room tells them; what is printed goes to `out`.
WORK = """
import sys, time
from depotserve.cli.progress import Shown
what = sys.argv[1].encode().decode("unicode_escape")
files, size, steps, every = map(int, sys.argv[2:6])
shown = Shown()
shown.begin(what, files, size)
for _ in range(steps):
    time.sleep(every / 1000)
    shown.step(1, 1 << 20)
shown.end()
print("done")
"""


def work(what: str, files: int, size: int, *, steps: int = 40, every: int = 20) -> list[str]:
    """Give a command that does so many steps, each after so many milliseconds."""
    return [sys.executable, "-c", WORK, what, str(files), str(size), str(steps), str(every)]


def on_terminal(
    command: list[str], *, columns: int = 80, term: str = "xterm"
) -> tuple[bytes, bytes]:
    """Run a command with standard error on a terminal; give what came there, and its output."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=theirs, env=harness.environment({"TERM": term})
    )
    os.close(theirs)
    seen = bytearray()
    with contextlib.suppress(OSError):  # pty(7): EIO when the last of the other side is closed
        while piece := os.read(ours, 65536):
            seen += piece
    os.close(ours)
    output, _ = process.communicate(timeout=60)
    assert process.returncode == 0, seen
    return bytes(seen), output


def frames(seen: bytes) -> list[str]:
    """Take apart what was drawn: each begins with a return and the clearing of the line."""
    first, *drawn = seen.split(b"\r\x1b[K")
    assert first == b""
    return [one.decode() for one in drawn]


def last_line(seen: bytes) -> bytes:
    """Give what a terminal shows of all that at the end: ECMA-48 section 8.3.41 clears a line."""
    return seen.rpartition(b"\r\x1b[K")[2]


def test_a_terminal_shows_one_line_that_changes_and_none_at_the_end() -> None:
    seen, output = on_terminal(work("reading files", 40, 40 << 20))
    drawn = frames(seen)
    assert 2 <= len(drawn) <= 8
    assert b"\n" not in seen
    assert last_line(seen) == b""
    assert output == b"done\n"
    for line in drawn[:-1]:
        assert re.fullmatch(
            r"reading files: \d+ of 40 files, [\d.]+ MiB of 40 MiB, [\d.]+ [KM]iB/s, \d:\d\d left",
            line,
        ), line


def test_what_is_not_known_is_not_shown() -> None:
    seen, _ = on_terminal(work("looking", 0, 0))
    assert re.fullmatch(r"looking: \d+ files, [\d.]+ MiB, [\d.]+ [KM]iB/s", frames(seen)[0])


@pytest.mark.parametrize("columns", [1, 2, 20, 40])
def test_a_narrow_terminal_gets_no_more_than_its_width(columns: int) -> None:
    seen, _ = on_terminal(work("reading files", 40, 40 << 20), columns=columns)
    drawn = frames(seen)
    assert len(drawn) >= 2
    assert max(map(len, drawn)) <= columns - 1
    assert "reading files: 9 of"[: columns - 1][:15] == drawn[0][:15]


def test_a_terminal_that_does_not_know_its_width_counts_as_80_columns() -> None:
    seen, _ = on_terminal(work("w" * 200, 40, 40 << 20), columns=0)
    assert {len(one) for one in frames(seen)[:-1]} == {79}


def test_control_characters_do_not_come_in() -> None:
    seen, _ = on_terminal(work(r"a\x1b[2J\n\x9bb", 40, 40 << 20))
    assert frames(seen)[0].startswith("a\\x1b[2J\\n\\x9bb: ")


def test_a_terminal_that_can_clear_no_line_gets_none() -> None:
    seen, output = on_terminal(work("reading", 40, 40 << 20), term="dumb")
    assert (seen, output) == (b"", b"done\n")


def test_many_short_stages_are_shown_as_one_long_one_is() -> None:
    again = WORK.replace(
        "shown.step(1, 1 << 20)", "shown.step(1, 1 << 20); shown.begin(what, 1, 1)"
    )
    command = work("placing", 1, 1 << 20)
    command[2] = again
    drawn = frames(on_terminal(command)[0])
    assert 2 <= len(drawn) <= 8
    assert drawn[0] == "placing: 1 of 1 files, 1 MiB of 1 byte"


def test_short_work_shows_nothing() -> None:
    assert on_terminal(work("reading", 3, 3 << 20, steps=3, every=1))[0] == b""


def _ran(command: list[str], **options: object) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(command, env=harness.environment(), check=True, timeout=60, **options)


def test_elsewhere_nothing_is_said_of_work_of_less_than_15_seconds() -> None:
    done = _ran(work("reading", 40, 40 << 20), capture_output=True)
    assert (done.stderr, done.stdout) == (b"", b"done\n")


@pytest.mark.slow
def test_elsewhere_a_plain_line_comes_every_15_seconds() -> None:
    command = work("reading files", 400, 400 << 20, steps=350, every=100)
    done = _ran(command, capture_output=True)
    lines = done.stderr.decode().splitlines()
    assert len(lines) == 2
    for line in lines:
        assert re.fullmatch(
            r"depotserve: reading files: \d+ of 400 files, \d+ MiB of 400 MiB, "
            r"[\d.]+ MiB/s, 0:\d\d left",
            line,
        ), line
    assert done.stdout == b"done\n"


def test_work_goes_on_where_standard_error_is_closed() -> None:
    close = "import os, sys; os.close(2); os.execv(sys.argv[1], sys.argv[1:])"
    done = _ran([sys.executable, "-c", close, *work("x", 40, 1)], stdout=subprocess.PIPE)
    assert done.stdout == b"done\n"


def test_a_placed_file_leaves_the_terminal_free_and_its_line_on_standard_output(
    tmp_path: Path,
) -> None:
    content = os.urandom(1 << 20) * 64
    lists = {f"{kind}sums": sums({"large.iso": content}, kind) for kind in KINDS}
    root = fill(tmp_path / "tree", lists)
    fetched = fill(tmp_path / "fetched", {"large.iso": content})
    command = harness.command("tree", "place", root, fetched / "large.iso")
    seen, output = on_terminal(command)
    assert last_line(seen) == b""
    assert output == f"{fetched}/large.iso: placed: large.iso\n".encode()
    # Twice 64 MiB by five digests take longer than a line's turn.
    assert any("of 64 MiB" in one for one in frames(seen)), seen


@pytest.mark.parametrize(
    ("size", "words"),
    [
        (0, "0 bytes"),
        (1, "1 byte"),
        (1023, "1023 bytes"),
        (1024, "1 KiB"),
        (1536, "1.5 KiB"),
        (102400, "100 KiB"),
        (1048576, "1 MiB"),
        (80 * 10**9, "74.5 GiB"),
        (2**50, "1024 TiB"),
        (0.4, "0 bytes"),
    ],
)
def test_sizes_are_in_binary_units(size: float, words: str) -> None:
    # IEC 80000-13: KiB, MiB, GiB and TiB are powers of 1024.
    assert size_words(size) == words
