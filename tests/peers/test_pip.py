"""pip installs from a plain folder of wheels: the depot's listing is its index (PEP 503).

Exit status: pip ends with 1 for every error of an install (`pip._internal.cli.status_codes`,
ERROR).
"""

from __future__ import annotations

import base64
import csv
import hashlib
import json
import sys
from typing import TYPE_CHECKING

import harness
import peer
import pytest

if TYPE_CHECKING:
    import subprocess
    from pathlib import Path

pytestmark = pytest.mark.slow
ERROR = 1
WANTED = ("python-dateutil", "markdown-it-py")


def pip(
    desk: peer.Desk, depot: harness.RunningDepot, authority: Path, *arguments: str
) -> subprocess.CompletedProcess[str]:
    """Run pip by a configuration file that knows the depot alone; its password is in ~/.netrc."""
    config = desk.write(
        "pip.conf",
        "[global]",
        f"index-url = {depot.url}simple/",
        f"cert = {authority}",
        # Empty, so that no other place that this machine's settings name is looked at.
        *("extra-index-url =", "find-links =", "trusted-host =", "proxy ="),
        *("no-input = true", "no-cache-dir = true", "disable-pip-version-check = true"),
        *("only-binary = :all:", "retries = 0"),
    )
    python = [harness.need(sys.executable), "-m", "pip"]
    return desk.run(*python, *arguments, env={"PIP_CONFIG_FILE": config})


def install(
    desk: peer.Desk, depot: harness.RunningDepot, authority: Path
) -> subprocess.CompletedProcess[str]:
    """Install what is wanted into a folder of its own, with a report."""
    into = ["--target", "site", "--ignore-installed", "--report", "report.json"]
    return pip(desk, depot, authority, "install", *into, *WANTED)


def test_pip_installs_from_the_depot_with_every_dependency_and_digest(
    desk: peer.Desk, served: harness.RunningDepot, wheels: dict[str, Path]
) -> None:
    desk.netrc(served)
    done = install(desk, served, served.authority)
    assert done.returncode == 0, done.stderr
    report = json.loads((desk.folder / "report.json").read_text())["install"]
    downloads = [item["download_info"] for item in report]
    assert all(each["url"].startswith(f"{served.url}simple/") for each in downloads)
    got = {each["archive_info"]["hashes"]["sha256"] for each in downloads}
    assert got == {peer.sha256(wheel) for wheel in wheels.values()}


def test_what_pip_installs_agrees_with_each_wheels_record(
    desk: peer.Desk, served: harness.RunningDepot, wheels: dict[str, Path]
) -> None:
    desk.netrc(served)
    done = install(desk, served, served.authority)
    assert done.returncode == 0, done.stderr
    records = list((desk.folder / "site").glob("*.dist-info/RECORD"))
    assert len(records) == len(wheels)
    checked = [file for record in records for file in agreeing(record)]
    assert len(checked) > len(wheels)


def agreeing(record: Path) -> list[Path]:
    """Give the files that a RECORD lists with a digest; each must have it.

    Binary distribution format, "The .dist-info directory": urlsafe base64 without padding.
    """
    files = []
    for name, expected, _ in csv.reader(record.read_text().splitlines()):
        path = record.parent.parent / name
        # A script lies elsewhere under --target; only the package's own files are looked at.
        if expected and not name.startswith(".."):
            digest = hashlib.sha256(path.read_bytes()).digest()
            assert expected == "sha256=" + base64.urlsafe_b64encode(digest).decode().rstrip("=")
            files.append(path)
    return files


def test_pip_downloads_the_very_wheels_that_the_depot_holds(
    desk: peer.Desk, served: harness.RunningDepot, wheels: dict[str, Path]
) -> None:
    desk.netrc(served)
    done = pip(desk, served, served.authority, "download", "--dest", "got", *WANTED)
    assert done.returncode == 0, done.stderr
    expected = {wheel.name: peer.sha256(wheel) for wheel in wheels.values()}
    assert peer.digests(desk.folder / "got") == expected


@pytest.mark.usefixtures("wheels")
def test_pip_without_the_password_installs_nothing(
    desk: peer.Desk, served: harness.RunningDepot
) -> None:
    before = peer.log_end(served)
    done = install(desk, served, served.authority)
    assert done.returncode == ERROR, done.stderr
    asked = peer.asked(served.access_log, since=before, count=1)
    assert {each.status for each in asked} == {401}
    assert not peer.digests(desk.folder / "site")


@pytest.mark.usefixtures("wheels")
def test_pip_with_another_authority_installs_nothing(
    desk: peer.Desk, served: harness.RunningDepot, stranger: Path
) -> None:
    desk.netrc(served)
    done = install(desk, served, stranger)
    assert done.returncode == ERROR, done.stderr
    assert "CERTIFICATE_VERIFY_FAILED" in done.stderr + done.stdout
    assert not peer.digests(desk.folder / "site")
