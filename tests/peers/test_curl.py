"""curl fetches with the depot's certificate verified and its password in a configuration file.

Exit statuses: curl(1), "EXIT CODES": 22 an HTTP status of 400 or more with --fail, 60 a peer
certificate that cannot be authenticated with known certificates.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import harness
import peer
import pytest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.slow
REFUSED, UNVERIFIED = 22, 60
QUARTER = 16 * 1024 * 1024  # bytes of the host image


def settings(desk: peer.Desk, authority: Path, *lines: str) -> list[str | Path]:
    """Give curl a configuration file (-K) that verifies with `authority`."""
    config = desk.write("curlrc", "fail", "silent", "show-error", f'cacert = "{authority}"', *lines)
    # --disable comes first, or curl reads this machine's own configuration as well.
    return [harness.need("curl"), "--disable", "--config", config]


def test_curl_fetches_a_wheel_with_its_password_in_a_configuration_file(
    desk: peer.Desk,
    served: harness.RunningDepot,
    wheels: dict[str, Path],
    address: Callable[[Path], str],
) -> None:
    wheel = wheels["python-dateutil"]
    curl = settings(desk, served.authority, f'user = "{served.user}:{served.passphrase}"')
    done = desk.run(*curl, "--write-out", "%{http_code}", "-o", "wheel", address(wheel))
    assert (done.returncode, done.stdout) == (0, "200"), done.stderr
    assert peer.sha256(desk.folder / "wheel") == peer.sha256(wheel)


def test_curl_finds_its_password_in_a_netrc_file(
    desk: peer.Desk,
    served: harness.RunningDepot,
    debs: dict[str, Path],
    address: Callable[[Path], str],
) -> None:
    deb = debs["libjs-jquery"]
    curl = settings(desk, served.authority, f'netrc-file = "{desk.netrc(served, "entries")}"')
    done = desk.run(*curl, "-o", "deb", address(deb))
    assert done.returncode == 0, done.stderr
    assert peer.sha256(desk.folder / "deb") == peer.sha256(deb)


def test_curl_waits_for_the_challenge_before_it_signs_in(
    desk: peer.Desk,
    served: harness.RunningDepot,
    wheels: dict[str, Path],
    address: Callable[[Path], str],
) -> None:
    url = address(wheels["mdurl"])
    before = peer.log_end(served)
    netrc = f'netrc-file = "{desk.netrc(served)}"'
    done = desk.run(*settings(desk, served.authority, netrc, "anyauth"), "-o", "wheel", url)
    assert done.returncode == 0, done.stderr
    assert peer.sha256(desk.folder / "wheel") == peer.sha256(wheels["mdurl"])
    assert peer.statuses(served, peer.target_of(url), since=before, count=2) == [401, 200]


def test_curl_resumes_half_a_package_and_gets_the_rest_alone(
    desk: peer.Desk,
    served: harness.RunningDepot,
    debs: dict[str, Path],
    address: Callable[[Path], str],
) -> None:
    deb = debs["libjs-jquery"]
    whole = deb.read_bytes()
    (desk.folder / "deb").write_bytes(whole[: len(whole) // 2])
    curl = settings(desk, served.authority, f'netrc-file = "{desk.netrc(served)}"')
    report = ["--write-out", "%{http_code} %{size_download}"]
    done = desk.run(*curl, *report, "-C", "-", "-o", "deb", address(deb))
    assert done.returncode == 0, done.stderr
    assert done.stdout == f"206 {len(whole) - len(whole) // 2}"
    assert peer.sha256(desk.folder / "deb") == peer.sha256(deb)


def test_curl_that_has_the_whole_file_resumes_nothing_and_keeps_it(
    desk: peer.Desk,
    served: harness.RunningDepot,
    debs: dict[str, Path],
    address: Callable[[Path], str],
) -> None:
    deb = debs["libjs-jquery"]
    (desk.folder / "deb").write_bytes(deb.read_bytes())
    curl = settings(desk, served.authority, f'netrc-file = "{desk.netrc(served)}"')
    done = desk.run(*curl, "-C", "-", "-o", "deb", address(deb))
    # RFC 9110 section 15.5.17: the range begins at the end, 416; curl takes `bytes */N` with N
    # bytes in hand for success since 7.61, and for 22 before.
    assert done.returncode in {0, REFUSED}, done.stderr
    assert peer.sha256(desk.folder / "deb") == peer.sha256(deb)


def test_curl_retries_until_content_that_had_vanished_is_back(
    desk: peer.Desk, tmp_path: Path, wheels: dict[str, Path]
) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "wheel").write_bytes(wheels["mdurl"].read_bytes())
    with harness.running_depot(tmp_path, tree) as depot:
        curl = settings(desk, depot.authority, f'netrc-file = "{desk.netrc(depot)}"')
        tree.rename(tmp_path / "unplugged")
        with desk.start(*curl, "--retry", "5", "-o", "wheel", f"{depot.url}wheel") as client:
            assert peer.statuses(depot, "/wheel", count=1) == [503]
            (tmp_path / "unplugged").rename(tree)
            # It waits as long as Retry-After asks for: half a minute.
            assert client.wait(peer.CLIENT_SECONDS) == 0
        assert peer.statuses(depot, "/wheel", count=2) == [503, 200]
    assert peer.sha256(desk.folder / "wheel") == peer.sha256(wheels["mdurl"])


def test_curl_goes_on_where_it_was_when_the_depot_is_killed_and_started_again(
    desk: peer.Desk, tmp_path: Path, content: Path, big: Path
) -> None:
    home = harness.make_home(tmp_path / "home", content)
    listener = {"address": "127.0.0.1", "port": 0, "tls": "modern"}
    harness.change_settings(home, listeners=[listener])
    depot = harness.start(home)
    try:
        harness.change_settings(home, listeners=[{**listener, "port": depot.port}])
        curl = settings(desk, depot.authority, f'netrc-file = "{desk.netrc(depot)}"')
        # Slow enough to be cut in its midst; a refused connection and a cut body count as well.
        slow = ["--limit-rate", "16M", "--retry", "60", "--retry-delay", "1"]
        again = [*slow, "--retry-connrefused", "--retry-all-errors", "-C", "-"]
        url = f"{depot.url}{big.relative_to(content)}"
        with desk.start(*curl, *again, "-o", "image", url) as client:
            image = desk.folder / "image"
            peer.wait_until(lambda: image.exists() and image.stat().st_size > QUARTER, "a quarter")
            peer.kill(depot)
            depot = harness.start(home)
            assert client.wait(peer.CLIENT_SECONDS) == 0
        # The killed worker wrote no line; curl asks for the rest, or begins again.
        assert set(peer.statuses(depot, peer.target_of(url), count=1)) <= {200, 206}
    finally:
        depot.stop(status=None)
    assert peer.sha256(image) == peer.sha256(big)


def test_curl_without_the_password_is_refused_and_leaves_nothing(
    desk: peer.Desk,
    served: harness.RunningDepot,
    wheels: dict[str, Path],
    address: Callable[[Path], str],
) -> None:
    curl = settings(desk, served.authority)
    done = desk.run(*curl, "-o", "wheel", address(wheels["mdurl"]))
    assert done.returncode == REFUSED, done.stderr
    assert "401" in done.stderr
    assert not (desk.folder / "wheel").exists()


def test_curl_with_another_authority_does_not_trust_the_depot(
    desk: peer.Desk,
    served: harness.RunningDepot,
    wheels: dict[str, Path],
    address: Callable[[Path], str],
    stranger: Path,
) -> None:
    curl = settings(desk, stranger, f'netrc-file = "{desk.netrc(served)}"')
    done = desk.run(*curl, "-o", "wheel", address(wheels["mdurl"]))
    assert done.returncode == UNVERIFIED, done.stderr
    assert not (desk.folder / "wheel").exists()
