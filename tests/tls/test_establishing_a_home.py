from __future__ import annotations

import os
import re
import subprocess
import sys
from typing import TYPE_CHECKING

import harness
import pytest

from depotserve import tls
from depotserve.errors import CallerError
from depotserve.home import Home

if TYPE_CHECKING:
    from pathlib import Path

ESTABLISH = (
    "import os, pathlib, sys; os.umask(0);"
    "from depotserve import tls; from depotserve.home import Home;"
    "tls.establish(Home(pathlib.Path(sys.argv[1])), ['depot.plant.example', '127.0.0.1'])"
)


def establish(root: Path, *before: str) -> None:
    command = [*before, sys.executable, "-c", ESTABLISH, str(root)]
    subprocess.run(command, check=True, timeout=60, capture_output=True)


def test_keys_are_for_their_owner_only_whatever_the_umask(tmp_path: Path) -> None:
    establish(tmp_path)
    folder = tmp_path / "tls"
    assert folder.stat().st_mode & 0o777 == 0o700
    secret = [path for path in folder.iterdir() if b"PRIVATE KEY" in path.read_bytes()]
    assert {path.name for path in secret} == {"authority.key", "server.key"}
    assert all(path.stat().st_mode & 0o777 == 0o600 for path in secret)
    assert {path.name for path in folder.iterdir()} == {
        "authority.key",
        "authority.pem",
        "server.key",
        "server.pem",
    }


# Outside check: strace sees the system calls that make the files.
def test_keys_are_born_closed_to_others(tmp_path: Path) -> None:
    strace = harness.need("strace")
    log = tmp_path / "calls"
    establish(tmp_path / "home", strace, "-f", "-qq", "-e", "openat,fchmod", "-o", str(log))
    # Each new file, and every later change of a file's mode.
    made = re.findall(
        r'openat\([^,]+, "[^"]*/tls/[^"]*", [^)]*O_CREAT[^)]*, (0\d+)\)', log.read_text()
    )
    assert len(made) == 4
    assert set(made) == {"0600"}
    widened = re.findall(r"fchmod\(\d+, (0\d+)\)", log.read_text())
    assert sorted(widened) == ["0600", "0600", "0644", "0644"]


def test_the_leaf_alone_is_the_chain_and_the_anchor_verifies_it(tmp_path: Path) -> None:
    home = Home(tmp_path)
    tls.establish(home, ["Depot.Plant.Example."])
    assert home.certificate.read_bytes().count(b"BEGIN CERTIFICATE") == 1
    tls.load_pair(home.certificate.read_bytes(), home.key.read_bytes())
    command = ["openssl", "verify", "-x509_strict", "-CAfile", str(home.authority)]
    command += ["-verify_hostname", "depot.plant.example", str(home.certificate)]
    assert subprocess.run(command, timeout=30, check=False, capture_output=True).returncode == 0


def test_a_wrong_host_leaves_nothing_behind(tmp_path: Path) -> None:
    with pytest.raises(CallerError, match="has a port"):
        tls.establish(Home(tmp_path), ["depot.plant.example", "depot:443"])
    assert os.listdir(tmp_path) == []
