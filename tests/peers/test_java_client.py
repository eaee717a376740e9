"""A program on the JVM fetches by HttpURLConnection, which answers the depot's challenge.

Its trust store is made by `keytool -importcert`; it checks the host's name, as it does by default
(Java Secure Socket Extension, "HttpsURLConnection Class"). Exit status: java(1), an exception that
nobody handles ends the launcher with 1.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import harness
import peer
import pytest

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Callable

pytestmark = pytest.mark.slow
UNHANDLED = 1
PROGRAM = Path(__file__).parent / "clients" / "ByHttpUrlConnection.java"


def fetch(
    desk: peer.Desk, url: str, authority: Path, *, sign_in: harness.RunningDepot | None
) -> subprocess.CompletedProcess[str]:
    """Run the program; it fetches `url` to the file `got`, trusting `authority` alone."""
    store = trust_store(desk, authority)
    lines = [f"user={sign_in.user}", f"passphrase={sign_in.passphrase}"] if sign_in else []
    account = desk.write("account.properties", *lines)
    return desk.run(*peer.java(store, PROGRAM, url, "got", account))


def trust_store(desk: peer.Desk, authority: Path) -> Path:
    """Make a trust store that holds one certificate."""
    store = desk.folder / "trust.p12"
    kind = ["-storetype", "PKCS12", "-storepass", peer.STORE_WORD, "-noprompt"]
    options = [*kind, "-alias", "depot", "-keystore", store, "-file", authority]
    done = desk.run(harness.need("keytool"), "-importcert", *options)
    assert done.returncode == 0, done.stdout
    return store


def test_a_jvm_client_answers_the_challenge_and_fetches_a_file(
    desk: peer.Desk,
    served: harness.RunningDepot,
    wheels: dict[str, Path],
    address: Callable[[Path], str],
) -> None:
    url = address(wheels["python-dateutil"])
    before = peer.log_end(served)
    done = fetch(desk, url, served.authority, sign_in=served)
    assert done.returncode == 0, done.stderr
    assert peer.sha256(desk.folder / "got") == peer.sha256(wheels["python-dateutil"])
    assert peer.statuses(served, peer.target_of(url), since=before, count=2) == [401, 200]


def test_a_jvm_client_without_the_password_is_refused_and_leaves_nothing(
    desk: peer.Desk,
    served: harness.RunningDepot,
    wheels: dict[str, Path],
    address: Callable[[Path], str],
) -> None:
    done = fetch(desk, address(wheels["mdurl"]), served.authority, sign_in=None)
    assert done.returncode == UNHANDLED
    assert "HTTP response code: 401" in done.stderr
    assert not (desk.folder / "got").exists()


def test_a_jvm_client_with_another_authority_does_not_trust_the_depot(
    desk: peer.Desk,
    served: harness.RunningDepot,
    wheels: dict[str, Path],
    address: Callable[[Path], str],
    stranger: Path,
) -> None:
    done = fetch(desk, address(wheels["mdurl"]), stranger, sign_in=served)
    assert done.returncode == UNHANDLED
    assert "javax.net.ssl.SSLHandshakeException" in done.stderr
    assert not (desk.folder / "got").exists()


def test_a_jvm_client_refuses_a_depot_whose_certificate_has_another_name(
    desk: peer.Desk, tmp_path: Path, content: Path
) -> None:
    home = harness.make_home(tmp_path / "home", content, hosts=["depot.plant.example"])
    listener = {"address": "127.0.0.1", "port": 0, "tls": "modern"}
    harness.change_settings(home, listeners=[listener])
    depot = harness.start(home)
    try:
        done = fetch(desk, f"{depot.url}plant/gateway/empty.bin", depot.authority, sign_in=depot)
    finally:
        depot.stop()
    assert done.returncode == UNHANDLED
    assert "No subject alternative DNS name matching localhost found" in done.stderr
    assert not (desk.folder / "got").exists()
