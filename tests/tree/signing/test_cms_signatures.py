"""Detached CMS signatures (RFC 5652), made by openssl; openssl run as a person would checks too."""

from __future__ import annotations

import hashlib
import subprocess
from typing import TYPE_CHECKING

import issuing
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import ExtendedKeyUsageOID
from issuing import DAY, NOW, Issued, openssl
from signing_kit import check, load, pin

from depotserve.errors import SurroundingsError
from depotserve.tree.authenticity import State, Verdict

if TYPE_CHECKING:
    from pathlib import Path

LIST = b"0" * 64 + b"  pump.bin\n" + b"1" * 64 + b"  valve.bin\n"
CODE = ExtendedKeyUsageOID.CODE_SIGNING


@pytest.fixture(scope="module")
def root() -> Issued:
    return issuing.issue("plant root", authority=True, hosts=())


@pytest.fixture(scope="module")
def middle(root: Issued) -> Issued:
    return issuing.issue("plant signers", root, authority=True, hosts=())


@pytest.fixture(scope="module")
def signer(middle: Issued) -> Issued:
    return issuing.issue("release desk", middle, hosts=("a.example",), purpose=CODE)


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    (tmp_path / "tree").mkdir()
    return tmp_path / "tree"


def sign(room: Path, who: Issued, *options: str, form: str = "DER", came: bytes = b"") -> bytes:
    room.mkdir(exist_ok=True)
    (room / "list").write_bytes(LIST)
    (room / "signer.pem").write_bytes(who.pem + who.key_pem)
    (room / "came.pem").write_bytes(came)
    words = ["cms", "-sign", "-binary", "-in", room / "list", "-signer", room / "signer.pem"]
    words += ["-certfile", room / "came.pem"] if came else []
    return openssl(*words, "-outform", form, *options)


def verdict(
    tree: Path, tmp_path: Path, pinned: bytes, signature: bytes, content: bytes = LIST
) -> Verdict | None:
    (tree / "list").write_bytes(content)
    (tree / "list.p7s").write_bytes(signature)
    keys = load(pin(tmp_path / "keys", plant_pem=pinned), tree)
    return check(tree, keys)["list.p7s"]


def openssl_says(room: Path, anchor: bytes, signature: bytes, content: bytes) -> bool:
    for name, data in {"anchor": anchor, "s": signature, "c": content}.items():
        (room / name).write_bytes(data)
    words = ["openssl", "cms", "-verify", "-binary", "-inform", "DER", "-in", room / "s"]
    words += ["-content", room / "c", "-CAfile", room / "anchor", "-purpose", "any"]
    done = subprocess.run(
        [*words, "-partial_chain", "-out", "/dev/null"],
        check=False,
        capture_output=True,
        timeout=60,
    )
    return done.returncode == 0


@pytest.mark.parametrize("form", ["DER", "PEM"])
@pytest.mark.parametrize("options", [(), ("-keyid",), ("-noattr",)])
def test_a_signature_led_back_to_a_pinned_authority_is_good(
    form: str, options: tuple[str, ...], tree: Path, tmp_path: Path, root: Issued, middle: Issued
) -> None:
    key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    signer = _with_identifier(middle, key)
    signature = sign(tmp_path / "room", signer, *options, form=form, came=middle.pem)
    found = verdict(tree, tmp_path, root.pem, signature)
    assert (found.state, found.vendor) == (State.GOOD, "plant")
    assert found.sha256 == hashlib.sha256(LIST).digest()
    assert found.fingerprint == signer.certificate.fingerprint(hashes.SHA256()).hex().upper()
    if form == "DER":
        assert openssl_says(tmp_path, root.pem, signature, LIST)


def _with_identifier(issuer: Issued, key: rsa.RSAPrivateKey) -> Issued:
    plain = issuing.issue("release desk", issuer, key=key, purpose=CODE).certificate
    builder = x509.CertificateBuilder(
        plain.issuer,
        plain.subject,
        key.public_key(),
        plain.serial_number,
        plain.not_valid_before_utc,
        plain.not_valid_after_utc,
    ).add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    return Issued(builder.sign(issuer.key, hashes.SHA256()), key)


def test_a_signature_in_ber_with_lengths_left_open_is_good(
    tree: Path, tmp_path: Path, signer: Issued
) -> None:
    # X.690 §8.1.3.6, which RFC 5652 §5 allows; the outermost three values are written so.
    signature = sign(tmp_path / "room", signer)
    head = b"\x06\x09" + bytes.fromhex("2a864886f70d010702")
    inner = signature[signature.index(head) + len(head) + 4 + 4 :]
    open_ended = b"\x30\x80" + head + b"\xa0\x80\x30\x80" + inner + b"\0" * 6
    assert verdict(tree, tmp_path, signer.pem, open_ended).state is State.GOOD
    assert openssl_says(tmp_path, signer.pem, open_ended, LIST)


def test_the_signer_itself_may_be_pinned_and_need_not_come_along(
    tree: Path, tmp_path: Path, signer: Issued
) -> None:
    signature = sign(tmp_path / "room", signer, "-nocerts")
    assert verdict(tree, tmp_path, signer.pem, signature).state is State.GOOD


def test_a_changed_list_makes_it_bad(
    tree: Path, tmp_path: Path, root: Issued, middle: Issued, signer: Issued
) -> None:
    changed = LIST.replace(b"pump", b"tank")
    for options in ((), ("-noattr",)):
        signature = sign(tmp_path / "room", signer, *options, came=middle.pem)
        found = verdict(tree, tmp_path, root.pem, signature, changed)
        assert (found.state, found.vendor) == (State.BAD, "plant")
        assert not openssl_says(tmp_path, root.pem, signature, changed)


def test_converted_line_ends_are_named_as_the_cause(
    tree: Path, tmp_path: Path, signer: Issued
) -> None:
    signature = sign(tmp_path / "room", signer)
    found = verdict(tree, tmp_path, signer.pem, signature, LIST.replace(b"\n", b"\r\n"))
    assert found.state is State.BAD
    assert "line ends were converted" in found.detail


def test_a_signer_of_another_authority_is_unknown(
    tree: Path, tmp_path: Path, root: Issued, signer: Issued
) -> None:
    other = issuing.issue("plant root", authority=True, hosts=())  # of the same name
    stranger = issuing.issue("release desk", other, purpose=CODE)
    for who, came in ((stranger, other.pem), (signer, b"")):
        signature = sign(tmp_path / "room", who, came=came)
        found = verdict(tree, tmp_path, root.pem, signature)
        assert (found.state, found.vendor) == (State.UNKNOWN_KEY, None)
        assert not openssl_says(tmp_path, root.pem, signature, LIST)


def test_a_certificate_that_names_itself_as_the_pinned_signer_is_not_taken_for_it(
    tree: Path, tmp_path: Path, signer: Issued
) -> None:
    key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    real = signer.certificate
    false = x509.CertificateBuilder(
        real.issuer,
        real.subject,
        key.public_key(),
        real.serial_number,
        real.not_valid_before_utc,
        real.not_valid_after_utc,
    ).sign(key, hashes.SHA256())
    signature = sign(tmp_path / "room", Issued(false, key))
    assert verdict(tree, tmp_path, signer.pem, signature).state is not State.GOOD


def test_a_certificate_that_has_expired_says_so(tree: Path, tmp_path: Path, root: Issued) -> None:
    old = issuing.issue("desk", root, begin=NOW - 9 * DAY, end=NOW - DAY, purpose=CODE)
    found = verdict(tree, tmp_path, root.pem, sign(tmp_path / "room", old))
    assert (found.state, found.vendor) == (State.EXPIRED_KEY, "plant")
    changed = verdict(tree, tmp_path, root.pem, sign(tmp_path / "room", old), LIST + b"\n")
    assert changed.state is State.BAD
    early = issuing.issue("desk", root, begin=NOW + DAY, purpose=CODE)
    found = verdict(tree, tmp_path, root.pem, sign(tmp_path / "room", early))
    assert found.state is State.TOO_EARLY


def test_a_weak_digest_or_a_short_key_authenticates_nothing(
    tree: Path, tmp_path: Path, root: Issued, signer: Issued
) -> None:
    weak = sign(tmp_path / "room", signer, "-md", "sha1")
    assert verdict(tree, tmp_path, signer.pem, weak).state is State.WEAK
    key = rsa.generate_private_key(public_exponent=65537, key_size=1024)  # noqa: S505  # on purpose
    short = issuing.issue("desk", root, key=key, purpose=CODE)
    found = verdict(tree, tmp_path, root.pem, sign(tmp_path / "room", short))
    assert (found.state, found.detail) == (State.WEAK, "the signer's key is too short")


def test_what_holds_its_own_content_or_is_no_signature_cannot_be_used(
    tree: Path, tmp_path: Path, signer: Issued
) -> None:
    opaque = sign(tmp_path / "room", signer, "-nodetach")
    found = verdict(tree, tmp_path, signer.pem, opaque, b"a false list\n")
    assert (found.state, found.vendor) == (State.UNREADABLE, None)
    assert "within itself" in found.detail
    good = sign(tmp_path / "room", signer)
    for broken in (good[:-9], good[:40], b"\x30\x0b\x06\x09" + good[6:15]):
        assert verdict(tree, tmp_path, signer.pem, broken).state is State.UNREADABLE


def test_the_signature_of_another_list_is_bad(tree: Path, tmp_path: Path, signer: Issued) -> None:
    found = verdict(tree, tmp_path, signer.pem, sign(tmp_path / "room", signer), b"other\n")
    assert found.state is State.BAD


def test_of_two_vendors_the_one_who_stands_behind_it_is_named(
    tree: Path, tmp_path: Path, root: Issued, middle: Issued, signer: Issued
) -> None:
    other = issuing.issue("another", authority=True, hosts=())
    pin(tmp_path / "keys", other_pem=other.pem, zeta_pem=issuing.issue("z").pem)
    signature = sign(tmp_path / "room", signer, came=middle.pem)
    found = verdict(tree, tmp_path, root.pem, signature)
    assert (found.state, found.vendor) == (State.GOOD, "plant")


def test_without_openssl_one_line_says_so(
    tree: Path, tmp_path: Path, signer: Issued, monkeypatch: pytest.MonkeyPatch
) -> None:
    signature = sign(tmp_path / "room", signer)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(SurroundingsError, match="openssl is not on this machine"):
        verdict(tree, tmp_path, signer.pem, signature)


def test_the_machine_s_own_trusted_authorities_count_for_nothing(
    tree: Path, tmp_path: Path, root: Issued, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "trusted.pem").write_bytes(root.pem)
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "trusted.pem"))
    desk = issuing.issue("desk", root, purpose=CODE)
    other = issuing.issue("another", authority=True, hosts=())
    found = verdict(tree, tmp_path, other.pem, sign(tmp_path / "room", desk))
    assert found.state is State.UNKNOWN_KEY
