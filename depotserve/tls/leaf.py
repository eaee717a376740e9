"""Server certificates, issued by the depot's own authority."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from ipaddress import IPv4Address, IPv6Address
from typing import TYPE_CHECKING

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from depotserve.errors import CallerError
from depotserve.tls.arrange import is_root
from depotserve.tls.authority import BACKDATED, Pair, key_usage, to_pair
from depotserve.tls.examine import examine_issuers, extension_of
from depotserve.tls.keys import KeyKind, make_key
from depotserve.tls.names import parse_hosts
from depotserve.tls.pem import read_pair

if TYPE_CHECKING:
    from collections.abc import Sequence

    from depotserve.tls.keys import PublicKey, SigningKey
    from depotserve.tls.names import Host

__all__ = ["LONGEST_DAYS", "general_name", "issue", "issue_for_request", "subject_of"]

LONGEST_DAYS = 825  # the most that widespread clients take from any authority
_LAST_SECOND = timedelta(seconds=1)  # RFC 5280 §4.1.2.5: notAfter itself still counts
_SMALLEST_RSA = 2048  # bits; what clients of this decade take (NIST SP 800-131A)
_CURVES = ("secp256r1", "secp384r1", "secp521r1")  # what TLS clients offer (RFC 8422 §5.1.1)
# RFC 5280 §4.2.1.3: with RSA, an old client may encrypt the key exchange to it.
_USES = {
    KeyKind.ECDSA: ("digital_signature",),
    KeyKind.RSA: ("digital_signature", "key_encipherment"),
}
_LONGEST_COMMON_NAME = 64  # RFC 5280 appendix A: ub-common-name
_ANOTHER = "depotserve init and cert authority new make one that clients take"


def issue(
    authority: Pair,
    hosts: Sequence[str],
    *,
    kind: KeyKind = KeyKind.ECDSA,
    days: int = LONGEST_DAYS,
    passphrase: str | None = None,
    now: datetime | None = None,
) -> Pair:
    """Issue a server certificate with a new key for these names and addresses.

    `days` of 86,400 s are its whole life, 30 of them already over, so that a client whose clock
    is behind accepts it; it ends no later than the authority. Its issuer is the anchor itself,
    so that the leaf alone is the whole chain to send. `passphrase` opens the authority's key.
    Raises CallerError for a text that is no host, for days outside 31 to 825, and for an
    authority that is unusable or over.
    """
    key = make_key(kind)
    certificate = _sign(authority, parse_hosts(hosts), key.public_key(), days, passphrase, now)
    return to_pair(certificate, key)


def issue_for_request(
    authority: Pair,
    request: bytes,
    hosts: Sequence[str] = (),
    *,
    days: int = LONGEST_DAYS,
    passphrase: str | None = None,
    now: datetime | None = None,
) -> bytes:
    """Issue a server certificate for the key of another depot's request; give it as PEM text.

    Of the request (RFC 2986, PEM or DER) its key counts, and its names unless `hosts` says
    others; what else it asks for does not. The authority's certificate follows in the text.
    Raises CallerError as `issue`, and for a request that is damaged, that its key did not sign,
    or whose key is weak.
    """
    wanted = _read_request(request)
    names = parse_hosts(hosts or _hosts_of(wanted))
    certificate = _sign(authority, names, _strong(wanted.public_key()), days, passphrase, now)
    return certificate.public_bytes(Encoding.PEM) + authority.certificate


def _sign(
    authority: Pair,
    names: Sequence[Host],
    public: PublicKey,
    days: int,
    passphrase: str | None,
    now: datetime | None,
) -> x509.Certificate:
    if not BACKDATED.days < days <= LONGEST_DAYS:
        raise CallerError(
            f"{days} days is no life for a server certificate",
            allowed=f"{BACKDATED.days + 1} to {LONGEST_DAYS} days",
        )
    issuer, signing_key = _open(authority, passphrase)
    begin, end = _life(issuer, days, now or datetime.now(timezone.utc))
    return (
        _profile(names, issuer, public)
        .serial_number(x509.random_serial_number())
        .not_valid_before(begin)
        .not_valid_after(end)
        .sign(signing_key, hashes.SHA256())
    )


def _read_request(content: bytes) -> x509.CertificateSigningRequest:
    load = x509.load_pem_x509_csr if b"-----BEGIN" in content else x509.load_der_x509_csr
    try:
        request = load(content)
        whole = request.is_signature_valid
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        allowed = "a PKCS #10 request, as depotserve cert request makes it"
        raise CallerError("the request cannot be read", allowed=allowed) from error
    if not whole:
        raise CallerError("the request is not signed by its own key", allowed="ask for a new one")
    return request


def _hosts_of(request: x509.CertificateSigningRequest) -> list[str]:
    """Give the names and addresses that a request asks for; its common name does not count."""
    try:
        found = request.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (x509.ExtensionNotFound, x509.DuplicateExtension, ValueError):
        return []
    names = found.get_values_for_type(x509.DNSName)
    return [*names, *map(str, found.get_values_for_type(x509.IPAddress))]


def _strong(key: object) -> PublicKey:
    """Give a key that clients take. Raises CallerError for another."""
    if isinstance(key, rsa.RSAPublicKey) and key.key_size >= _SMALLEST_RSA:
        return key
    if isinstance(key, ec.EllipticCurvePublicKey) and key.curve.name in _CURVES:
        return key
    allowed = f"ECDSA on {', '.join(_CURVES)}, or RSA of {_SMALLEST_RSA} bits or more"
    raise CallerError("the request's key is none that clients take", allowed=allowed)


def _open(authority: Pair, passphrase: str | None) -> tuple[x509.Certificate, SigningKey]:
    """Give the authority's certificate and key; raise CallerError if it is none of ours."""
    credential = read_pair(
        authority.certificate,
        authority.key,
        certificate_name="authority.pem",
        key_name="authority.key",
        passphrase=passphrase,
    )
    if not isinstance(credential.key, (ec.EllipticCurvePrivateKey, rsa.RSAPrivateKey)):
        raise CallerError("is no authority of this tool", where="authority.key")
    _check(credential.chain.leaf)
    return credential.chain.leaf, credential.key


def _check(issuer: x509.Certificate) -> None:
    """Refuse an authority whose leaves no client would take, whoever put it there."""
    if not is_root(issuer) or extension_of(issuer, x509.SubjectKeyIdentifier) is None:
        raise CallerError(
            "is no root with a key identifier", where="authority.pem", allowed=_ANOTHER
        )
    flaws = examine_issuers([issuer], now=issuer.not_valid_after_utc)  # its time is looked at later
    if flaws:
        raise CallerError(flaws[0].text, where="authority.pem", allowed=_ANOTHER)


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
    names: Sequence[Host], issuer: x509.Certificate, public: PublicKey
) -> x509.CertificateBuilder:
    """Begin a server certificate: who it is for, who vouches, what its key may do."""
    anchor = issuer.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
    return (
        x509.CertificateBuilder()
        .subject_name(subject_of(names))
        .issuer_name(issuer.subject)
        .public_key(public)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(key_usage(*_USES[KeyKind.of(public)]), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(
            x509.SubjectAlternativeName([general_name(name) for name in names]), critical=False
        )
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(anchor), critical=False
        )
    )


def general_name(host: Host) -> x509.GeneralName:
    """Give a host as dNSName or iPAddress (RFC 5280 §4.2.1.6)."""
    if isinstance(host, (IPv4Address, IPv6Address)):
        return x509.IPAddress(host)
    return x509.DNSName(host)


def subject_of(names: Sequence[Host]) -> x509.Name:
    """Give a subject for people to read; clients look at subjectAltName only (RFC 9525 §2)."""
    fitting = [str(name) for name in names if len(str(name)) <= _LONGEST_COMMON_NAME]
    common = fitting[0] if fitting else "depot"
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common)])
