"""What the tests with real clients share: a client's own machine, digests, what was asked for."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import subprocess
import time
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import attrs
import harness

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

CLIENT_SECONDS = 180
WAIT_SECONDS = 60
PIECE = 1 << 20
STORE_WORD = "changeit"  # a trust store holds nothing secret; Java wants a word all the same
# The request line and the status in the combined log format.
_REQUEST = re.compile(r'"([A-Z]+) (\S+) HTTP/1\.[01]" (\d{3}) ')


@attrs.frozen
class Asked:
    """One request as the access log has it."""

    method: str
    target: str
    status: int


@attrs.frozen
class Desk:
    """A client's machine in a folder: its home, its files, and nothing of this machine's."""

    folder: Path

    def write(self, name: str, *lines: str) -> Path:
        """Write a file that only its owner can read, as clients ask for one with a password."""
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch(mode=0o600)
        path.write_text("".join(f"{line}\n" for line in lines))
        return path

    def run(
        self, *arguments: str | Path, env: Mapping[str, str | Path] | None = None
    ) -> subprocess.CompletedProcess[str]:
        """Run a client to its end, whatever its exit status."""
        return subprocess.run(
            list(map(str, arguments)),
            env=self.environment(env),
            cwd=self.folder,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=CLIENT_SECONDS,
            check=False,
        )

    @contextlib.contextmanager
    def start(self, *arguments: str | Path) -> Iterator[subprocess.Popen[bytes]]:
        """Start a client that runs beside the block; at the block's end it is ended."""
        client = subprocess.Popen(
            list(map(str, arguments)),
            env=self.environment(),
            cwd=self.folder,
            stdin=subprocess.DEVNULL,
        )
        try:
            yield client
        finally:
            client.kill()
            client.wait()

    def environment(self, more: Mapping[str, str | Path] | None = None) -> dict[str, str]:
        """Give a client's environment: this folder as home, no proxy, no setting of ours."""
        # The registry's tools may stand anywhere on the path; dpkg's want the sbin folders.
        path = os.environ.get("PATH", os.defpath) + ":/usr/sbin:/sbin"
        base = {"PATH": path, "HOME": str(self.folder), "LANG": "C.UTF-8", "no_proxy": "*"}
        return {**base, **{name: str(value) for name, value in (more or {}).items()}}

    def netrc(self, depot: harness.RunningDepot, name: str = ".netrc") -> Path:
        """Write the depot's user and passphrase in the form of a netrc file."""
        entry = f"machine localhost login {depot.user} password {depot.passphrase}"
        return self.write(name, entry)


def sha256(path: Path) -> str:
    """Give a file's SHA-256 in hexadecimal digits."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(PIECE):
            digest.update(piece)
    return digest.hexdigest()


def digests(folder: Path) -> dict[str, str]:
    """Give the SHA-256 of each file beneath a folder by its name from there."""
    files = (path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): sha256(path) for path in files}


def wait_until(true: Callable[[], object], what: str) -> None:
    """Wait until something is so; fails with its name after a generous time."""
    deadline = time.monotonic() + WAIT_SECONDS
    while not true():
        assert time.monotonic() < deadline, f"not so after {WAIT_SECONDS} s: {what}"
        time.sleep(0.05)


def kill(depot: harness.RunningDepot) -> None:
    """Kill a depot's supervisor and wait until its workers have ended as well."""
    workers = depot.workers()
    depot.process.kill()
    depot.process.wait()
    gone = lambda: not any(Path(f"/proc/{pid}").exists() for pid in workers)  # noqa: E731
    wait_until(gone, "the workers have ended")


def log_end(depot: harness.RunningDepot) -> int:
    """Give the access log's length once no line of an earlier request is still to come."""
    length = -1
    while length != len(depot.access_log()):
        length = len(depot.access_log())
        # Lines wait a tenth of a second for others; several times that is silence.
        time.sleep(0.5)
    return length


def asked(
    log: Callable[[], str],
    *,
    since: int = 0,
    target: str | None = None,
    status: int | None = None,
    count: int = 0,
) -> list[Asked]:
    """List what was asked for after an access log's first `since` characters.

    Keeps to a target and a status where they are given. Waits for `count` of them, since a line
    is written when its answer has gone.
    """
    found: list[Asked] = []

    def enough() -> bool:
        found[:] = (each for each in _asked(log()[since:]) if _is_meant(each, target, status))
        return len(found) >= count

    wait_until(enough, f"{count} requests for {target or 'anything'} in the access log")
    return found


def statuses(depot: harness.RunningDepot, target: str, *, since: int = 0, count: int) -> list[int]:
    """List how a target was answered; waits for `count` answers."""
    return [
        each.status for each in asked(depot.access_log, since=since, target=target, count=count)
    ]


def _is_meant(each: Asked, target: str | None, status: int | None) -> bool:
    return target in {None, each.target} and status in {None, each.status}


def _asked(log: str) -> list[Asked]:
    return [Asked(method, target, int(status)) for method, target, status in _REQUEST.findall(log)]


def target_of(url: str) -> str:
    """Give what a client asks the server for, given a URL."""
    return urlsplit(url).path


def apt_root(desk: Desk, repository: str, authority: Path) -> Path:
    """Lay an apt root that knows one flat repository alone; give its apt.conf."""
    root = desk.folder / "apt"
    for name in (
        "state/lists/partial",
        "cache/archives/partial",
        "etc/apt.conf.d",
        "etc/preferences.d",
    ):
        (root / name).mkdir(parents=True)
    desk.write("apt/state/status")
    desk.write("apt/etc/sources.list", f"deb [trusted=yes] {repository} ./")
    options = {
        "Dir::State": root / "state",
        "Dir::State::status": root / "state" / "status",
        "Dir::Cache": root / "cache",
        "Dir::Etc": root / "etc",
        "Acquire::https::CaInfo": authority,
        "Acquire::https::Proxy": "DIRECT",
        "Acquire::Languages": "none",
        "Acquire::Retries": "0",
    }
    if os.geteuid() == 0:
        # apt lowers itself to a user who can't enter a test's folder.
        options["APT::Sandbox::User"] = "root"
    return desk.write("apt/apt.conf", *(f'{key} "{value}";' for key, value in options.items()))


def java(store: Path, *arguments: str | Path) -> list[str | Path]:
    """Give a launcher's command line that trusts what is in a PKCS #12 store."""
    # One compiler thread and a small heap: the launcher compiles the source before it runs it.
    lean = ["-Xmx256m", "-XX:TieredStopAtLevel=1", "-Djava.net.useSystemProxies=false"]
    trust = [f"trustStore={store}", "trustStoreType=PKCS12", f"trustStorePassword={STORE_WORD}"]
    options = [f"-Djavax.net.ssl.{option}" for option in trust]
    return [harness.need("java"), *lean, *options, *arguments]
