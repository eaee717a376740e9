"""wget mirrors a tree, file for file, with its password in a wgetrc.

Exit statuses: wget(1), "EXIT STATUS": 5 SSL verification failure, 6 username or password
authentication failure.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import unquote

import harness
import peer
import pytest

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.slow
UNVERIFIED, REFUSED = 5, 6
MIRROR = ("-r", "-np", "-nH", "-l", "inf", "-R", "index.html*")


def wget(
    desk: peer.Desk, authority: Path, *arguments: str, sign_in: harness.RunningDepot | None
) -> subprocess.CompletedProcess[str]:
    """Run wget by a wgetrc that verifies with `authority`; it waits for the challenge, as ever."""
    lines = [f"ca_certificate = {authority}", "tries = 2", "restrict_file_names = nocontrol"]
    if sign_in is not None:
        lines += [f"user = {sign_in.user}", f"password = {sign_in.passphrase}"]
    env = {"WGETRC": desk.write("wgetrc", *lines)}
    return desk.run(harness.need("wget"), "-nv", "-P", "mirror", *arguments, env=env)


def test_wget_waits_for_the_challenge_and_then_fetches_a_file(
    desk: peer.Desk,
    served: harness.RunningDepot,
    wheels: dict[str, Path],
    address: Callable[[Path], str],
) -> None:
    wheel = wheels["python-dateutil"]
    before = peer.log_end(served)
    done = wget(desk, served.authority, address(wheel), sign_in=served)
    assert done.returncode == 0, done.stderr
    assert peer.digests(desk.folder / "mirror") == {wheel.name: peer.sha256(wheel)}
    target = peer.target_of(address(wheel))
    assert peer.statuses(served, target, since=before, count=2) == [401, 200]


@pytest.mark.usefixtures("wheels", "debs")
@pytest.mark.parametrize("folder", ["simple", "packages", "plant"])
def test_wget_mirrors_a_tree_with_every_name_and_byte_and_nothing_else(
    desk: peer.Desk, served: harness.RunningDepot, content: Path, folder: str
) -> None:
    done = wget(desk, served.authority, *MIRROR, f"{served.url}{folder}/", sign_in=served)
    assert done.returncode == 0, done.stderr
    expected = {
        f"{folder}/{name}": digest for name, digest in peer.digests(content / folder).items()
    }
    assert len(unquoted(expected)) == len(expected)
    assert unquoted(peer.digests(desk.folder / "mirror")) == unquoted(expected)


def unquoted(files: dict[str, str]) -> dict[str, str]:
    """Decode names once more: wget 1.21 does so where it names a file, though not where it asks."""
    return {unquote(name): digest for name, digest in files.items()}


def test_wget_asks_for_no_query_and_for_nothing_above_where_it_began(
    desk: peer.Desk, served: harness.RunningDepot, content: Path
) -> None:
    before = peer.log_end(served)
    files = sum(path.is_file() for path in (content / "plant").rglob("*"))
    done = wget(desk, served.authority, *MIRROR, f"{served.url}plant/", sign_in=served)
    assert done.returncode == 0, done.stderr
    asked = peer.asked(served.access_log, since=before, status=200, count=files)
    assert len({each.target for each in asked if each.status == 200}) >= files
    assert not [each for each in asked if "?" in each.target]
    # RFC 9309 section 2.3: a crawler looks for this file first.
    outside = {each.target for each in asked if not each.target.startswith("/plant/")}
    assert outside <= {"/robots.txt"}


def test_wget_without_the_password_is_refused_and_leaves_nothing(
    desk: peer.Desk,
    served: harness.RunningDepot,
    wheels: dict[str, Path],
    address: Callable[[Path], str],
) -> None:
    done = wget(desk, served.authority, address(wheels["mdurl"]), sign_in=None)
    assert done.returncode == REFUSED, done.stderr
    assert not peer.digests(desk.folder / "mirror")


def test_wget_mirrors_nothing_without_the_password(
    desk: peer.Desk, served: harness.RunningDepot
) -> None:
    done = wget(desk, served.authority, *MIRROR, f"{served.url}plant/", sign_in=None)
    assert done.returncode == REFUSED, done.stderr
    assert not peer.digests(desk.folder / "mirror")


def test_wget_with_another_authority_does_not_trust_the_depot(
    desk: peer.Desk,
    served: harness.RunningDepot,
    wheels: dict[str, Path],
    address: Callable[[Path], str],
    stranger: Path,
) -> None:
    done = wget(desk, stranger, address(wheels["mdurl"]), sign_in=served)
    assert done.returncode == UNVERIFIED, done.stderr
    assert not peer.digests(desk.folder / "mirror")
