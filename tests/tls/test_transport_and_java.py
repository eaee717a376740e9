"""The JVM's own TLS against a depot: half-closing, both versions, keys it changes on its own."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import harness
import pytest
import serving

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.slow
PROGRAM = Path(__file__).parent / "clients" / "BySslSocket.java"
LARGE = os.urandom(24 * 1024 * 1024)
WORD = "changeit"  # the store holds nothing secret; keytool wants a word all the same


@pytest.fixture(scope="module")
def depot(tmp_path_factory: pytest.TempPathFactory) -> Iterator[harness.RunningDepot]:
    folder = tmp_path_factory.mktemp("java")
    root = folder / "tree"
    root.mkdir()
    (root / "x").write_bytes(b"x")
    (root / "large.bin").write_bytes(LARGE)
    mount = serving.mount("/", root)
    with serving.serving(folder, mount, listeners=[serving.TLS]) as running:
        yield running
        assert "Traceback" not in running.log()


@pytest.fixture(scope="module")
def trust(depot: harness.RunningDepot) -> list[str]:
    """Give the launcher's options by which it trusts the depot's authority alone."""
    store = depot.home.parent / "trust.p12"
    command = [harness.need("keytool"), "-importcert", "-noprompt", "-alias", "depot"]
    command += ["-storetype", "PKCS12", "-storepass", WORD, "-keystore", str(store)]
    subprocess.run(
        [*command, "-file", str(depot.authority)], check=True, timeout=120, capture_output=True
    )
    options = [f"trustStore={store}", "trustStoreType=PKCS12", f"trustStorePassword={WORD}"]
    return [f"-Djavax.net.ssl.{option}" for option in options]


def exchange(
    depot: harness.RunningDepot,
    folder: Path,
    requests: bytes,
    version: str,
    until: str,
    *options: str,
) -> tuple[bytes, str]:
    """Send requests by the program; give what came back and what it said of its TLS."""
    (folder / "requests").write_bytes(requests)
    lean = ["-Xmx256m", "-XX:TieredStopAtLevel=1"]
    words = [str(depot.port), version, str(folder / "requests"), str(folder / "got"), until]
    done = subprocess.run(
        [harness.need("java"), *lean, *options, str(PROGRAM), *words],
        capture_output=True,
        text=True,
        timeout=180,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-4000:]
    return (folder / "got").read_bytes(), done.stdout + done.stderr


# Java 11 and later: `shutdownOutput` sends a closure alert and goes on reading (RFC 8446 §6.1).
@pytest.mark.parametrize("version", ["TLSv1.2", "TLSv1.3"])
def test_a_jvm_that_ends_its_side_gets_all_answers(
    depot: harness.RunningDepot, trust: list[str], tmp_path: Path, version: str
) -> None:
    kept = harness.get("/x").replace(b"Connection: close\r\n", b"")
    requests = kept * 3 + harness.get("/large.bin")
    received, _ = exchange(depot, tmp_path, requests, version, "ends", *trust)
    assert received.count(b"HTTP/1.1 200") == 4
    assert received.endswith(LARGE)


# The JDK's security property `jdk.tls.keyLimits`: it asks for new keys after so many bytes.
def test_a_jvm_may_change_keys_again_and_again_within_a_body(
    depot: harness.RunningDepot, trust: list[str], tmp_path: Path
) -> None:
    properties = tmp_path / "limits.properties"
    properties.write_text("jdk.tls.keyLimits=AES/GCM/NoPadding KeyUpdate 2^20\n")
    options = [f"-Djava.security.properties={properties}", "-Djavax.net.debug=ssl,handshake"]
    options += trust
    request = harness.get("/large.bin").replace(b"Connection: close\r\n", b"")
    size = str(len(LARGE))
    received, said = exchange(depot, tmp_path, request, "TLSv1.3", size, *options)
    assert received == LARGE
    assert said.count("Consuming KeyUpdate post-handshake message") > 10
