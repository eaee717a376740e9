"""`make demo` from a fresh clone, and then the line that it prints, as a newcomer pastes it."""

from __future__ import annotations

import contextlib
import os
import re
import shlex
import shutil
import signal
import subprocess
import threading
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import attrs
import harness
import peer
import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

REPOSITORY = Path(__file__).parents[2]
# It makes an environment and installs every dependency, on a machine that runs other tests.
INSTALL_SECONDS = 900
STOP_SECONDS = 60
ENDED = "(its output has ended)"
# What a run of this suite by `make` or in an environment of its own would hand on.
NOT_A_NEWCOMERS = ("MAKE", "MFLAGS", "PYTEST", "PYTHON", "VIRTUAL_ENV", "DEPOT", "COVERAGE")


@attrs.define
class Demo:
    """A demo that runs in a process group of its own."""

    process: subprocess.Popen[str]
    lines: list[str] = attrs.Factory(list)
    changed: threading.Condition = attrs.Factory(threading.Condition)

    def collect(self) -> None:
        """Read what it says to the end; runs in a thread of its own."""
        assert self.process.stdout is not None
        with self.process.stdout as output:
            for line in output:
                self._note(line.rstrip("\n"))
        self._note(ENDED)

    def _note(self, line: str) -> None:
        with self.changed:
            self.lines.append(line)
            self.changed.notify_all()

    def wait_for(self, pattern: str) -> str:
        """Give the first line that matches, once it is there."""
        found = lambda: [line for line in self.lines if re.search(pattern, line)]  # noqa: E731
        ended = lambda: self.lines[-1:] == [ENDED]  # noqa: E731
        with self.changed:
            self.changed.wait_for(lambda: found() or ended(), INSTALL_SECONDS)
            assert found(), "\n".join(self.lines)
            return found()[0]

    def fact(self, name: str) -> str:
        """Give what stands beside a name, such as `content`, in its first lines."""
        return self.wait_for(rf"^{name} ").split(maxsplit=1)[1]


@pytest.fixture(scope="module")
def clone(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Clone this repository; where something is not committed yet, copy what would be."""
    git = [harness.need("git"), "-C", str(REPOSITORY)]
    status = subprocess.run([*git, "status", "--porcelain"], capture_output=True, check=False)
    if status.returncode:
        harness.missing("these tests do not run from a clone of the repository")
    fresh = tmp_path_factory.mktemp("clone") / "depotserve"
    if status.stdout:
        copy_tree(git, fresh)
    else:
        subprocess.run([git[0], "clone", "--quiet", REPOSITORY, fresh], check=True)
    return fresh


def copy_tree(git: list[str], fresh: Path) -> None:
    """Copy the tracked files and those that are neither tracked nor ignored."""
    listing = [*git, "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    names = subprocess.run(listing, capture_output=True, check=True).stdout.split(b"\0")
    for name in map(os.fsdecode, filter(None, names)):
        # A tracked file may be gone from the work tree.
        if (REPOSITORY / name).is_file():
            (fresh / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(REPOSITORY / name, fresh / name)


@pytest.fixture(scope="module")
def demo(clone: Path) -> Iterator[Demo]:
    """Run `make demo` until it serves; end its process group when the tests are done."""
    environment = {
        name: value for name, value in os.environ.items() if not name.startswith(NOT_A_NEWCOMERS)
    }
    process = subprocess.Popen(
        [harness.need("make"), "demo"],
        cwd=clone,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    running = Demo(process)
    reader = threading.Thread(target=running.collect, daemon=True)
    reader.start()
    try:
        running.wait_for(r"listening on https://")
        yield running
    finally:
        # The group is this test's own: it was begun with the session above.
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        reader.join(STOP_SECONDS)


@pytest.mark.slow
@pytest.mark.timeout(INSTALL_SECONDS + 300)
def test_make_demo_prints_a_line_that_fetches_the_right_bytes_and_ends_when_it_is_told(
    demo: Demo, clone: Path, desk: peer.Desk
) -> None:
    line = demo.wait_for(r"^\s*curl ").strip()
    checks_certificate(line)
    fetched = desk.run("sh", "-c", line)
    assert fetched.returncode == 0, fetched.stderr
    url = next(word for word in shlex.split(line) if word.startswith("https://"))
    held = Path(demo.fact("content")) / urlsplit(url).path.lstrip("/")
    assert clone in held.parents
    (got,) = peer.digests(desk.folder).values()
    assert got == peer.sha256(held)
    assert got in demo.wait_for("SHA-256")
    wait_for_200(clone, urlsplit(url).path)
    stop(demo, url)


def checks_certificate(line: str) -> None:
    """Check that neither a line nor its configuration file turns verification off."""
    words = shlex.split(line)
    # curl(1): -k and --insecure; short options may stand in one word.
    assert "--insecure" not in words
    assert not [word for word in words if re.fullmatch(r"-[a-zA-Z]*k[a-zA-Z]*", word)]
    settings = Path(words[words.index("--config") + 1])
    assert not re.search(r"insecure|^\s*-k", settings.read_text(), re.MULTILINE)
    # The passphrase is in a file that others can't read, not in the line.
    assert settings.stat().st_mode & 0o077 == 0
    assert "--user" not in words
    assert "-u" not in words


def wait_for_200(clone: Path, target: str) -> None:
    """Check that the demo's access log has the one request, answered whole."""
    log = lambda: "".join(file.read_text() for file in (clone / "demo").rglob("access.log"))  # noqa: E731
    (asked,) = peer.asked(log, target=target, count=1)
    assert (asked.method, asked.status) == ("GET", 200)


def stop(demo: Demo, url: str) -> None:
    """End the demo by Ctrl-C, which the terminal sends to the whole group; nothing is left."""
    os.killpg(demo.process.pid, signal.SIGINT)
    demo.process.wait(STOP_SECONDS)
    peer.wait_until(lambda: not group_is_alive(demo.process.pid), "its process group is gone")
    port = urlsplit(url).port
    assert port is not None
    with pytest.raises(ConnectionRefusedError), harness.connected(port):
        pass
    assert not [line for line in demo.lines if "Traceback" in line]


def group_is_alive(group: int) -> bool:
    """Tell whether a process group still has a member."""
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True
