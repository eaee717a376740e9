"""The settings of scanning, each fault named by file, line and key; and a daemon's address."""

from __future__ import annotations

from pathlib import Path

import harness
import pytest

from depotserve.errors import CallerError, DepotError
from depotserve.tree.scan import Settings, parse_address, read_settings

SAMPLE = Path(__file__).resolve().parents[3] / "conf" / "scanner.yaml"


def test_the_sample_says_what_counts_anyway() -> None:
    assert read_settings(SAMPLE) == Settings()


def test_the_samples_examples_are_settings_too(tmp_path: Path) -> None:
    file = tmp_path / "scanner.yaml"
    text = SAMPLE.read_text()
    file.write_text(text.replace("# version:", "version:").replace("# largest:", "largest:"))
    expected = Settings(version=("scanner", "--version"), largest=4_000_000_000)
    assert read_settings(file) == expected


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", ":1: is empty"),
        ("- 1\n", ":1: holds no keys"),
        ("seconds: 5\n", ":1: format: is missing"),
        ("format: 2\n", ":1: format: 2 is out of range"),
        ("format: one\n", ":1: format: is no whole number"),
        ("format: 1\nsecond: 5\n", ":2: second: is no setting, did you mean seconds?"),
        ("format: 1\nseconds: 0\n", ":2: seconds: 0 is out of range"),
        ("format: 1\nseconds: 1.5\n", ":2: seconds: is no whole number"),
        ("format: 1\nseconds: true\n", ":2: seconds: is no whole number"),
        ("format: 1\nseconds: '5'\n", ":2: seconds: is no whole number"),
        (f"format: 1\nseconds: {'9' * 5000}\n", ":2: seconds: is no whole number"),
        ("format: 1\nlargest: -1\n", ":2: largest: is no whole number"),
        ("format: 1\nlargest: 0\n", ":2: largest: 0 is out of range"),
        ("format: 1\nlargest: [1]\n", ":2: largest: is no whole number"),
        ("format: 1\nstatuses: 0\n", ":2: statuses: holds no keys"),
        ("format: 1\nstatuses:\n  tidy: [0]\n", ":3: statuses.tidy: is no setting"),
        ("format: 1\nstatuses:\n  clean: 0\n", ":3: statuses.clean: is no list"),
        ("format: 1\nstatuses:\n  clean: []\n", ":3: statuses.clean: is no list"),
        ("format: 1\nstatuses:\n  clean: [256]\n", ":3: statuses.clean: 256 is out of range"),
        ("format: 1\nstatuses:\n  clean: [0, 1]\n", "1 means both clean and infected"),
        ("format: 1\nversion: 'a {file}'\n", ":2: version: asks about a file"),
        ('format: 1\nversion: "\'open"\n', ":2: version: is no command"),
        ("format: 1\nversion: ''\n", ":2: version: is no command"),
        ("format: 1\nversion: 5\n", ":2: version: is no text"),
        ("format: 1\nversion:\n", ":2: version: is no text"),
        ("format: 1\nformat: 1\n", ":2: format: is set twice"),
        ("format: 1\n" + "# " + "x" * 70000 + "\n", "longer than 65536 bytes"),
    ],
)
def test_a_fault_is_named_where_it_stands(tmp_path: Path, text: str, said: str) -> None:
    file = tmp_path / "scanner.yaml"
    file.write_text(text)
    with pytest.raises(CallerError) as caught:
        read_settings(file)
    assert str(caught.value).startswith(str(file))
    assert said in str(caught.value)


def test_a_settings_file_that_is_not_there_is_one_line_and_status_2(tmp_path: Path) -> None:
    words = ["--command", "true {file}", "--settings", tmp_path / "none", "--state", tmp_path / "s"]
    done = harness.run("tree", "scan", tmp_path, *words)
    assert (done.returncode, done.stdout, done.stderr.count(b"\n")) == (2, b"", 1)


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("unix:/run/scanner/socket", "/run/scanner/socket"),
        ("unix:a:b", "a:b"),
        ("tcp:127.0.0.1:3310", ("127.0.0.1", 3310)),
        ("tcp:scanner.plant.example:1", ("scanner.plant.example", 1)),
        ("tcp:[::1]:65535", ("::1", 65535)),
    ],
)
def test_an_address_is_a_socket_or_host_and_port(text: str, address: object) -> None:
    assert parse_address(text) == address


@pytest.mark.parametrize(
    "text",
    [
        "", "unix:", "unix:" + "x" * 108, "unix:a\0b", "/run/socket", "tcp:", "tcp:host",
        "tcp::3310",
        "tcp:host:", "tcp:host:0", "tcp:host:65536", "tcp:host:x", "tcp:::1:3310",
        "tcp:[x]:1",
        "tcp:a b:1", "tcp:host:1/x", "http://host:1", "tcp:host:\uff11",
    ],
)  # fmt: skip
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(DepotError):
        parse_address(text)
