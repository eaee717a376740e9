"""Programs in Python fetch by urllib and by requests; their passwords are in ~/.netrc.

Exit status: an exception that nobody handles ends the interpreter with 1 (Python's documentation
of `sys.excepthook` and of `SystemExit`); which one it was is read from the traceback's last line.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import peer
import pytest

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Callable

    import harness

pytestmark = pytest.mark.slow
UNHANDLED = 1
CLIENTS = Path(__file__).parent / "clients"
# Program; how it says that it was refused; how it says that it does not trust the certificate.
PROGRAMS = {
    "urllib": ("by_urllib.py", "urllib.error.HTTPError: HTTP Error 401", "urllib.error.URLError"),
    "requests": (
        "by_requests.py",
        "requests.exceptions.HTTPError: 401 Client Error",
        "requests.exceptions.SSLError",
    ),
}
each_program = pytest.mark.parametrize("program", list(PROGRAMS))


def fetch(
    desk: peer.Desk, program: str, url: str, authority: Path
) -> subprocess.CompletedProcess[str]:
    """Run a program that fetches `url` to the file `got`."""
    script = CLIENTS / PROGRAMS[program][0]
    return desk.run(sys.executable, script, url, authority, "got")


def last_line(done: subprocess.CompletedProcess[str]) -> str:
    """Give a traceback's last line, which names the exception."""
    return done.stderr.strip().rpartition("\n")[2]


@each_program
def test_a_program_fetches_every_wheel_and_package(
    desk: peer.Desk,
    served: harness.RunningDepot,
    wheels: dict[str, Path],
    debs: dict[str, Path],
    address: Callable[[Path], str],
    program: str,
) -> None:
    desk.netrc(served)
    for file in [*wheels.values(), *debs.values()]:
        done = fetch(desk, program, address(file), served.authority)
        assert done.returncode == 0, done.stderr
        assert peer.sha256(desk.folder / "got") == peer.sha256(file)


@each_program
def test_a_program_without_the_password_is_refused_and_leaves_nothing(
    desk: peer.Desk,
    served: harness.RunningDepot,
    wheels: dict[str, Path],
    address: Callable[[Path], str],
    program: str,
) -> None:
    done = fetch(desk, program, address(wheels["mdurl"]), served.authority)
    assert done.returncode == UNHANDLED
    assert last_line(done).startswith(PROGRAMS[program][1])
    assert not (desk.folder / "got").exists()


@each_program
def test_a_program_with_another_authority_does_not_trust_the_depot(
    desk: peer.Desk,
    served: harness.RunningDepot,
    wheels: dict[str, Path],
    address: Callable[[Path], str],
    stranger: Path,
    program: str,
) -> None:
    desk.netrc(served)
    done = fetch(desk, program, address(wheels["mdurl"]), stranger)
    assert done.returncode == UNHANDLED
    assert last_line(done).startswith(PROGRAMS[program][2])
    assert "CERTIFICATE_VERIFY_FAILED" in last_line(done)
    assert not (desk.folder / "got").exists()
