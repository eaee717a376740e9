"""Every row of tls_names.json: names (RFC 9525), limits of lives, and RFC 5280's rules.

OpenSSL and the ssl module, which many clients are built on, give a second opinion on each name.
"""

from __future__ import annotations

import contextlib
import json
import ssl
import subprocess
from datetime import datetime, timedelta, timezone
from ipaddress import ip_address
from pathlib import Path
from typing import Any, Callable

import pytest
import vector_rows
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding

from depotserve import tls
from depotserve.errors import CallerError
from depotserve.tls.matching import matches

ROWS = vector_rows.load("tls_names")
WHOLE: dict[str, Any] = json.loads(Path(__file__).with_name("tls_names.json").read_text())
HOSTS = ["depot.plant.example", "192.0.2.7", "2001:db8::7"]
DAY = timedelta(days=1)
SECOND = timedelta(seconds=1)
each_row = pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['san']} {row['reference']}")
# Where a client takes a certificate that RFC 9525 does not, we say no: a depot that we call fine
# must be fine for the strict ones too.
_COMMON_NAME = "it looks at the common name where there is no DNS name"
_PARTIAL = "it takes a star that is a part of a label, unless it is told not to"
OPENSSL_TAKES = {
    ((), "www.example.com"): _COMMON_NAME,
    (("DNS:f*.example.com",), "foo.example.com"): _PARTIAL,
    (("DNS:*oo.example.com",), "foo.example.com"): _PARTIAL,
}
PYTHON_TAKES = {((), "www.example.com"): _COMMON_NAME}


def key_of(row: dict[str, Any]) -> tuple[tuple[str, ...], str]:
    return tuple(row["san"]), row["reference"]


@each_row
def test_a_certificates_names_cover_what_the_row_says_and_nothing_else(row: dict[str, Any]) -> None:
    names = [san[4:] for san in row["san"] if san.startswith("DNS:")]
    addresses = [ip_address(san[3:]) for san in row["san"] if san.startswith("IP:")]
    assert len(names) + len(addresses) == len(row["san"])
    assert matches(names, addresses, tls.parse_host(row["reference"])) == row["match"]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Callable[[dict[str, Any]], Path]:
    """Give a function from a row to a certificate with its names; the key lies beside it."""
    folder = tmp_path_factory.mktemp("rows")

    def make(row: dict[str, Any]) -> Path:
        place = folder / str(ROWS.index(row))
        if not place.with_suffix(".pem").exists():
            issue(row, place)
        return place.with_suffix(".pem")

    return make


def issue(row: dict[str, Any], place: Path) -> None:
    """Let OpenSSL make it: the library that we issue with refuses some of these names."""
    key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]
    files = ["-keyout", place.with_suffix(".key"), "-out", place.with_suffix(".pem")]
    # The row without names says in its note that the common name is the one asked for.
    subject = "/CN=depot" if row["san"] else f"/CN={row['reference']}"
    names = ["-addext", f"subjectAltName={','.join(row['san'])}"] if row["san"] else []
    command = ["openssl", "req", "-x509", "-days", "30", "-subj", subject, *key, *files, *names]
    subprocess.run(command, check=True, capture_output=True, timeout=60)


@each_row
def test_openssl_agrees_but_for_what_is_known(
    row: dict[str, Any], made: Callable[[dict[str, Any]], Path]
) -> None:
    reference = row["reference"]
    kind = "-checkip" if ":" in reference or reference[0].isdigit() else "-checkhost"
    command = ["openssl", "x509", "-in", made(row), "-noout", kind, reference]
    said = subprocess.run(command, check=True, capture_output=True, text=True, timeout=60).stdout
    taken = "does match" in said
    assert taken or "does NOT match" in said
    assert taken == (row["match"] or key_of(row) in OPENSSL_TAKES)


@each_row
def test_the_ssl_module_agrees_but_for_what_is_known(
    row: dict[str, Any], made: Callable[[dict[str, Any]], Path]
) -> None:
    refusal = shake_hands(made(row), row["reference"])
    assert (refusal == "") == (row["match"] or key_of(row) in PYTHON_TAKES), refusal
    assert refusal == "" or "mismatch" in refusal


def shake_hands(certificate: Path, reference: str) -> str:
    """Let a client of the ssl module ask for a name; give why it refuses, or nothing."""
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(certificate, certificate.with_suffix(".key"))
    client = ssl.create_default_context(cafile=str(certificate))
    there, back = ssl.MemoryBIO(), ssl.MemoryBIO()
    ends = [
        client.wrap_bio(back, there, server_hostname=reference),
        server.wrap_bio(there, back, server_side=True),
    ]
    refusal = "".join(map(advance, ends * 3))
    if not refusal:
        ends[0].getpeercert()  # raises ValueError while a handshake is under way
    return refusal


def advance(end: ssl.SSLObject) -> str:
    """Take one end's handshake a step further; give why it refuses, or nothing."""
    try:
        with contextlib.suppress(ssl.SSLWantReadError):
            end.do_handshake()
    except ssl.SSLCertVerificationError as refused:
        return str(refused.verify_message)
    except ssl.SSLError:
        return ""  # the other end has refused
    return ""


def test_the_known_differences_are_rows() -> None:
    keys = {key_of(row) for row in ROWS if not row["match"]}
    assert set(OPENSSL_TAKES) <= keys
    assert set(PYTHON_TAKES) <= keys


@pytest.fixture(scope="module")
def authority() -> tls.Pair:
    return tls.authority.create("depot.plant.example")


@pytest.fixture(scope="module")
def anchor(authority: tls.Pair) -> x509.Certificate:
    return x509.load_pem_x509_certificate(authority.certificate)


@pytest.fixture(scope="module")
def leaf(authority: tls.Pair) -> x509.Certificate:
    return x509.load_pem_x509_certificate(tls.issue(authority, HOSTS).certificate)


LIMITS = {limit["who"]: limit for limit in WHOLE["limits"]}


def test_only_one_published_limit_holds_for_an_authority_of_ones_own() -> None:
    held = [who for who, limit in LIMITS.items() if limit["applies_to_private_ca"]]
    assert held == ["Apple support 103769 (HT210176)"]
    assert len(LIMITS) == 3


# Row "Apple support 103769": 825 days, serverAuth, a DNS name in subjectAltName, RSA of 2048 bits
# or more (or an elliptic curve), SHA-2.
def test_a_leaf_keeps_every_part_of_the_limit_that_holds(leaf: x509.Certificate) -> None:
    assert leaf.not_valid_after_utc - leaf.not_valid_before_utc + SECOND <= 825 * DAY
    purposes = leaf.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert x509.ExtendedKeyUsageOID.SERVER_AUTH in purposes
    names = leaf.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert names.get_values_for_type(x509.DNSName) == HOSTS[:1]
    key = leaf.public_key()
    assert isinstance(key, (ec.EllipticCurvePublicKey, rsa.RSAPublicKey))
    assert key.key_size >= (2048 if isinstance(key, rsa.RSAPublicKey) else 256)
    assert isinstance(leaf.signature_hash_algorithm, (hashes.SHA256, hashes.SHA384))


# Row "day_count": notAfter = notBefore + N * 86400 - 1 s.
@pytest.mark.parametrize("days", [31, 397, 398, 825])
def test_days_are_counted_as_the_row_says(authority: tls.Pair, days: int) -> None:
    one = x509.load_pem_x509_certificate(tls.issue(authority, HOSTS, days=days).certificate)
    assert one.not_valid_after_utc == one.not_valid_before_utc + days * DAY - SECOND


def test_a_life_beyond_the_limit_is_refused(authority: tls.Pair) -> None:
    with pytest.raises(CallerError, match="31 to 825 days"):
        tls.issue(authority, HOSTS, days=826)


def _serial(authority: x509.Certificate, leaf: x509.Certificate) -> None:
    for one in (authority, leaf):
        assert 1 << 64 < one.serial_number < 1 << 159
    assert authority.serial_number != leaf.serial_number


def _dates(authority: x509.Certificate, leaf: x509.Certificate) -> None:
    for one in (authority, leaf):
        assert [kind for kind, _ in _times(one)] == ["UTCTIME", "UTCTIME"]
    late = tls.authority.create("x", now=datetime(2045, 1, 1, tzinfo=timezone.utc))
    shown = _times(x509.load_pem_x509_certificate(late.certificate))
    assert [kind for kind, _ in shown] == ["UTCTIME", "GENERALIZEDTIME"]
    assert all(len(time) in {13, 15} and time.endswith("Z") for _, time in shown)


def _times(certificate: x509.Certificate) -> list[tuple[str, str]]:
    """Give kind and text of each time in a certificate, as OpenSSL takes it apart."""
    der = certificate.public_bytes(Encoding.DER)
    command = ["openssl", "asn1parse", "-inform", "DER"]
    lines = subprocess.run(command, input=der, capture_output=True, check=True, timeout=60).stdout
    found = [line.split(":") for line in lines.decode().splitlines() if "TIME" in line]
    return [(parts[-2].strip(), parts[-1]) for parts in found]


def _authority_is_one(authority: x509.Certificate, leaf: x509.Certificate) -> None:
    basic = authority.extensions.get_extension_for_class(x509.BasicConstraints)
    assert basic.critical
    assert basic.value.ca
    assert not leaf.extensions.get_extension_for_class(x509.BasicConstraints).value.ca


def _key_usage(authority: x509.Certificate, leaf: x509.Certificate) -> None:
    for one, signs in ((authority, True), (leaf, False)):
        usage = one.extensions.get_extension_for_class(x509.KeyUsage)
        assert usage.critical
        assert usage.value.key_cert_sign is signs


def _identifiers(authority: x509.Certificate, leaf: x509.Certificate) -> None:
    own = authority.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
    link = leaf.extensions.get_extension_for_class(x509.AuthorityKeyIdentifier).value
    assert link.key_identifier == own.digest


def _subject(authority: x509.Certificate, leaf: x509.Certificate) -> None:
    assert list(authority.subject)
    assert list(leaf.subject)


def _addresses(authority: x509.Certificate, leaf: x509.Certificate) -> None:
    names = leaf.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    addresses = names.get_values_for_type(x509.IPAddress)
    assert [len(address.packed) for address in addresses] == [4, 16]
    with pytest.raises(x509.ExtensionNotFound):
        authority.extensions.get_extension_for_class(x509.NameConstraints)


def _no_list(authority: x509.Certificate, leaf: x509.Certificate) -> None:
    # No list of revoked certificates is issued, so none may be pointed to.
    for one in (authority, leaf):
        with pytest.raises(x509.ExtensionNotFound):
            one.extensions.get_extension_for_class(x509.CRLDistributionPoints)


# How each rule of the file begins, and what is looked at for it.
RULES: dict[str, Callable[[x509.Certificate, x509.Certificate], None]] = {
    "serial:": _serial,
    "dates through 2049": _dates,
    "basicConstraints critical": _authority_is_one,
    "keyCertSign implies cA": _key_usage,
    "subjectKeyIdentifier MUST": _identifiers,
    "empty subject:": _subject,
    "iPAddress: 4 or 16": _addresses,
    "CRL number MUST": _no_list,
}


@pytest.mark.parametrize("rule", WHOLE["rfc5280"], ids=lambda rule: rule[:24])
def test_authority_and_leaf_keep_each_rule(
    anchor: x509.Certificate, leaf: x509.Certificate, rule: str
) -> None:
    (check,) = [check for begin, check in RULES.items() if rule.startswith(begin)]
    check(anchor, leaf)
