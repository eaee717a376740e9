"""Server certificates, issued by the depot's own authority."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from ipaddress import IPv4Address, IPv6Address
from typing import TYPE_CHECKING

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from depotserve.errors import CallerError
from depotserve.tls.authority import BACKDATED, Pair, key_usage, to_pair
from depotserve.tls.names import parse_hosts
from depotserve.tls.pem import read_pair

if TYPE_CHECKING:
    from collections.abc import Sequence

    from depotserve.tls.names import Host

__all__ = ["LONGEST_DAYS", "issue"]

LONGEST_DAYS = 825  # the most that widespread clients take from any authority
_LAST_SECOND = timedelta(seconds=1)  # RFC 5280 §4.1.2.5: notAfter itself still counts
_LONGEST_COMMON_NAME = 64  # RFC 5280 appendix A: ub-common-name


def issue(
    authority: Pair,
    hosts: Sequence[str],
    *,
    days: int = LONGEST_DAYS,
    now: datetime | None = None,
) -> Pair:
    """Issue a server certificate with a new ECDSA P-256 key for these names and addresses.

    `days` of 86,400 s are its whole life, 30 of them already over, so that a client whose clock
    is behind accepts it; it ends no later than the authority. Its issuer is the anchor itself,
    so that the leaf alone is the whole chain to send.
    Raises CallerError for a text that is no host, for days outside 31 to 825, and for an
    authority that is unusable or over.
    """
    names = parse_hosts(hosts)
    if not BACKDATED.days < days <= LONGEST_DAYS:
        raise CallerError(
            f"{days} days is no life for a server certificate",
            allowed=f"{BACKDATED.days + 1} to {LONGEST_DAYS} days",
        )
    issuer, signing_key = _open(authority)
    begin, end = _life(issuer, days, now or datetime.now(timezone.utc))
    key = ec.generate_private_key(ec.SECP256R1())
    builder = _profile(names, issuer, key.public_key())
    certificate = (
        builder.serial_number(x509.random_serial_number())
        .not_valid_before(begin)
        .not_valid_after(end)
        .sign(signing_key, hashes.SHA256())
    )
    return to_pair(certificate, key)


def _open(authority: Pair) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    """Give the authority's certificate and key; raise CallerError if it is none of ours."""
    credential = read_pair(
        authority.certificate,
        authority.key,
        certificate_name="authority.pem",
        key_name="authority.key",
    )
    if not isinstance(credential.key, ec.EllipticCurvePrivateKey):
        raise CallerError("is no authority of this tool", where="authority.key")
    return credential.chain.leaf, credential.key


def _life(issuer: x509.Certificate, days: int, now: datetime) -> tuple[datetime, datetime]:
    """Give first and last second of a leaf's life, within its issuer's."""
    now = now.replace(microsecond=0)
    if not issuer.not_valid_before_utc <= now < issuer.not_valid_after_utc:
        raise CallerError(
            f"is valid from {issuer.not_valid_before_utc:%Y-%m-%d}"
            f" to {issuer.not_valid_after_utc:%Y-%m-%d} only",
            where="authority.pem",
            allowed="set this machine's clock, or make a new authority",
        )
    begin = max(now - BACKDATED, issuer.not_valid_before_utc)
    end = begin + timedelta(days=days) - _LAST_SECOND
    return begin, min(end, issuer.not_valid_after_utc)


def _profile(
    names: Sequence[Host], issuer: x509.Certificate, public: ec.EllipticCurvePublicKey
) -> x509.CertificateBuilder:
    """Begin a server certificate: who it is for, who vouches, what its key may do."""
    anchor = issuer.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
    return (
        x509.CertificateBuilder()
        .subject_name(_subject(names))
        .issuer_name(issuer.subject)
        .public_key(public)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(key_usage("digital_signature"), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(
            x509.SubjectAlternativeName([_general_name(name) for name in names]), critical=False
        )
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(anchor), critical=False
        )
    )


def _general_name(host: Host) -> x509.GeneralName:
    """Give a host as dNSName or iPAddress (RFC 5280 §4.2.1.6)."""
    if isinstance(host, (IPv4Address, IPv6Address)):
        return x509.IPAddress(host)
    return x509.DNSName(host)


def _subject(names: Sequence[Host]) -> x509.Name:
    """Give a subject for people to read; clients look at subjectAltName only (RFC 9525 §2)."""
    fitting = [str(name) for name in names if len(str(name)) <= _LONGEST_COMMON_NAME]
    common = fitting[0] if fitting else "depot"
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common)])
