"""Several depots under one authority: a request goes to the one that has its key, and back."""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING

import cert_kit as kit
import harness

if TYPE_CHECKING:
    from pathlib import Path


def test_a_second_depot_is_trusted_by_whoever_trusts_the_first(tmp_path: Path, tree: Path) -> None:
    first = harness.make_home(tmp_path / "first", tree)
    second = harness.init_home(tmp_path / "second", tree)
    harness.change_settings(second, listeners=[kit.TLS])
    asked, answer = tmp_path / "second.csr", tmp_path / "second.pem"
    hosts = ["--host", "localhost", "--host", "127.0.0.1"]
    done = kit.cert(second, "request", *hosts, "--out", asked)
    assert done.returncode == 0, done.stderr
    done = kit.cert(first, "issue", "--for-request", asked, "--out", answer)
    assert done.returncode == 0, done.stderr
    done = kit.cert(second, "install", "--cert", answer, *hosts)
    assert done.returncode == 0, done.stderr
    anchor = tmp_path / "anchor.pem"
    done = kit.cert(second, "trust", "--for", "curl", "--out", anchor)
    assert done.returncode == 0, done.stderr
    assert kit.load(anchor) == kit.load(first / "tls" / "authority.pem")
    depot = harness.start(second)
    try:
        curl = [harness.need("curl"), "--silent", "--show-error", "--fail", "--noproxy", "*"]
        options = ["--cacert", str(first / "tls" / "authority.pem")]
        url = f"https://127.0.0.1:{depot.port}/_depot/health"
        got = subprocess.run([*curl, *options, url], capture_output=True, timeout=60, check=False)
        assert (got.returncode, got.stdout) == (0, b"alive\n"), got.stderr
    finally:
        depot.stop()
    # Its own authority vouches for nothing here, so renewal is the other's.
    kit.age(first, 80)
    assert kit.cert(first, "issue", "--when-due").returncode == 0
    document = harness.json_of(kit.cert(second, "show", "--json").stdout)
    assert document["in_force"][0]["root"] == document["trusted_by_clients"][0]["subject"]
