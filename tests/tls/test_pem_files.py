from __future__ import annotations

from datetime import datetime, timedelta, timezone

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import dsa, ec, ed25519, rsa
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)

from depotserve import tls
from depotserve.errors import CallerError

ANCHOR = tls.authority.create("depot.plant.example")
SERVER = tls.issue(ANCHOR, ["depot.plant.example", "127.0.0.1"])
OTHER = tls.issue(ANCHOR, ["other.plant.example"])


def refused(certificate: bytes, key: bytes, *reasons: str) -> None:
    with pytest.raises(CallerError) as caught:
        tls.load_pair(certificate, key)
    line = str(caught.value)
    assert all(reason in line for reason in reasons), line
    assert "\n" not in line
    for secret in key.splitlines()[1:-1]:
        assert secret.decode("latin-1") not in line or len(secret) < 8


def as_pem(key: object, form: PrivateFormat, passphrase: bytes = b"") -> bytes:
    how = BestAvailableEncryption(passphrase) if passphrase else NoEncryption()
    return key.private_bytes(Encoding.PEM, form, how)  # type: ignore[attr-defined]


def self_signed(key: object, algorithm: hashes.HashAlgorithm | None = None) -> bytes:
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "x")])
    now = datetime.now(timezone.utc)
    builder = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())  # type: ignore[attr-defined]
        .serial_number(x509.random_serial_number())
        .not_valid_before(now)
        .not_valid_after(now + timedelta(days=30))
    )
    return builder.sign(key, algorithm).public_bytes(Encoding.PEM)  # type: ignore[arg-type]


# Kinds of file: ../shared cases, C06; RFC 7468 sections 2 and 5.2.
@pytest.mark.parametrize(
    "change",
    [
        lambda pem: pem,
        lambda pem: pem.replace(b"\n", b"\r\n"),
        lambda pem: b"\xef\xbb\xbf" + pem,
        lambda pem: b"\xef\xbb\xbf" + pem.replace(b"\n", b"\r\n"),
        lambda pem: pem.rstrip(b"\n"),
        lambda pem: pem.replace(b"\n", b" \t\n"),
        lambda pem: b"subject=depot\nissuer=authority\n" + pem + b"\n\n",
    ],
)
def test_what_editors_do_to_a_file_is_tolerated(change) -> None:  # type: ignore[no-untyped-def]  # noqa: ANN001
    tls.load_pair(change(SERVER.certificate), change(SERVER.key))


def test_a_chain_with_the_leaf_first_is_taken() -> None:
    tls.load_pair(SERVER.certificate + ANCHOR.certificate, SERVER.key)


def test_a_chain_in_the_wrong_order_says_order() -> None:
    refused(ANCHOR.certificate + SERVER.certificate, SERVER.key, "server.pem", "order")


def test_a_key_of_another_certificate_is_refused() -> None:
    refused(SERVER.certificate, OTHER.key, "server.pem", "does not belong", "server.key")


def test_utf_16_is_named() -> None:
    for encoding in ("utf-16", "utf-16-le", "utf-16-be"):
        wide = SERVER.certificate.decode().encode(encoding)
        refused(wide, SERVER.key, "server.pem", "UTF-16")
        refused(SERVER.certificate, SERVER.key.decode().encode(encoding), "server.key", "UTF-16")


def test_blocks_glued_together_are_refused() -> None:
    glued = SERVER.certificate.rstrip(b"\n") + ANCHOR.certificate
    refused(glued, SERVER.key, "server.pem", "damaged", "alone on its line")


def test_an_empty_file_is_refused() -> None:
    for empty in (b"", b"\n \r\n"):
        refused(empty, SERVER.key, "server.pem", "is empty")
        refused(SERVER.certificate, empty, "server.key", "is empty")


def test_a_file_without_its_block_is_refused() -> None:
    refused(b"no such thing\n", SERVER.key, "server.pem", "holds no certificate")
    refused(SERVER.certificate, b"no such thing\n", "server.key", "holds 0 private keys")
    refused(SERVER.certificate, SERVER.key + OTHER.key, "server.key", "holds 2 private keys")


def test_a_key_among_the_certificates_is_refused() -> None:
    refused(SERVER.certificate + SERVER.key, SERVER.key, "server.pem", "holds a private key")


def test_too_many_certificates_are_refused() -> None:
    refused(SERVER.certificate + ANCHOR.certificate * 20, SERVER.key, "more than 20")


def test_junk_within_a_block_is_refused() -> None:
    lines = SERVER.certificate.splitlines(keepends=True)
    for junk in (b"!!!!\n", b"AAAA\n"):
        damaged = b"".join([*lines[:4], junk, *lines[4:]])
        refused(damaged, SERVER.key, "server.pem", "damaged")


def test_a_file_that_was_cut_anywhere_is_refused() -> None:
    whole = SERVER.certificate
    for end in range(len(whole.rstrip(b"\n"))):
        with pytest.raises(CallerError, match=r"^server\.pem: "):
            tls.load_pair(whole[:end], SERVER.key)
    for end in range(len(SERVER.key.rstrip(b"\n"))):
        with pytest.raises(CallerError, match=r"^server\.key: "):
            tls.load_pair(whole, SERVER.key[:end])


def test_a_chain_that_was_cut_after_its_first_block_is_refused() -> None:
    whole = SERVER.certificate + ANCHOR.certificate
    for end in range(len(SERVER.certificate) + 1, len(whole.rstrip(b"\n"))):
        with pytest.raises(CallerError, match=r"^server\.pem: "):
            tls.load_pair(whole[:end], SERVER.key)


# Both ways of encrypting a key: PKCS #8 (RFC 5958 section 3) and the older header in the text.
@pytest.mark.parametrize("form", [PrivateFormat.PKCS8, PrivateFormat.TraditionalOpenSSL])
def test_an_encrypted_key_is_refused_at_once(form: PrivateFormat) -> None:
    key = load_pem_private_key(SERVER.key, None)
    refused(
        SERVER.certificate,
        as_pem(key, form, b"s3cret-s3cret"),
        "server.key",
        "is encrypted",
        "0600",
    )


@pytest.mark.parametrize("form", [PrivateFormat.PKCS8, PrivateFormat.TraditionalOpenSSL])
def test_keys_of_other_makers_are_taken(form: PrivateFormat) -> None:
    for key in (rsa.generate_private_key(65537, 2048), ec.generate_private_key(ec.SECP384R1())):
        tls.load_pair(self_signed(key, hashes.SHA256()), as_pem(key, form))


def test_an_ed25519_key_is_taken() -> None:
    key = ed25519.Ed25519PrivateKey.generate()
    tls.load_pair(self_signed(key), as_pem(key, PrivateFormat.PKCS8))


def test_a_key_that_no_server_can_use_is_refused() -> None:
    key = dsa.generate_private_key(2048)
    pem = self_signed(key, hashes.SHA256())
    refused(pem, as_pem(key, PrivateFormat.PKCS8), "server.key", "kind")


def test_a_key_too_short_for_tls_is_refused() -> None:
    key = rsa.generate_private_key(65537, 1024)  # noqa: S505  # too short on purpose
    pem = self_signed(key, hashes.SHA256())
    refused(pem, as_pem(key, PrivateFormat.PKCS8), "server.pem", "2048 bits")


def test_other_blocks_are_passed_over() -> None:
    parameters = b"-----BEGIN EC PARAMETERS-----\nBggqhkjOPQMBBw==\n-----END EC PARAMETERS-----\n"
    tls.load_pair(SERVER.certificate, parameters + SERVER.key)
