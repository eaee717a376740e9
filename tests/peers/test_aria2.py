"""aria2c fetches a large file in eight pieces at once.

Exit statuses: aria2c(1), "EXIT STATUS": 24 HTTP authorization failed, 1 an unknown error, which
is how it reports a TLS handshake that failed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import harness
import peer
import pytest

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.slow
UNVERIFIED, REFUSED = 1, 24
# Less than an eighth of the file, or aria2c makes fewer pieces than it is told to.
EIGHT_AT_ONCE = ("-x8", "-s8", "-k", "1M")


def aria2c(
    desk: peer.Desk, authority: Path, *arguments: str | Path, sign_in: harness.RunningDepot | None
) -> subprocess.CompletedProcess[str]:
    """Run aria2c by a configuration file that verifies with `authority`."""
    lines = [f"ca-certificate={authority}", "check-certificate=true", "max-tries=2", "no-netrc"]
    lines += ["dir=got", "allow-overwrite=false", "file-allocation=none"]
    if sign_in is not None:
        lines += [f"http-user={sign_in.user}", f"http-passwd={sign_in.passphrase}"]
    config = desk.write("aria2.conf", *lines)
    return desk.run(harness.need("aria2c"), f"--conf-path={config}", *arguments)


def test_aria2c_fetches_a_large_image_by_eight_connections(
    desk: peer.Desk, served: harness.RunningDepot, big: Path, address: Callable[[Path], str]
) -> None:
    before = peer.log_end(served)
    url = address(big)
    done = aria2c(desk, served.authority, *EIGHT_AT_ONCE, url, sign_in=served)
    assert done.returncode == 0, done.stdout
    assert peer.digests(desk.folder / "got") == {big.name: peer.sha256(big)}
    statuses = peer.statuses(served, peer.target_of(url), since=before, count=8)
    assert statuses.count(206) >= 7


def test_aria2c_waits_for_the_challenge_where_it_is_told_to(
    desk: peer.Desk, served: harness.RunningDepot, big: Path, address: Callable[[Path], str]
) -> None:
    challenge = "--http-auth-challenge=true"
    done = aria2c(desk, served.authority, challenge, *EIGHT_AT_ONCE, address(big), sign_in=served)
    assert done.returncode == 0, done.stdout
    assert peer.digests(desk.folder / "got") == {big.name: peer.sha256(big)}


def test_aria2c_fetches_a_list_of_wheels_and_packages(
    desk: peer.Desk,
    served: harness.RunningDepot,
    wheels: dict[str, Path],
    debs: dict[str, Path],
    address: Callable[[Path], str],
) -> None:
    files = [*wheels.values(), *debs.values()]
    wanted = desk.write("wanted.txt", *map(address, files))
    done = aria2c(desk, served.authority, *EIGHT_AT_ONCE, "-i", wanted, sign_in=served)
    assert done.returncode == 0, done.stdout
    assert peer.digests(desk.folder / "got") == {file.name: peer.sha256(file) for file in files}


def test_aria2c_without_the_password_is_refused_and_leaves_nothing(
    desk: peer.Desk, served: harness.RunningDepot, big: Path, address: Callable[[Path], str]
) -> None:
    done = aria2c(desk, served.authority, *EIGHT_AT_ONCE, address(big), sign_in=None)
    assert done.returncode == REFUSED, done.stdout
    assert not peer.digests(desk.folder / "got")


def test_aria2c_with_another_authority_does_not_trust_the_depot(
    desk: peer.Desk,
    served: harness.RunningDepot,
    big: Path,
    address: Callable[[Path], str],
    stranger: Path,
) -> None:
    done = aria2c(desk, stranger, *EIGHT_AT_ONCE, address(big), sign_in=served)
    assert done.returncode == UNVERIFIED, done.stdout
    assert "SSL/TLS handshake failure" in done.stdout + done.stderr
    assert not peer.digests(desk.folder / "got")
