"""apt-get updates and downloads from a flat repository in a root of its own.

Exit status: apt-get(8), "DIAGNOSTICS": zero on normal operation, decimal 100 on error. Settings:
apt-transport-https(1), apt_auth.conf(5), sources.list(5).
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import harness
import peer
import pytest

if TYPE_CHECKING:
    import subprocess
    from pathlib import Path

pytestmark = pytest.mark.slow
ERROR = 100
# The first needs a third package; the name of that one and its dependency must both be found.
WANTED = ("libjs-jquery-metadata", "libjs-d3-format")


def private_root(
    desk: peer.Desk, depot: harness.RunningDepot, authority: Path, *, sign_in: bool
) -> Path:
    """Lay an apt root that knows the depot alone; give its apt.conf."""
    place = f"localhost:{depot.port}"
    if sign_in:
        entry = f"login {depot.user} password {depot.passphrase}"
        desk.write("apt/etc/auth.conf.d/depot.conf", f"machine {place} {entry}")
    return peer.apt_root(desk, f"https://{place}/packages", authority)


def apt_get(desk: peer.Desk, config: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run apt-get in the private root."""
    return desk.run(harness.need("apt-get"), *arguments, env={"APT_CONFIG": config})


def download(desk: peer.Desk, config: Path) -> subprocess.CompletedProcess[str]:
    """Download what is wanted and all that it needs, without installing it."""
    options = ["--yes", "--download-only", "--no-install-recommends"]
    return apt_get(desk, config, "install", *options, *WANTED)


def archives(desk: peer.Desk) -> set[str]:
    """Give the digests of the packages that apt has taken for whole."""
    return {peer.sha256(deb) for deb in (desk.folder / "apt/cache/archives").glob("*.deb")}


def test_apt_updates_and_downloads_packages_with_their_dependency(
    desk: peer.Desk, served: harness.RunningDepot, debs: dict[str, Path]
) -> None:
    config = private_root(desk, served, served.authority, sign_in=True)
    updated = apt_get(desk, config, "update", "--error-on=any")
    assert updated.returncode == 0, updated.stderr
    done = download(desk, config)
    assert done.returncode == 0, done.stderr
    assert archives(desk) == {peer.sha256(deb) for deb in debs.values()}


@pytest.mark.usefixtures("debs")
def test_apt_finds_its_index_unchanged_when_it_updates_again(
    desk: peer.Desk, served: harness.RunningDepot
) -> None:
    config = private_root(desk, served, served.authority, sign_in=True)
    first = apt_get(desk, config, "update", "--error-on=any")
    assert first.returncode == 0, first.stderr
    before = peer.log_end(served)
    again = apt_get(desk, config, "update", "--error-on=any")
    assert again.returncode == 0, again.stderr
    assert "Hit:" in again.stdout
    assert 304 in peer.statuses(served, "/packages/./Release", since=before, count=1)


def test_apt_resumes_half_a_package(
    desk: peer.Desk, served: harness.RunningDepot, debs: dict[str, Path]
) -> None:
    config = private_root(desk, served, served.authority, sign_in=True)
    assert apt_get(desk, config, "update", "--error-on=any").returncode == 0
    half_of(debs["libjs-jquery"], desk.folder / "apt/cache/archives/partial")
    before = peer.log_end(served)
    done = download(desk, config)
    assert done.returncode == 0, done.stderr
    assert archives(desk) == {peer.sha256(deb) for deb in debs.values()}
    assert 206 in {
        each.status for each in peer.asked(served.access_log, since=before, status=206, count=1)
    }


def half_of(deb: Path, folder: Path) -> None:
    """Lay the first half of a package as an interrupted apt leaves it, with the server's time."""
    half = folder / deb.name
    data = deb.read_bytes()
    half.write_bytes(data[: len(data) // 2])
    modified = int(deb.stat().st_mtime)
    os.utime(half, (modified, modified))


@pytest.mark.usefixtures("debs")
def test_apt_without_the_password_updates_and_downloads_nothing(
    desk: peer.Desk, served: harness.RunningDepot
) -> None:
    config = private_root(desk, served, served.authority, sign_in=False)
    updated = apt_get(desk, config, "update", "--error-on=any")
    assert updated.returncode == ERROR, updated.stderr
    assert "401" in updated.stderr + updated.stdout
    assert download(desk, config).returncode == ERROR
    assert not archives(desk)


@pytest.mark.usefixtures("debs")
def test_apt_with_another_authority_updates_and_downloads_nothing(
    desk: peer.Desk, served: harness.RunningDepot, stranger: Path
) -> None:
    config = private_root(desk, served, stranger, sign_in=True)
    updated = apt_get(desk, config, "update", "--error-on=any")
    assert updated.returncode == ERROR, updated.stderr
    assert "certificate" in updated.stderr + updated.stdout
    assert download(desk, config).returncode == ERROR
    assert not archives(desk)
