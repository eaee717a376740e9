"""Depots open to all, the trust files written for them, and the clients that get these files."""

from __future__ import annotations

import contextlib
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Callable

import attrs
import harness
import peer
import serving

from depotserve import tls

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Iterator

CLIENTS = Path(__file__).parent / "clients"
BODY = bytes(range(256)) * 300
OTHER_ADDRESS = "127.0.0.2"  # of this machine too, and in no certificate here
_OTHER = {"address": OTHER_ADDRESS, "port": 0, "tls": "modern"}
Run = Callable[[peer.Desk, Path, str], "subprocess.CompletedProcess[str]"]


@attrs.frozen
class Plant:
    """A depot, and another one that serves by the authority which follows the first one's."""

    depot: harness.RunningDepot
    follower: harness.RunningDepot
    rolling: Path  # the depot's home as it is while one authority follows the other


@contextlib.contextmanager
def plant_in(folder: Path) -> Iterator[Plant]:
    """Serve both depots from homes in `folder` until the block ends."""
    tree = _make_tree(folder / "tree")
    following = tls.authority.create("localhost")
    mount = serving.mount("/", tree, "anonymous")
    with serving.serving(folder, mount, listeners=[serving.TLS, _OTHER]) as depot:
        # As an administrator has it: the port is known beforehand.
        harness.change_settings(depot.home, listeners=[{**serving.TLS, "port": depot.port}])
        rolling = folder / "rolling"
        shutil.copytree(depot.home, rolling, ignore=shutil.ignore_patterns("*.lock"))
        (rolling / "tls" / "authority-next.pem").write_bytes(following.certificate)
        follower = _start_under(following, folder / "follower", tree)
        try:
            yield Plant(depot, follower, rolling)
        finally:
            follower.stop()


def _make_tree(tree: Path) -> Path:
    (tree / "packages").mkdir(parents=True)
    (tree / "intake.bin").write_bytes(BODY)
    (tree / "seen.txt").write_text("Intake line 2, read by a browser.\n")
    return tree


def _start_under(authority: tls.Pair, home: Path, tree: Path) -> harness.RunningDepot:
    """Serve a tree with a certificate of a given authority."""
    harness.init_home(home, tree)
    mount = serving.mount("/", tree, "anonymous")
    harness.change_settings(home, content=[mount], listeners=[serving.TLS])
    leaf = tls.issue(authority, ["localhost", "127.0.0.1"])
    (home / "tls" / "server.key").write_bytes(leaf.key)
    (home / "tls" / "server.pem").write_bytes(leaf.certificate)
    return harness.start(home, workers=1)


def trust(home: Path, client: str, file: Path, *options: str | Path) -> dict[str, Any]:
    """Write the trust file of a client by the command; give what it says."""
    arguments = ["--for", client, "--out", file, "--home", home, "--json", *options]
    said: dict[str, Any] = harness.json_of(harness.succeed("cert", "trust", *arguments))
    return said


@attrs.frozen
class Client:
    """A client: whose file it takes, how it fetches to `got`, and its words for what it refuses."""

    kind: str
    run: Run
    path: str  # it knows no authority of this certificate
    name: str  # the certificate is another's


def _curl(desk: peer.Desk, file: Path, url: str) -> subprocess.CompletedProcess[str]:
    quiet = ["--disable", "--fail", "--silent", "--show-error"]
    return desk.run(harness.need("curl"), *quiet, "--cacert", file, "-o", "got", url)


def _wget(desk: peer.Desk, file: Path, url: str) -> subprocess.CompletedProcess[str]:
    quiet = ["--no-config", "--no-hsts", "--tries=1", "-nv"]
    return desk.run(harness.need("wget"), *quiet, f"--ca-certificate={file}", "-O", "got", url)


def _python(program: str) -> Run:
    return lambda desk, file, url: desk.run(sys.executable, CLIENTS / program, url, file, "got")


def _http_client(desk: peer.Desk, file: Path, url: str) -> subprocess.CompletedProcess[str]:
    return desk.run(*peer.java(file, CLIENTS / "ByHttpClient.java", url, "got"))


def _https_url(desk: peer.Desk, file: Path, url: str) -> subprocess.CompletedProcess[str]:
    program = CLIENTS / "ByHttpUrlConnection.java"
    return desk.run(*peer.java(file, program, url, "got", desk.write("account.properties")))


_PKIX = "PKIX path building failed"
_JAVA_NAME = "No subject alternative names matching IP address"
_VERIFY = "CERTIFICATE_VERIFY_FAILED"
EVERY = {
    "curl": Client("curl", _curl, r"\(60\) SSL certificate problem", r"\(60\) SSL: no alternative"),
    # Built with GnuTLS, as Debian does, or with OpenSSL.
    "wget": Client("curl", _wget, "have a known issuer|cannot verify", "(does not|doesn't) match"),
    "python ssl": Client("python", _python("by_strict_ssl.py"), _VERIFY, "IP address mismatch"),
    "requests": Client("python", _python("by_requests.py"), _VERIFY, "IP address mismatch"),
    "java.net.http": Client("java", _http_client, _PKIX, _JAVA_NAME),
    "HttpsURLConnection": Client("java", _https_url, _PKIX, _JAVA_NAME),
}
