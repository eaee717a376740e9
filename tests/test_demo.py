from __future__ import annotations

import contextlib
import hashlib
import os
import signal
import socket
import stat
import subprocess
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import attrs
import harness
import pytest

from depotserve import config
from depotserve.demo import build
from depotserve.errors import CallerError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence


@attrs.define
class _Demo:
    """A demo in a process group of its own, and what it has printed so far."""

    process: subprocess.Popen[bytes]
    lines: list[str] = attrs.Factory(list)

    def collect(self) -> threading.Thread:
        reader = threading.Thread(target=self._collect, daemon=True)
        reader.start()
        return reader

    def _collect(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as stream:
            for line in stream:
                self.lines.append(line.decode("utf-8", "replace").rstrip("\n"))

    def wait_for(self, text: str, *, seconds: float) -> None:
        deadline = time.monotonic() + seconds
        while not any(text in line for line in self.lines):
            assert self.process.poll() is None, self.lines
            assert time.monotonic() < deadline, self.lines
            time.sleep(0.05)

    def value(self, name: str) -> str:
        (line,) = [line for line in self.lines if line.startswith(f"{name} ")]
        return line[12:]

    @property
    def curl_line(self) -> str:
        (line,) = [line for line in self.lines if line.startswith("curl ")]
        return line

    @property
    def digest(self) -> str:
        (line,) = [line for line in self.lines if line.startswith("Its SHA-256 is ")]
        return line.split()[-1].rstrip(".")


@contextlib.contextmanager
def _running(arguments: Sequence[str], *, cwd: Path, seconds: float) -> Iterator[_Demo]:
    """Start a demo, wait until it serves, and end it by what Ctrl-C sends."""
    process = subprocess.Popen(
        arguments,
        cwd=cwd,
        env=harness.environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
    )
    demo = _Demo(process)
    reader = demo.collect()
    try:
        demo.wait_for("listening on https://", seconds=seconds)
        yield demo
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGINT)
        process.wait(60)
        reader.join(60)


def _paste(line: str, *, cwd: Path) -> str:
    """Run a printed line in a shell, as a person would; give the status code of the answer."""
    done = subprocess.run(
        ["sh", "-c", f"{line} --silent --show-error --write-out '%{{http_code}}'"],
        cwd=cwd,
        capture_output=True,
        check=False,
        timeout=120,
    )
    assert (done.returncode, done.stderr) == (0, b"")
    return done.stdout.decode()


def _free_port() -> int:
    with socket.socket() as trial:
        trial.bind(("127.0.0.1", 0))
        return int(trial.getsockname()[1])


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[_Demo]:
    arguments = ["demo", "--dir", "demo", "--port", str(_free_port())]
    with _running(harness.command(*arguments), cwd=tmp_path, seconds=60) as running:
        yield running


def test_the_demo_prints_url_user_passphrase_authority_and_a_line_that_works(
    demo: _Demo, tmp_path: Path
) -> None:
    harness.need("curl")
    assert demo.value("URL").startswith("https://localhost:")
    assert demo.value("user") == "intake"
    assert Path(demo.value("authority")).read_text().startswith("-----BEGIN CERTIFICATE")
    settings = tmp_path / "demo" / "curl.conf"
    assert settings.read_text() == f'user = "intake:{demo.value("passphrase")}"\n'
    assert stat.S_IMODE(settings.stat().st_mode) == 0o600
    assert _paste(demo.curl_line, cwd=tmp_path) == "200"
    assert hashlib.sha256((tmp_path / "gateway.img").read_bytes()).hexdigest() == demo.digest


def test_a_second_demo_replaces_the_first_says_so_and_its_line_works(tmp_path: Path) -> None:
    harness.need("curl")
    arguments = harness.command("demo", "--dir", "demo", "--port", str(_free_port()))
    passphrases = set()
    for said in ("made", "made anew"):
        with _running(arguments, cwd=tmp_path, seconds=60) as demo:
            assert demo.value("depot") == f"{tmp_path}/demo/home ({said})"
            assert _paste(demo.curl_line, cwd=tmp_path) == "200"
            passphrases.add(demo.value("passphrase"))
        assert demo.process.returncode == 0
    assert len(passphrases) == 2


def test_the_demo_is_not_remade_under_a_depot_that_serves_it(demo: _Demo, tmp_path: Path) -> None:
    before = (tmp_path / "demo/home/depot.yaml").stat().st_mtime_ns
    done = harness.run("demo", "--dir", "demo", cwd=tmp_path)
    assert done.returncode == 2
    home = demo.value("depot").partition(" (")[0]
    assert done.stderr.decode() == (f"depotserve: {home}: is being served; stop that demo first\n")
    assert (tmp_path / "demo/home/depot.yaml").stat().st_mtime_ns == before


def test_a_folder_that_holds_anything_else_is_refused_and_left_alone(tmp_path: Path) -> None:
    (tmp_path / "home").mkdir()
    (tmp_path / "content").mkdir()
    with pytest.raises(CallerError) as caught:
        build(tmp_path, port=None)
    assert str(caught.value) == (
        f"{tmp_path}: is no demo, and is not empty; give an empty or new folder as --dir"
    )
    assert sorted(path.name for path in tmp_path.iterdir()) == ["content", "home"]


def test_two_demos_have_the_same_content_and_different_secrets(tmp_path: Path) -> None:
    first, second = (build(tmp_path / name, port=None) for name in "ab")
    contents = [
        {str(path.relative_to(demo.content)): path.read_bytes() for path in _files(demo.content)}
        for demo in (first, second)
    ]
    assert contents[0] == contents[1]
    assert first.passphrase != second.passphrase


def _files(root: Path) -> list[Path]:
    return [path for path in root.rglob("*") if path.is_file()]


def test_the_demos_checksum_list_vouches_for_every_file_but_itself(tmp_path: Path) -> None:
    sha256sum = harness.need("sha256sum")
    content = build(tmp_path / "demo", port=None).content
    checked = subprocess.run(
        [sha256sum, "-c", "--strict", "SHA256SUMS"], cwd=content, capture_output=True, check=True
    )
    named = {line.partition(": ")[0] for line in checked.stdout.decode().splitlines()}
    there = {str(path.relative_to(content)) for path in _files(content)}
    assert named | {"SHA256SUMS"} == there


def test_a_demo_that_is_made_again_is_whole_again(tmp_path: Path) -> None:
    first = build(tmp_path / "demo", port=None)
    (first.content / "README.txt").unlink()
    (first.home.root / "depot.yaml").unlink()
    second = build(tmp_path / "demo", port=None)
    assert (first.remade, second.remade) == (False, True)
    assert (second.content / "README.txt").is_file()
    assert config.load(second.home.root).content[0].path == second.content


def test_the_usual_port_is_left_to_whoever_has_it(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        with contextlib.suppress(OSError):
            other.bind(("127.0.0.1", 8443))
            other.listen()
        assert build(tmp_path / "demo", port=None).port != 8443
