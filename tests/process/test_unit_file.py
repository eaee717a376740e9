from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import harness
import pytest

UNIT = Path(__file__).parents[2] / "systemd" / "depotserve.service"
RENEWAL = UNIT.with_name("depotserve-renew.service")
TIMER = UNIT.with_name("depotserve-renew.timer")


def settings(unit: Path = UNIT) -> dict[str, str]:
    """Give a unit's assignments; those made several times in one text."""
    found: dict[str, str] = {}
    for name, value in re.findall(r"^(\w+)=(.*)$", unit.read_text(), re.MULTILINE):
        found[name] = f"{found.get(name, '')} {value}".strip()
    return found


def copy_of_unit(tmp_path: Path, unit: Path = UNIT) -> Path:
    """Copy a unit with a program that is there, since its own lies where it is installed."""
    copy = tmp_path / unit.name
    copy.write_text(unit.read_text().replace("/opt/depotserve/bin/depotserve", sys.executable))
    return copy


# Outside check: systemd's own reading of the unit.
@pytest.mark.parametrize("name", ["depotserve.service", "depotserve-renew.timer"])
def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path: Path, name: str) -> None:
    copies = {unit.name: str(copy_of_unit(tmp_path, unit)) for unit in (UNIT, RENEWAL, TIMER)}
    command = [harness.need("systemd-analyze"), "verify", copies[name]]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    ours = [line for line in done.stderr.splitlines() if "depotserve" in line]
    assert (done.returncode, ours) == (0, [])


# Outside check: systemd's measure of exposure, 0 to 10; 2 and below it calls "OK".
@pytest.mark.parametrize("unit", [UNIT, RENEWAL], ids=lambda unit: unit.name)
def test_systemd_calls_the_unit_little_exposed(tmp_path: Path, unit: Path) -> None:
    command = [harness.need("systemd-analyze"), "security", "--offline=true", "--no-pager"]
    done = subprocess.run(
        [*command, str(copy_of_unit(tmp_path, unit))],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert found
    assert float(found[1]) <= 2.0


# ../shared cases, E01: what made units like this one fail.
def test_the_unit_lets_the_program_do_what_it_must() -> None:
    unit = settings()
    assert unit["Type"] == "notify"
    for name in ("AmbientCapabilities", "CapabilityBoundingSet"):
        assert unit[name] == "CAP_NET_BIND_SERVICE"
    assert unit.get("PrivateUsers", "no") == "no"
    assert unit["ProtectHome"] == "read-only"
    assert unit["ReadWritePaths"] == "/srv/depot/state /srv/depot/log"
    assert "/srv/depot" in unit["ExecStart"]
    assert "/srv/content" in unit["RequiresMountsFor"]
    assert int(unit["LimitNOFILE"]) >= 65536
    assert "AF_UNIX" in unit["RestrictAddressFamilies"]  # to tell the service manager
    assert "kill -HUP" in unit["ExecReload"]


def test_the_unit_waits_longer_than_transfers_may_take_to_finish() -> None:
    from depotserve.config import Settings  # noqa: PLC0415

    drain = Settings(home=Path("/"), content=(), listeners=()).drain
    assert int(settings()["TimeoutStopSec"].rstrip("s")) > drain + 10


def test_the_timer_renews_what_the_service_itself_may_not_write() -> None:
    renewal, service = settings(RENEWAL), settings()
    home = "/srv/depot"
    assert renewal["ExecStart"].endswith(f"cert issue --when-due --home {home}")
    assert renewal["ReadWritePaths"] == f"{home}/tls {home}/state"
    assert f"{home}/tls" not in service["ReadWritePaths"]
    assert "User" not in renewal  # the service's user must not be able to write the certificate
    timer = settings(TIMER)
    assert timer["OnCalendar"] == "daily"
    assert timer["Persistent"] == "yes"
    assert TIMER.stem == RENEWAL.stem  # systemd.timer(5): what a timer starts by default


def test_every_path_of_the_unit_is_explained_at_its_top() -> None:
    text = UNIT.read_text()
    head = text.partition("[Unit]")[0]
    for path in set(re.findall(r"(?<![\w/])(/(?:opt|srv)[\w/]*)", text.partition("[Unit]")[2])):
        assert any(
            path.startswith(known) for known in re.findall(r"^#   (\S+)", head, re.MULTILINE)
        )


# What the unit asks of the kernel, as far as it can be asked without systemd. prctl(2): 38 is
# PR_SET_NO_NEW_PRIVS, 65 is PR_SET_MDWE, which MemoryDenyWriteExecute= uses from Linux 6.3 on.
HARDENED = """
import ctypes, os, sys
library = ctypes.CDLL(None, use_errno=True)
assert library.prctl(38, 1, 0, 0, 0) == 0
library.prctl(65, 1, 0, 0, 0)
os.umask(0o027)
os.execv(sys.argv[1], sys.argv[1:])
"""


def test_a_depot_runs_without_writable_code_and_writes_two_folders_only(
    home: Path, tmp_path: Path
) -> None:
    strace = harness.need("strace")
    calls = tmp_path / "calls"
    trace = [strace, "-f", "-qq", "--seccomp-bpf", "-e", "trace=openat,mkdir,rename,unlink"]
    through = [sys.executable, "-c", HARDENED, *trace, "-o", str(calls)]
    depot = harness.start(home, workers=2, through=through)
    for _ in range(4):
        assert b" 200 OK\r\n" in depot.raw(harness.get("/x"))
    # The process that was started traces the supervisor, which is its only child.
    (supervisor,) = harness.children(depot.pid)
    os.kill(supervisor, signal.SIGTERM)
    assert depot.process.wait(30) == 0
    written = re.findall(r'"([^"]+)", [^)]*O_(?:WRONLY|RDWR|CREAT)', calls.read_text())
    places = {path for path in written if not path.startswith(("/dev/", "/proc/self/"))}
    allowed = (f"{home}/state/", f"{home}/log/")
    assert places
    assert all(path.startswith(allowed) for path in places), places
