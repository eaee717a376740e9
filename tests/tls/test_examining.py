from __future__ import annotations

import itertools
import subprocess
from datetime import datetime, timedelta, timezone
from ipaddress import ip_address
from typing import TYPE_CHECKING, Any

import attrs
import harness
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from depotserve.tls.arrange import arrange, certifies, is_root
from depotserve.tls.authority import key_usage
from depotserve.tls.examine import FlawKind, examine_issuers, examine_leaf
from depotserve.tls.keys import key_to_pem
from depotserve.tls.names import parse_host

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

NOW = datetime(2027, 6, 1, 12, tzinfo=timezone.utc)
DAY = timedelta(days=1)
HOST = "depot.plant.example"
SAN = x509.SubjectAlternativeName([x509.DNSName(HOST)])
SERVER = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH])
CLIENT = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.CLIENT_AUTH])
IP_AS_NAME = x509.SubjectAlternativeName([x509.DNSName("10.0.0.5"), x509.DNSName(HOST)])
NO_CA = x509.BasicConstraints(ca=False, path_length=None)
ANY_CA = x509.BasicConstraints(ca=True, path_length=None)
LAST_CA = x509.BasicConstraints(ca=True, path_length=0)
SIGNS = key_usage("key_cert_sign", "crl_sign")
USES = key_usage("digital_signature")


@attrs.frozen(eq=False)
class Party:
    """A certificate and its key."""

    certificate: x509.Certificate
    key: Any


def make(
    name: str,
    by: Party | None = None,
    *,
    extensions: Sequence[x509.ExtensionType] = (ANY_CA, SIGNS),
    begin: datetime = NOW - 10 * DAY,
    end: datetime = NOW + 300 * DAY,
    key: Any = None,
) -> Party:
    """Make a certificate for `name`, signed by itself if by no other."""
    key = key or ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(by.certificate.subject if by else subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begin)
        .not_valid_after(end)
    )
    for one in extensions:
        builder = builder.add_extension(one, critical=isinstance(one, x509.BasicConstraints))
    return Party(builder.sign(by.key if by else key, hashes.SHA256()), key)


def with_sha1(folder: Path, party: Party, by: Party | None = None) -> Party:
    """Let OpenSSL sign a self-signed certificate again, with SHA-1, which the library refuses."""
    old, key = pem(folder / "old.pem", party), folder / "signer.key"
    signer = by or party
    key.write_bytes(key_to_pem(signer.key))
    issuer = ["-CA", pem(folder / "signer.pem", by), "-CAkey", key] if by else ["-signkey", key]
    command = ["openssl", "x509", "-in", old, *issuer, "-sha1", "-preserve_dates"]
    done = subprocess.run(command, capture_output=True, timeout=60, check=True)
    return Party(x509.load_pem_x509_certificate(done.stdout), party.key)


def pem(path: Path, *parties: Party) -> Path:
    path.write_bytes(b"".join(one.certificate.public_bytes(Encoding.PEM) for one in parties))
    return path


def openssl_takes(
    folder: Path, leaf: Party, roots: Sequence[Party], between: Sequence[Party] = (), host: str = ""
) -> bool:
    """Ask OpenSSL for its opinion, as a client would judge at the time NOW."""
    harness.need("openssl")
    check = ["-verify_ip" if host[:1].isdigit() else "-verify_hostname", host] if host else []
    trusted, given = pem(folder / "roots.pem", *roots), pem(folder / "between.pem", *between)
    options = ["-purpose", "sslserver", "-attime", str(int(NOW.timestamp())), "-auth_level", "2"]
    more = ["-untrusted", given] if between else []
    command = ["openssl", "verify", *options, *check, "-no-CApath", "-CAfile", trusted, *more]
    command = [*command, pem(folder / "leaf.pem", leaf)]
    return subprocess.run(command, capture_output=True, timeout=60, check=False).returncode == 0


FINE: dict[str, Any] = {"extensions": (NO_CA, USES, SERVER, SAN)}
SMALL = rsa.generate_private_key(65537, 1024)  # noqa: S505  # weak on purpose
ODD = ec.generate_private_key(ec.SECP256K1())

# One flaw each: how the leaf is made, the host that a client asks for, what is found; and whether
# OpenSSL, asked the same, refuses too. It does not look at curves, and when a certificate has no
# subjectAltName it still looks at the common name (RFC 6125 §6.4.4, which RFC 9525 §2 ended).
LEAVES: dict[str, tuple[dict[str, Any], str, list[FlawKind], bool]] = {
    "fine": (FINE, HOST, [], False),
    "no extension but the names": ({"extensions": (SAN,)}, HOST, [], False),
    "no names": (
        {"extensions": (NO_CA, USES, SERVER)},
        "other.plant.example",
        [FlawKind.NO_NAME],
        True,
    ),
    "common name only": ({"extensions": (NO_CA, USES, SERVER)}, HOST, [FlawKind.NO_NAME], False),
    "name not covered": (FINE, "files.plant.example", [FlawKind.NAME], True),
    "address not covered": (FINE, "10.0.0.5", [FlawKind.NAME], True),
    "address as a DNS name": (
        {"extensions": (NO_CA, USES, SERVER, IP_AS_NAME)},
        "10.0.0.5",
        [FlawKind.NAME],
        True,
    ),
    "for clients": ({"extensions": (NO_CA, USES, CLIENT, SAN)}, HOST, [FlawKind.USAGE], True),
    "key may not sign": (
        {"extensions": (NO_CA, key_usage("crl_sign"), SERVER, SAN)},
        HOST,
        [FlawKind.USAGE],
        True,
    ),
    "an authority's": ({"extensions": (ANY_CA, USES, SERVER, SAN)}, HOST, [FlawKind.USAGE], False),
    "expired": ({**FINE, "end": NOW - DAY}, HOST, [FlawKind.EXPIRED], True),
    "not yet valid": (
        {**FINE, "begin": NOW + DAY, "end": NOW + 9 * DAY},
        HOST,
        [FlawKind.NOT_YET],
        True,
    ),
    "RSA of 1024 bits": ({**FINE, "key": SMALL}, HOST, [FlawKind.WEAK_KEY], True),
    "an odd curve": ({**FINE, "key": ODD}, HOST, [FlawKind.WEAK_KEY], False),
}


@pytest.mark.parametrize("flaw", LEAVES)
def test_each_flaw_of_a_leaf_is_found_and_no_other(tmp_path: Path, flaw: str) -> None:
    made, host, wanted, openssl_refuses = LEAVES[flaw]
    root = make("root")
    leaf = make(HOST, root, **made)
    found = examine_leaf(leaf.certificate, now=NOW, hosts=[parse_host(host)])
    assert [one.kind for one in found] == wanted
    assert all("\n" not in one.text for one in found)
    assert openssl_takes(tmp_path, leaf, [root], host=host) is not openssl_refuses


# OpenSSL signs again only what is valid by the clock of the day.
LONG: dict[str, Any] = {
    "begin": datetime(2020, 1, 1, tzinfo=timezone.utc),
    "end": datetime(2049, 1, 1, tzinfo=timezone.utc),
}


def test_sha1_is_weak_below_the_root_only(tmp_path: Path) -> None:
    root = with_sha1(tmp_path, make("root", **LONG))
    middle = make("middle", root)
    leaf = make(HOST, middle, **FINE)
    assert examine_issuers(certificates(middle, root), now=NOW) == []
    assert openssl_takes(tmp_path, leaf, [root], [middle])
    weak = with_sha1(tmp_path, make("middle", key=middle.key, **LONG), root)
    (found,) = examine_issuers(certificates(weak, root), now=NOW)
    assert found.kind is FlawKind.WEAK_SIGNATURE
    assert not openssl_takes(tmp_path, leaf, [root], [weak])
    weak = with_sha1(tmp_path, make(HOST, **FINE, **LONG), middle)
    (found,) = examine_leaf(weak.certificate, now=NOW, hosts=[HOST])
    assert found.kind is FlawKind.WEAK_SIGNATURE
    assert not openssl_takes(tmp_path, weak, [root], [middle])
    # The library verifies no SHA-1, so no way leads up from there: whoever says that an issuer is
    # missing has to look at the signature first.
    assert arrange(weak.certificate, certificates(middle), certificates(root)).root is None


def test_several_flaws_are_found_at_once() -> None:
    leaf = make("x", make("root"), extensions=(CLIENT, SAN), end=NOW - DAY, key=SMALL)
    found = examine_leaf(leaf.certificate, now=NOW, hosts=[ip_address("10.0.0.5")])
    assert [one.kind for one in found] == [
        FlawKind.NAME,
        FlawKind.USAGE,
        FlawKind.EXPIRED,
        FlawKind.WEAK_KEY,
    ]


def test_an_address_that_stands_as_a_name_is_pointed_out() -> None:
    leaf = make("x", make("root"), extensions=(IP_AS_NAME,))
    (found,) = examine_leaf(leaf.certificate, now=NOW, hosts=[ip_address("10.0.0.5")])
    assert "as a DNS name and not as an IP address" in found.text


def test_the_first_and_the_last_second_count() -> None:
    leaf = make("x", make("root"), **FINE).certificate
    begin, end = leaf.not_valid_before_utc, leaf.not_valid_after_utc
    second = timedelta(seconds=1)
    for moment, wanted in (
        (begin, []),
        (begin - second, [FlawKind.NOT_YET]),
        (end, []),
        (end + second, [FlawKind.EXPIRED]),
    ):
        found = examine_leaf(leaf, now=moment, hosts=[HOST])
        assert [one.kind for one in found] == wanted


# What stands above a leaf, lowest first: how each is made, and what is found. Is OpenSSL to
# refuse too? A root's own signature counts for nobody.
ISSUERS: dict[str, tuple[dict[str, Any], dict[str, Any], list[FlawKind], bool]] = {
    "fine": ({}, {}, [], False),
    "path lengths that suffice": (
        {"extensions": (LAST_CA, SIGNS)},
        {"extensions": (x509.BasicConstraints(ca=True, path_length=1), SIGNS)},
        [],
        False,
    ),
    "no authority": ({"extensions": (NO_CA, SIGNS)}, {}, [FlawKind.ISSUER], True),
    "no basic constraints": ({"extensions": (SIGNS,)}, {}, [FlawKind.ISSUER], True),
    "path length": ({}, {"extensions": (LAST_CA, SIGNS)}, [FlawKind.ISSUER], True),
    "may not sign": ({"extensions": (ANY_CA, USES)}, {}, [FlawKind.ISSUER], True),
    "expired": ({"end": NOW - DAY}, {}, [FlawKind.EXPIRED], True),
    "root expired": ({}, {"end": NOW - DAY}, [FlawKind.EXPIRED], True),
    "not yet valid": ({"begin": NOW + DAY}, {}, [FlawKind.NOT_YET], True),
    "RSA of 1024 bits": ({"key": SMALL}, {}, [FlawKind.WEAK_KEY], True),
}


@pytest.mark.parametrize("flaw", ISSUERS)
def test_each_flaw_above_a_leaf_is_found_and_no_other(tmp_path: Path, flaw: str) -> None:
    lower, upper, wanted, openssl_refuses = ISSUERS[flaw]
    root = make("root", **upper)
    middle = make("middle", root, **lower)
    leaf = make(HOST, middle, **FINE)
    found = examine_issuers([middle.certificate, root.certificate], now=NOW)
    assert [one.kind for one in found] == wanted
    assert openssl_takes(tmp_path, leaf, [root], [middle]) is not openssl_refuses


# Chains.


def certificates(*parties: Party) -> list[x509.Certificate]:
    return [one.certificate for one in parties]


def test_a_chain_is_ordered_from_any_order() -> None:
    root = make("root")
    upper = make("upper", root)
    lower = make("lower", upper)
    leaf = make(HOST, lower, **FINE)
    stray = make("stray")
    for given in itertools.permutations(certificates(root, upper, lower, leaf, stray)):
        found = arrange(leaf.certificate, given)
        assert list(found.chain) == certificates(leaf, lower, upper)
        assert found.root == root.certificate
        assert found.others == (stray.certificate,)


def test_a_missing_intermediate_leaves_the_way_as_far_as_it_goes(tmp_path: Path) -> None:
    root = make("root")
    upper = make("upper", root)
    lower = make("lower", upper)
    leaf = make(HOST, lower, **FINE)
    found = arrange(leaf.certificate, certificates(lower), certificates(root))
    assert (list(found.chain), found.root) == (certificates(leaf, lower), None)
    assert found.last == lower.certificate
    assert not openssl_takes(tmp_path, leaf, [root], [lower])


# One key certified by two authorities, the other one for longer.
@pytest.mark.parametrize("known", [0, 1])
def test_a_cross_signed_chain_leads_to_the_root_that_is_there(tmp_path: Path, known: int) -> None:
    roots = [make("old root"), make("new root")]
    first = make("issuing", roots[0], end=NOW + 100 * DAY)
    second = make("issuing", roots[1], end=NOW + 200 * DAY, key=first.key)
    leaf = make(HOST, first, **FINE)
    for given in itertools.permutations(certificates(first, second)):
        found = arrange(leaf.certificate, given, certificates(roots[known]))
        wanted = (first, second)[known]
        assert list(found.chain) == certificates(leaf, wanted)
        assert found.root == roots[known].certificate
        # OpenSSL takes what is sent as it comes; it has to be given the right one.
        assert openssl_takes(tmp_path, leaf, [roots[known]], [wanted], host=HOST)


def test_of_two_ways_to_roots_the_one_that_lasts_longer_counts() -> None:
    roots = [make("old root"), make("new root")]
    first = make("issuing", roots[0], end=NOW + 100 * DAY)
    second = make("issuing", roots[1], end=NOW + 200 * DAY, key=first.key)
    leaf = make(HOST, first, **FINE)
    found = arrange(leaf.certificate, certificates(first, second), certificates(*roots))
    assert list(found.chain) == certificates(leaf, second)


def test_one_subject_with_another_key_is_no_issuer(tmp_path: Path) -> None:
    root, twin = make("root"), make("root")
    leaf = make(HOST, root, **FINE)
    assert certifies(root.certificate, leaf.certificate)
    assert not certifies(twin.certificate, leaf.certificate)
    found = arrange(leaf.certificate, certificates(twin, root))
    assert (found.root, found.others) == (root.certificate, (twin.certificate,))
    assert arrange(leaf.certificate, certificates(twin)).root is None
    assert openssl_takes(tmp_path, leaf, [root])
    assert not openssl_takes(tmp_path, leaf, [twin])


def test_authorities_that_certify_each_other_end_somewhere(tmp_path: Path) -> None:
    one, two = make("one"), make("two")
    crossed = make("one", two, key=one.key), make("two", one, key=two.key)
    leaf = make(HOST, one, **FINE)
    found = arrange(leaf.certificate, certificates(*crossed))
    assert found.root is None
    assert found.chain[0] == leaf.certificate
    assert not openssl_takes(tmp_path, leaf, [make("three")], crossed)
    found = arrange(leaf.certificate, certificates(*crossed), certificates(two))
    assert list(found.chain) == certificates(leaf, crossed[0])
    assert found.root == two.certificate
    assert openssl_takes(tmp_path, leaf, [two], crossed)


def test_a_leaf_that_signed_itself_is_its_own_root() -> None:
    leaf = make(HOST, **FINE)
    assert is_root(leaf.certificate)
    found = arrange(leaf.certificate, certificates(make("stray")))
    assert (found.chain, found.root) == ((leaf.certificate,), leaf.certificate)


def test_a_chain_that_never_ends_is_given_up() -> None:
    party = make("0")
    chain = [party]
    for number in range(1, 30):
        party = make(str(number), party)
        chain.append(party)
    leaf = make(HOST, party, **FINE)
    assert arrange(leaf.certificate, certificates(*chain)).root is None
