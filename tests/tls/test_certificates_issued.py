from __future__ import annotations

import subprocess
from datetime import datetime, timedelta, timezone
from ipaddress import ip_address
from typing import TYPE_CHECKING

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, ExtensionOID

from depotserve import tls
from depotserve.errors import CallerError

if TYPE_CHECKING:
    from pathlib import Path

HOSTS = ["depot.plant.example", "10.0.0.5", "127.0.0.1", "::1"]
DAY = 86400


def openssl(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["openssl", *arguments], capture_output=True, text=True, timeout=30, check=False
    )


@pytest.fixture(scope="module")
def anchor() -> tls.Pair:
    return tls.authority.create("depot.plant.example")


@pytest.fixture(scope="module")
def server(anchor: tls.Pair) -> tls.Pair:
    return tls.issue(anchor, HOSTS)


@pytest.fixture
def files(tmp_path: Path, anchor: tls.Pair, server: tls.Pair) -> tuple[str, str]:
    (tmp_path / "authority.pem").write_bytes(anchor.certificate)
    (tmp_path / "server.pem").write_bytes(server.certificate)
    return str(tmp_path / "authority.pem"), str(tmp_path / "server.pem")


def load(pair: tls.Pair) -> x509.Certificate:
    return x509.load_pem_x509_certificate(pair.certificate)


def seconds(certificate: x509.Certificate) -> int:
    """Count the seconds of a life; RFC 5280 section 4.1.2.5 counts both ends."""
    life = certificate.not_valid_after_utc - certificate.not_valid_before_utc
    return int(life.total_seconds()) + 1


# Outside check: OpenSSL with -x509_strict, which holds certificates to RFC 5280.
def test_openssl_verifies_leaf_and_authority_strictly(files: tuple[str, str]) -> None:
    authority, leaf = files
    for certificate, purpose in ((leaf, "sslserver"), (authority, "any")):
        options = ["-x509_strict", "-check_ss_sig", "-purpose", purpose, "-CAfile", authority]
        done = openssl("verify", *options, certificate)
        assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("host", [*HOSTS, "DEPOT.plant.example", "0:0:0:0:0:0:0:1"])
def test_openssl_finds_each_host_in_the_leaf(files: tuple[str, str], host: str) -> None:
    authority, leaf = files
    kind = "ip" if ":" in host or host[0].isdigit() else "hostname"
    options = ["-CAfile", authority, f"-verify_{kind}", host]
    assert openssl("verify", *options, leaf).returncode == 0
    shown = openssl("x509", "-in", leaf, "-noout", f"-check{kind[:4]}", host).stdout
    assert "does match" in shown


@pytest.mark.parametrize("host", ["other.plant.example", "10.0.0.6", "x.depot.plant.example"])
def test_openssl_finds_no_other_host_in_the_leaf(files: tuple[str, str], host: str) -> None:
    authority, leaf = files
    kind = "ip" if host[0].isdigit() else "hostname"
    done = openssl("verify", "-CAfile", authority, f"-verify_{kind}", host, leaf)
    assert done.returncode != 0
    assert "mismatch" in done.stderr


# RFC 9525 section 6.4: an address is an iPAddress, never a dNSName. The text is OpenSSL's.
def test_addresses_are_no_names(files: tuple[str, str]) -> None:
    shown = openssl("x509", "-in", files[1], "-noout", "-ext", "subjectAltName").stdout
    assert "DNS:depot.plant.example" in shown
    assert shown.count("IP Address:") == 3
    assert "DNS:1" not in shown


def test_another_authority_does_not_verify_the_leaf(files: tuple[str, str], tmp_path: Path) -> None:
    other = tmp_path / "other.pem"
    other.write_bytes(tls.authority.create("depot.plant.example").certificate)
    assert openssl("verify", "-CAfile", str(other), files[1]).returncode != 0


# Vectors tls_names.json, "limits" and "day_count": 825 days of 86,400 s, the last second not in.
def test_the_leaf_lives_for_825_days_of_which_30_are_over(server: tls.Pair) -> None:
    leaf = load(server)
    assert seconds(leaf) == 825 * DAY
    age = datetime.now(timezone.utc) - leaf.not_valid_before_utc
    assert timedelta(days=30) <= age < timedelta(days=30, hours=1)


def test_the_authority_lives_for_ten_years_of_which_30_days_are_over(anchor: tls.Pair) -> None:
    certificate = load(anchor)
    assert seconds(certificate) == 3652 * DAY
    age = datetime.now(timezone.utc) - certificate.not_valid_before_utc
    assert timedelta(days=30) <= age < timedelta(days=30, hours=1)


# Outside check: openssl verify -attime, as a client whose clock is behind or ahead.
@pytest.mark.parametrize(
    ("shift", "accepted"),
    [(-1800, True), (-29 * DAY, True), (-31 * DAY, False), (794 * DAY, True), (796 * DAY, False)],
)
def test_a_client_with_a_wrong_clock_accepts_within_the_life_only(
    files: tuple[str, str], shift: int, *, accepted: bool
) -> None:
    authority, leaf = files
    when = str(int(datetime.now(timezone.utc).timestamp()) + shift)
    done = openssl("verify", "-attime", when, "-CAfile", authority, leaf)
    assert (done.returncode == 0) == accepted, done.stderr


def test_a_leaf_never_outlives_its_authority(anchor: tls.Pair) -> None:
    end = load(anchor).not_valid_after_utc
    late = tls.issue(anchor, HOSTS, now=end - timedelta(days=30))
    assert load(late).not_valid_after_utc == end


def test_a_leaf_is_not_older_than_its_authority(anchor: tls.Pair) -> None:
    begin = load(anchor).not_valid_before_utc
    early = load(tls.issue(anchor, HOSTS, now=begin + timedelta(days=1)))
    assert early.not_valid_before_utc == begin
    assert seconds(early) == 825 * DAY


@pytest.mark.parametrize("shift", [timedelta(days=-31), timedelta(days=3653)])
def test_an_authority_that_is_not_valid_now_issues_nothing(
    anchor: tls.Pair, shift: timedelta
) -> None:
    with pytest.raises(CallerError, match=r"authority\.pem: is valid from .* clock"):
        tls.issue(anchor, HOSTS, now=datetime.now(timezone.utc) + shift)


@pytest.mark.parametrize("days", [-1, 0, 30, 826, 3650])
def test_a_life_that_clients_refuse_is_refused(anchor: tls.Pair, days: int) -> None:
    with pytest.raises(CallerError, match="31 to 825 days"):
        tls.issue(anchor, HOSTS, days=days)


def test_a_shorter_life_is_taken(anchor: tls.Pair) -> None:
    assert seconds(load(tls.issue(anchor, HOSTS, days=398))) == 398 * DAY


# RFC 5280 sections 4.2.1.1 to 4.2.1.12, extension by extension: value and whether critical.
def test_the_authority_may_sign_certificates_and_lists_and_nothing_else(anchor: tls.Pair) -> None:
    extensions = load(anchor).extensions
    basic = extensions.get_extension_for_class(x509.BasicConstraints)
    assert basic.critical
    assert basic.value == x509.BasicConstraints(ca=True, path_length=0)
    usage = extensions.get_extension_for_class(x509.KeyUsage)
    assert usage.critical
    assert uses(usage.value) == {"key_cert_sign", "crl_sign"}
    identifier = extensions.get_extension_for_oid(ExtensionOID.SUBJECT_KEY_IDENTIFIER)
    assert not identifier.critical


def test_the_leaf_may_prove_a_server_and_nothing_else(anchor: tls.Pair, server: tls.Pair) -> None:
    extensions = load(server).extensions
    usage = extensions.get_extension_for_class(x509.KeyUsage)
    assert usage.critical
    assert uses(usage.value) == {"digital_signature"}
    purposes = extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert list(purposes) == [ExtendedKeyUsageOID.SERVER_AUTH]
    assert not extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    issuer = load(anchor).extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
    link = extensions.get_extension_for_class(x509.AuthorityKeyIdentifier).value
    assert link.key_identifier == issuer.digest
    own = extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
    assert own.digest != issuer.digest


def uses(usage: x509.KeyUsage) -> set[str]:
    every = ["digital_signature", "content_commitment", "key_encipherment", "data_encipherment"]
    every += ["key_agreement", "key_cert_sign", "crl_sign"]
    return {name for name in every if getattr(usage, name)}


def test_keys_are_p_256_and_never_the_same(anchor: tls.Pair, server: tls.Pair) -> None:
    again = tls.issue(anchor, HOSTS)
    keys = [load(pair).public_key() for pair in (anchor, server, again)]
    assert all(isinstance(key, ec.EllipticCurvePublicKey) for key in keys)
    assert all(isinstance(key.curve, ec.SECP256R1) for key in keys)
    assert len({key.public_numbers() for key in keys}) == 3


# RFC 5280 section 4.1.2.2: positive, at most 20 octets, never twice.
def test_serial_numbers_are_positive_random_and_short_enough(anchor: tls.Pair) -> None:
    serials = {load(tls.issue(anchor, ["a.example"])).serial_number for _ in range(8)}
    assert len(serials) == 8
    assert all(1 << 64 < serial < 1 << 159 for serial in serials)


def test_two_authorities_of_one_host_have_different_subjects() -> None:
    names = {load(tls.authority.create("depot.plant.example")).subject for _ in range(2)}
    assert len(names) == 2


def test_a_long_name_still_fits(anchor: tls.Pair) -> None:
    long = ".".join(["a" * 60] * 4)
    assert tls.describe(tls.issue(anchor, [long]).certificate).names == (long,)
    assert load(tls.authority.create(long)).subject


def test_a_repeated_host_stands_once(anchor: tls.Pair) -> None:
    pair = tls.issue(anchor, ["Depot.Example.", "depot.example", "127.0.0.1", "127.0.0.1"])
    assert tls.describe(pair.certificate).names == ("depot.example", "127.0.0.1")


def test_no_host_at_all_is_refused(anchor: tls.Pair) -> None:
    with pytest.raises(CallerError, match="at least one host"):
        tls.issue(anchor, [])


def test_a_key_of_another_authority_issues_nothing(anchor: tls.Pair) -> None:
    other = tls.authority.create("depot.plant.example")
    mixed = tls.Pair(anchor.certificate, other.key)
    with pytest.raises(CallerError, match=r"does not belong to the key in authority\.key"):
        tls.issue(mixed, HOSTS)


def test_a_pair_does_not_show_its_key(anchor: tls.Pair) -> None:
    assert "PRIVATE KEY" in anchor.key.decode()
    assert "key" not in repr(anchor).replace("certificate", "").lower().split("begin")[0]
    assert "PRIVATE" not in repr(anchor)


# Outside check: the text that OpenSSL prints of the same certificate.
def test_a_description_says_what_openssl_says(files: tuple[str, str], server: tls.Pair) -> None:
    facts = tls.describe(server.certificate)
    assert facts.names[0] == "depot.plant.example"
    assert [ip_address(name) for name in facts.names[1:]] == [ip_address(h) for h in HOSTS[1:]]
    shown = openssl("x509", "-in", files[1], "-noout", "-fingerprint", "-sha256", "-dates").stdout
    assert f"={facts.fingerprint}\n" in shown
    for when in (facts.not_before, facts.not_after):
        assert when.strftime("%b %e %H:%M:%S %Y GMT") in shown


# cases.md, C05. RFC 5280 section 4.1.2.5: UTCTime through 2049, GeneralizedTime from 2050 on; the
# types and the verdict are OpenSSL's.
def test_an_authority_that_ends_after_2049_has_its_end_in_the_long_form(tmp_path: Path) -> None:
    begin = datetime(2045, 6, 1, tzinfo=timezone.utc)
    late = tls.authority.create("depot.plant.example", now=begin)
    leaf = tls.issue(late, HOSTS, now=begin + timedelta(days=3000))
    authority, server = tmp_path / "authority.pem", tmp_path / "server.pem"
    authority.write_bytes(late.certificate)
    server.write_bytes(leaf.certificate)
    parsed = openssl("asn1parse", "-in", str(authority)).stdout
    assert "UTCTIME           :450502000000Z" in parsed
    assert "GENERALIZEDTIME   :20550501235959Z" in parsed
    when = str(int((begin + timedelta(days=3100)).timestamp()))
    options = ["-x509_strict", "-attime", when, "-CAfile", str(authority), str(server)]
    assert openssl("verify", *options).returncode == 0
