"""What progress is told: every file and every byte once, however it was settled."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from scan_kit import VERSION, answering, fill, listening, take_stream, until

from depotserve.tree.scan import Command, Daemon, Settings, scan

if TYPE_CHECKING:
    import socket
    from pathlib import Path


class Told:
    """Adds up what it is told."""

    def __init__(self) -> None:
        self.expected: tuple[int, int] = (0, 0)
        self.files = self.size = 0
        self.within_a_file = 0

    def begin(self, _what: str, files: int, size: int) -> None:
        """Remember how much there is."""
        self.expected = files, size

    def step(self, files: int, size: int) -> None:
        """Add up."""
        self.files += files
        self.size += size
        self.within_a_file += not files and size > 0


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    tree = fill(tmp_path / "tree", 20)
    (tree / "middling.bin").write_bytes(bytes(3 << 20))
    (tree / "large.iso").write_bytes(bytes(4 << 20))
    return tree


@pytest.mark.parametrize("largest", [None, 1 << 20])
def test_a_daemons_files_are_told_as_they_are_sent_or_remembered(
    tree: Path, tmp_path: Path, largest: int | None
) -> None:
    (tmp_path / "state").mkdir()
    with listening(answering(b"stream: OK\0")) as listener:
        for _ in range(2):
            told = Told()
            daemon = Daemon(listener.unix, Settings(largest=largest))
            scan(tree, daemon, state=tmp_path / "state", progress=told)
            assert (told.files, told.size) == told.expected
            assert told.expected[0] == 22


def test_progress_goes_on_within_a_large_file(tree: Path, tmp_path: Path) -> None:
    told = Told()

    def slowly(connection: socket.socket, command: bytes) -> None:
        if command == b"zVERSION":
            connection.sendall(VERSION)
            return
        take_stream(connection)
        until(lambda: told.within_a_file >= 12)  # both files' pieces, before there is an answer
        connection.sendall(b"stream: OK\0")

    for file in tree.glob("pump-*"):
        file.unlink()
    (tmp_path / "state").mkdir()
    with listening(slowly) as listener:
        scan(tree, Daemon(listener.unix), state=tmp_path / "state", progress=told)
    assert (told.files, told.size) == told.expected


def test_a_commands_files_are_told_when_they_are_done(tree: Path, tmp_path: Path) -> None:
    (tmp_path / "state").mkdir()
    told = Told()
    scan(tree, Command(("true", "{file}")), state=tmp_path / "state", progress=told)
    assert (told.files, told.size) == told.expected


def test_a_file_that_grows_is_told_by_the_size_that_it_had(tree: Path, tmp_path: Path) -> None:
    def grow(connection: socket.socket, command: bytes) -> None:
        if command == b"zVERSION":
            connection.sendall(VERSION)
            return
        with (tree / "large.iso").open("ab") as stream:
            stream.write(b"more")
        take_stream(connection)
        connection.sendall(b"stream: OK\0")

    for file in (*tree.glob("pump-*"), tree / "middling.bin"):
        file.unlink()
    (tmp_path / "state").mkdir()
    told = Told()
    with listening(grow) as listener:
        report = scan(tree, Daemon(listener.unix), state=tmp_path / "state", progress=told)
    assert report.not_scanned == 1
    assert (told.files, told.size) == told.expected
