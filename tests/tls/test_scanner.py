"""What a scanner of TLS servers sees of a depot: sslyze, from the package index.

It pins an older cryptography than the depot may run with, so it runs as a program of its own: on
the path, or in the folder that the environment variable DEPOTSERVE_SCANNERS names.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any, Callable, Union

import attrs
import harness
import pytest
import serving
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.slow

Key = Union[ec.EllipticCurvePrivateKey, rsa.RSAPrivateKey]
NOW = datetime.now(timezone.utc).replace(microsecond=0)
SOME_DAY = NOW.date() + timedelta(days=30)
LOOKS = (
    *("--sslv2", "--sslv3", "--tlsv1", "--tlsv1_1", "--tlsv1_2", "--tlsv1_3", "--certinfo"),
    *("--compression", "--reneg", "--heartbleed", "--robot", "--openssl_ccs", "--fallback"),
    *("--ems", "--early_data", "--resum"),
)
# Ephemeral keys and authenticated encryption, as RFC 9325 section 4.2 recommends for TLS 1.2.
STRONG = r"TLS_ECDHE_(ECDSA|RSA)_WITH_(AES_(128|256)_GCM|CHACHA20_POLY1305)_SHA(256|384)"
OF_1_3 = {"TLS_AES_128_GCM_SHA256", "TLS_AES_256_GCM_SHA384", "TLS_CHACHA20_POLY1305_SHA256"}


def sslyze() -> str:
    """Give the scanner's path; see `harness.need`."""
    folder = os.environ.get("DEPOTSERVE_SCANNERS", "")
    path = shutil.which("sslyze", path=folder) or shutil.which("sslyze")
    if path and os.access(path, os.X_OK):
        return path
    return str(
        harness.missing("needs sslyze on the path, or in the folder that DEPOTSERVE_SCANNERS names")
    )


def ecdsa_key() -> Key:
    return ec.generate_private_key(ec.SECP256R1())


def rsa_key() -> Key:
    return rsa.generate_private_key(65537, 2048)


@attrs.frozen
class Signer:
    """A certificate with its key, that can sign others."""

    certificate: x509.Certificate
    key: Key


def sign(issuer: Signer | None, key: Key, name: str, *, path_length: int | None) -> Signer:
    """Make a certificate in the profile of RFC 5280; `path_length` None makes a server's."""
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    signing_key = issuer.key if issuer else key
    is_authority = path_length is not None
    usage = dict.fromkeys(USAGES, False)
    usage.update(
        {"key_cert_sign": True, "crl_sign": True}
        if is_authority
        else {"digital_signature": True, "key_encipherment": isinstance(key, rsa.RSAPrivateKey)}
    )
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer.certificate.subject if issuer else subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(NOW - timedelta(days=1))
        .not_valid_after(NOW + timedelta(days=90))
        .add_extension(x509.BasicConstraints(is_authority, path_length), critical=True)
        .add_extension(x509.KeyUsage(**usage), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(signing_key.public_key()),
            critical=False,
        )
    )
    if not is_authority:
        names = x509.SubjectAlternativeName([x509.DNSName("localhost")])
        server = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH])
        builder = builder.add_extension(names, critical=False).add_extension(server, critical=False)
    return Signer(builder.sign(signing_key, hashes.SHA256()), key)


USAGES = (
    *("digital_signature", "content_commitment", "key_encipherment", "data_encipherment"),
    *("key_agreement", "key_cert_sign", "crl_sign", "encipher_only", "decipher_only"),
)


@attrs.frozen
class Case:
    """A depot's certificates: kind of each key -> certificates that are sent with it."""

    sent: dict[str, int]
    write: Callable[[Path], None]  # puts them into HOME/tls, with the root in authority.pem


def pem(certificate: x509.Certificate) -> bytes:
    return certificate.public_bytes(Encoding.PEM)


def issue(*keys: Callable[[], Key], through: bool) -> Callable[[Path], None]:
    """Give what writes a chain for each key, with an intermediate authority or without."""

    def write(folder: Path) -> None:
        root = sign(None, ecdsa_key(), "Plant root", path_length=1)
        middle = sign(root, ecdsa_key(), "Plant intermediate", path_length=0)
        chains, texts = b"", b""
        for make in keys:
            leaf = sign(middle if through else root, make(), "localhost", path_length=None)
            chains += pem(leaf.certificate) + (pem(middle.certificate) if through else b"")
            texts += leaf.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
        (folder / "authority.pem").write_bytes(pem(root.certificate))
        (folder / "server.pem").write_bytes(chains)
        (folder / "server.key").write_bytes(texts)

    return write


CASES = {
    "as init makes it": Case({"ECDSA": 1}, lambda _: None),
    "ECDSA with an intermediate": Case({"ECDSA": 2}, issue(ecdsa_key, through=True)),
    "RSA": Case({"RSA": 1}, issue(rsa_key, through=False)),
    "both": Case({"ECDSA": 1, "RSA": 1}, issue(ecdsa_key, rsa_key, through=False)),
    "both with an intermediate": Case(
        {"ECDSA": 2, "RSA": 2}, issue(ecdsa_key, rsa_key, through=True)
    ),
}


@attrs.frozen
class Seen:
    """What the scanner saw of one listener."""

    result: dict[str, Any]

    def of(self, look: str) -> Any:
        """Give what one look found; it must have come to its end."""
        found = self.result[look]
        assert found["status"] == "COMPLETED", found
        return found["result"]

    def suites(self, version: str) -> set[str]:
        """Give the names of the suites that were accepted in one version."""
        accepted = self.of(f"{version}_cipher_suites")["accepted_cipher_suites"]
        return {each["cipher_suite"]["name"] for each in accepted}


@attrs.frozen
class Scanned:
    """A case, and what the scanner saw of its default and of its legacy listener."""

    case: Case
    modern: Seen
    legacy: Seen


@pytest.fixture(scope="module", params=CASES)
def scanned(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Scanned]:
    program, case = sslyze(), CASES[request.param]
    folder = tmp_path_factory.mktemp("scanner")
    (folder / "tree").mkdir()
    home = harness.make_home(folder / "home", folder / "tree")
    case.write(home / "tls")
    old = {"tls": "legacy", "clients": ["127.0.0.1"], "until": SOME_DAY.isoformat()}
    harness.change_settings(home, listeners=[serving.TLS, {**serving.TLS, **old}])
    depot = harness.start(home, workers=2)
    try:
        ports = [each.port for each in depot.endpoints]
        modern, legacy = scan(program, ports, depot.authority, folder / "seen.json")
        yield Scanned(case, modern, legacy)
    finally:
        depot.stop()


def scan(program: str, ports: list[int], anchor: Path, to: Path) -> list[Seen]:
    """Run the scanner; give what it saw of each port, in their order."""
    command = [program, "--quiet", f"--json_out={to}", "--mozilla_config=disable", *LOOKS]
    command += ["--certinfo_ca_file", str(anchor), *(f"localhost:{port}" for port in ports)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=200, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    rows = json.loads(to.read_text())["server_scan_results"]
    assert [row["scan_status"] for row in rows] == ["COMPLETED"] * len(ports)
    found = {row["server_location"]["port"]: Seen(row["scan_result"]) for row in rows}
    return [found[port] for port in ports]


def test_a_default_listener_speaks_tls_1_2_and_1_3_only(scanned: Scanned) -> None:
    for version in ("ssl_2_0", "ssl_3_0", "tls_1_0", "tls_1_1"):
        assert scanned.modern.suites(version) == set()
    assert scanned.modern.suites("tls_1_2")
    assert scanned.modern.suites("tls_1_3") == OF_1_3


def test_no_suite_of_a_default_listener_is_weak(scanned: Scanned) -> None:
    suites = scanned.modern.suites("tls_1_2")
    assert [suite for suite in suites if not re.fullmatch(STRONG, suite)] == []
    kinds = {suite.split("_")[2] for suite in suites}
    assert kinds == set(scanned.case.sent)
    assert len(suites) == 3 * len(kinds)


@pytest.mark.parametrize("kind", ["modern", "legacy"])
def test_no_known_fault_is_found(scanned: Scanned, kind: str) -> None:
    seen: Seen = getattr(scanned, kind)
    assert seen.of("tls_compression") == {"supports_compression": False}
    assert seen.of("heartbleed") == {"is_vulnerable_to_heartbleed": False}
    assert seen.of("openssl_ccs_injection") == {"is_vulnerable_to_ccs_injection": False}
    assert seen.of("tls_1_3_early_data") == {"supports_early_data": False}
    assert seen.of("tls_fallback_scsv") == {"supports_fallback_scsv": True}  # RFC 7507
    assert seen.of("tls_extended_master_secret") == {"supports_ems_extension": True}  # RFC 7627
    renegotiation = seen.of("session_renegotiation")
    assert renegotiation["supports_secure_renegotiation"] is True  # RFC 5746
    assert renegotiation["is_vulnerable_to_client_renegotiation_dos"] is False
    assert renegotiation["client_renegotiations_success_count"] == 0


def test_no_answer_tells_an_attacker_of_an_rsa_key_exchange(scanned: Scanned) -> None:
    # Bleichenbacher's oracle: default listeners have no such key exchange, legacy ones no oracle.
    assert scanned.modern.of("robot")["robot_result"] == "NOT_VULNERABLE_RSA_NOT_SUPPORTED"
    by_rsa = "RSA" in scanned.case.sent
    wanted = "NOT_VULNERABLE_NO_ORACLE" if by_rsa else "NOT_VULNERABLE_RSA_NOT_SUPPORTED"
    assert scanned.legacy.of("robot")["robot_result"] == wanted


@pytest.mark.parametrize("kind", ["modern", "legacy"])
def test_the_chain_is_sent_whole_in_order_and_verifies_with_the_authority(
    scanned: Scanned, kind: str
) -> None:
    seen: Seen = getattr(scanned, kind)
    sent = {}
    for found in seen.of("certificate_info")["certificate_deployments"]:
        chain = found["received_certificate_chain"]
        sent[key_of(chain[0])] = len(chain)
        assert found["received_chain_has_valid_order"] is True
        assert found["received_chain_contains_anchor_certificate"] is False
        assert found["verified_chain_has_sha1_signature"] is False
        assert "localhost" in chain[0]["subject_alternative_name"]["dns_names"]
        assert trusted_by(found) == ["Supplied CA file"]
    assert sent == scanned.case.sent


def key_of(certificate: dict[str, Any]) -> str:
    kinds = {"RSAPublicKey": "RSA", "EllipticCurvePublicKey": "ECDSA", "ECPublicKey": "ECDSA"}
    return kinds[certificate["public_key"]["algorithm"].lstrip("_")]


def trusted_by(found: dict[str, Any]) -> list[str]:
    """Name the stores of roots by which the chain verifies."""
    rows = found["path_validation_results"]
    return [row["trust_store"]["name"] for row in rows if row["was_validation_successful"]]


def test_the_scanner_sees_a_legacy_listener_for_what_it_is(scanned: Scanned) -> None:
    for version in ("ssl_2_0", "ssl_3_0"):
        assert scanned.legacy.suites(version) == set()
    kinds = [f"ECDHE_{kind}" for kind in scanned.case.sent]
    kinds += ["RSA"] if "RSA" in scanned.case.sent else []
    of_their_time = {f"TLS_{kind}_WITH_AES_{n}_CBC_SHA" for kind in kinds for n in (128, 256)}
    assert scanned.legacy.suites("tls_1_0") == of_their_time
    assert scanned.legacy.suites("tls_1_1") == of_their_time
    assert scanned.legacy.suites("tls_1_2") > of_their_time | scanned.modern.suites("tls_1_2")
    assert scanned.legacy.suites("tls_1_3") == OF_1_3
    weak = r"NULL|anon|EXPORT|RC4|DES|MD5|PSK|SRP|CCM"
    assert not re.search(weak, " ".join(scanned.legacy.suites("tls_1_2")))
