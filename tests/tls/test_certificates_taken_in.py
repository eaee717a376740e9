from __future__ import annotations

import base64
import re
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Callable

import harness
import pytest
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.x509.oid import ExtendedKeyUsageOID
from issuing import DAY, HOSTS, NOW, Organisation, issue, openssl, signed_by_openssl, state_of

if TYPE_CHECKING:
    import subprocess
    from pathlib import Path

    Words = list[str | Path]
    Make = Callable[[Path, Organisation], Words]

PASSPHRASE = "pump-7-valve"


def install(
    home: Path, *words: str | Path, **options: object
) -> subprocess.CompletedProcess[bytes]:
    return harness.run("cert", "install", "--home", home, *words, **options)  # type: ignore[arg-type]


def put(path: Path, content: bytes) -> Path:
    path.write_bytes(content)
    return path


def key_of(at: Path, of: Organisation) -> Path:
    return put(at / "leaf.key", of.leaf.key_pem)


def certs_of(at: Path, of: Organisation) -> Path:
    return put(at / "all.pem", of.leaf.pem + of.middle.pem + of.root.pem)


def words_with_key(at: Path, of: Organisation, content: bytes, name: str = "came.pem") -> Words:
    return ["--cert", put(at / name, content), "--key", key_of(at, of)]


def passphrase_file(at: Path) -> Words:
    return ["--passphrase-file", put(at / "passphrase", PASSPHRASE.encode() + b"\n")]


def text_form(change: Callable[[bytes], bytes]) -> Make:
    """Give the shape of a PEM text that was changed on its way."""
    whole = lambda of: of.leaf.pem + of.middle.pem + of.root.pem  # noqa: E731
    return lambda at, of: words_with_key(at, of, change(whole(of)))


def in_any_order(at: Path, of: Organisation) -> Words:
    return words_with_key(at, of, of.root.pem + of.middle.pem + of.leaf.pem)


def der_files(at: Path, of: Organisation) -> Words:
    words = words_with_key(at, of, of.leaf.der, "leaf.cer")
    words += ["--cert", put(at / "middle.cer", of.middle.der)]
    return [*words, "--ca", put(at / "root.cer", of.root.der)]


def base64_without_armour(at: Path, of: Organisation) -> Words:
    words = words_with_key(at, of, base64.encodebytes(of.leaf.der), "leaf.txt")
    return [*words, "--ca", put(at / "ca.pem", of.middle.pem + of.root.pem)]


# openssl-crl2pkcs7(1), as authorities hand out "certificates with their chain".
def pkcs7(form: str) -> Make:
    def make(at: Path, of: Organisation) -> Words:
        made = openssl("crl2pkcs7", "-nocrl", "-certfile", certs_of(at, of), "-outform", form)
        return words_with_key(at, of, made, "came.p7b")

    return make


def pkcs7_labelled_certificate(at: Path, of: Organisation) -> Words:
    made = openssl("crl2pkcs7", "-nocrl", "-certfile", certs_of(at, of))
    return words_with_key(at, of, made.replace(b"PKCS7", b"CERTIFICATE"))


def pkcs7_of_indefinite_length(at: Path, of: Organisation) -> Words:
    signed = ["cms", "-sign", "-stream", "-nodetach", "-binary", "-outform", "DER", "-nosmimecap"]
    signed += ["-signer", str(put(at / "leaf.pem", of.leaf.pem)), "-inkey", str(key_of(at, of))]
    others = put(at / "others.pem", of.middle.pem + of.root.pem)
    made = openssl(*signed, "-certfile", others, stdin=b"any")
    assert made[1] == 0x80  # X.690 section 8.1.3.6
    return words_with_key(at, of, made, "came.p7s")


# openssl-pkcs12(1), in the shape of every version and of its older ciphers.
def pkcs12(*options: str, passphrase: str = PASSPHRASE) -> Make:
    def make(at: Path, of: Organisation) -> Words:
        words = ["pkcs12", "-export", "-in", certs_of(at, of), "-inkey", key_of(at, of), *options]
        made = openssl(*words, "-passout", f"pass:{passphrase}")
        return ["--cert", put(at / "came.p12", made), *(passphrase_file(at) if passphrase else ())]

    return make


def pkcs12_of_certificates_only(at: Path, of: Organisation) -> Words:
    words = ["pkcs12", "-export", "-nokeys", "-in", certs_of(at, of)]
    made = openssl(*words, "-passout", f"pass:{PASSPHRASE}")
    return [*words_with_key(at, of, made, "came.p12"), *passphrase_file(at)]


def key_and_chain_in_one_file(at: Path, of: Organisation) -> Words:
    return [
        "--cert",
        put(at / "one.pem", of.middle.pem + of.leaf.key_pem + of.leaf.pem + of.root.pem),
    ]


# openssl-x509(1): -text writes the certificate in words above it.
def with_text_above(at: Path, of: Organisation) -> Words:
    texts = [openssl("x509", "-text", stdin=one.pem) for one in (of.leaf, of.middle, of.root)]
    return words_with_key(at, of, b"subject=depot\n\n".join(texts))


# openssl-x509(1): -trustout writes TRUSTED CERTIFICATE, with what follows the certificate.
def trusted_label(at: Path, of: Organisation) -> Words:
    trusted = ["x509", "-trustout", "-addtrust", "serverAuth", "-setalias", "depot"]
    texts = [openssl(*trusted, stdin=one.pem) for one in (of.leaf, of.middle, of.root)]
    assert all(b"TRUSTED CERTIFICATE" in text for text in texts)
    return words_with_key(at, of, b"".join(texts))


# What openssl s_client -showcerts prints, with the leaf's line that begins with a digit.
def as_shown_by_a_client(at: Path, of: Organisation) -> Words:
    shown = b"0 s:CN = depot\n" + of.leaf.pem + b" 1 s:CN = Plant issuing\n" + of.middle.pem
    return [*words_with_key(at, of, shown), "--ca", put(at / "root.pem", of.root.pem)]


def encrypted_key(*options: str) -> Make:
    def make(at: Path, of: Organisation) -> Words:
        words = [*options, "-in", key_of(at, of), "-passout", f"pass:{PASSPHRASE}"]
        key = put(at / "closed.key", openssl(*words))
        assert b"ENCRYPTED" in key.read_bytes()
        return ["--cert", certs_of(at, of), "--key", key, *passphrase_file(at)]

    return make


def key_in_der(at: Path, of: Organisation) -> Words:
    words = ["pkcs8", "-topk8", "-v2", "aes256", "-outform", "DER", "-in", key_of(at, of)]
    made = openssl(*words, "-passout", f"pass:{PASSPHRASE}")
    return ["--cert", certs_of(at, of), "--key", put(at / "key.der", made), *passphrase_file(at)]


def older_key_form(at: Path, of: Organisation) -> Words:
    key = openssl("ec", "-in", key_of(at, of)) + b"\n"
    parameters = openssl("ecparam", "-name", "prime256v1")
    return ["--cert", certs_of(at, of), "--key", put(at / "old.key", parameters + key)]


def chain_over_several_files(at: Path, of: Organisation) -> Words:
    words = words_with_key(at, of, of.leaf.pem, "leaf.pem")
    parts = {"root.pem": of.root.pem, "middle.p7b": of.middle.pem}
    return [
        *words,
        *(word for name, text in parts.items() for word in ("--cert", put(at / name, text))),
    ]


def one_line_blocks(text: bytes) -> bytes:
    return re.sub(rb"(?<!-)\n(?!$)", b"", text).replace(b"-----\n", b"-----")


SHAPES: dict[str, Make] = {
    "in order": text_form(lambda text: text),
    "in any order": in_any_order,
    "repeated": text_form(lambda text: text + text),
    "CR LF": text_form(lambda text: text.replace(b"\n", b"\r\n")),
    "CR only": text_form(lambda text: text.replace(b"\n", b"\r")),
    "byte order mark": text_form(lambda text: b"\xef\xbb\xbf" + text),
    "UTF-16": text_form(lambda text: text.decode().encode("utf-16")),
    "UTF-16, other order, CR LF": text_form(
        lambda text: b"\xfe\xff" + text.decode().replace("\n", "\r\n").encode("utf-16-be")
    ),
    "UTF-16 without mark": text_form(lambda text: text.decode().encode("utf-16-le")),
    "trailing blanks": text_form(lambda text: text.replace(b"\n", b" \t\n") + b"\n\n  \n"),
    "indented": text_form(lambda text: b"  " + text.replace(b"\n", b"\n  ")),
    "text of another script around": text_form(
        lambda text: "Prüfstelle für Anlagen, Zertifikat\n".encode() + text + b"\xff\xfe odd\n"
    ),
    "glued blocks": text_form(
        lambda text: text.replace(b"END CERTIFICATE-----\n", b"END CERTIFICATE-----")
    ),
    "one line": text_form(one_line_blocks),
    "older label": text_form(lambda text: text.replace(b" CERTIFICATE", b" X509 CERTIFICATE")),
    "DER": der_files,
    "DER with a line end": lambda at, of: [
        *words_with_key(at, of, of.leaf.der + b"\r\n"),
        *("--ca", put(at / "ca.pem", of.middle.pem + of.root.pem)),
    ],
    "base64 without armour": base64_without_armour,
    "PKCS #7 in PEM": pkcs7("PEM"),
    "PKCS #7 in DER": pkcs7("DER"),
    "PKCS #7 labelled CERTIFICATE": pkcs7_labelled_certificate,
    "PKCS #7 of indefinite length": pkcs7_of_indefinite_length,
    "PKCS #12": pkcs12(),
    "PKCS #12 of old ciphers": pkcs12("-legacy"),
    "PKCS #12 without passphrase": pkcs12(passphrase=""),
    "PKCS #12 of certificates only": pkcs12_of_certificates_only,
    "key and chain in one file": key_and_chain_in_one_file,
    "text above": with_text_above,
    "trusted label": trusted_label,
    "as shown by a client": as_shown_by_a_client,
    "encrypted key": encrypted_key("pkcs8", "-topk8", "-v2", "aes256"),
    "older encrypted key": encrypted_key("ec", "-aes256"),
    "encrypted key in DER": key_in_der,
    "older key form": older_key_form,
    "several files": chain_over_several_files,
}


@pytest.mark.parametrize("shape", SHAPES)
def test_a_chain_of_any_shape_is_put_in_order_without_its_root(
    shape: str, home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    words = SHAPES[shape](tmp_path, organisation)
    done = install(home, *words)
    assert (done.returncode, done.stderr) == (0, b""), done.stderr
    sent = home / "tls" / "server.pem"
    assert sent.read_bytes() == organisation.leaf.pem + organisation.middle.pem
    key = home / "tls" / "server.key"
    assert key.read_bytes() == organisation.leaf.key_pem
    assert key.stat().st_mode & 0o777 == 0o600
    assert (home / "tls" / "anchors.pem").read_bytes() == organisation.root.pem
    assert not list((home / "tls").glob("*next*"))
    # Outside check: what a client does with what is sent and the root that it is given.
    verify = ["verify", "-purpose", "sslserver"]
    roots = home / "tls" / "anchors.pem"
    openssl(*verify, "-CAfile", roots, "-untrusted", sent, "-verify_hostname", HOSTS[0], sent)


def broken(**changes: object) -> Make:
    """Give an input whose leaf is wrong in one way."""

    def make(at: Path, of: Organisation) -> Words:
        leaf = issue("wrong", of.middle, **changes)  # type: ignore[arg-type]
        return _whole(at, of, leaf.pem, leaf.key_pem)

    return make


def _whole(at: Path, of: Organisation, leaf: bytes, key: bytes) -> Words:
    chain = put(at / "wrong.pem", leaf + of.middle.pem + of.root.pem)
    return ["--cert", chain, "--key", put(at / "wrong.key", key)]


def key_of_another(at: Path, of: Organisation) -> Words:
    return _whole(at, of, of.leaf.pem, issue("other").key_pem)


def no_key_at_all(at: Path, of: Organisation) -> Words:
    return ["--cert", certs_of(at, of)]


def without_intermediate(at: Path, of: Organisation) -> Words:
    return [*words_with_key(at, of, of.leaf.pem), "--ca", put(at / "root.pem", of.root.pem)]


def without_root(at: Path, of: Organisation) -> Words:
    return words_with_key(at, of, of.leaf.pem + of.middle.pem)


def an_intermediate_of_the_same_name(at: Path, of: Organisation) -> Words:
    other = issue("Plant issuing", of.root, authority=True)
    return words_with_key(at, of, of.leaf.pem + other.pem + of.root.pem)


def an_authority_itself(at: Path, of: Organisation) -> Words:
    return _whole(at, of, of.middle.pem, of.middle.key_pem)


def authorities_only(at: Path, of: Organisation) -> Words:
    return ["--cert", put(at / "ca.pem", of.middle.pem + of.root.pem)]


def signed_weakly(digest: str) -> Make:
    def make(at: Path, of: Organisation) -> Words:
        key = put(at / "weak.key", of.leaf.key_pem)
        request = openssl("req", "-new", "-key", key, "-subj", "/CN=depot")
        old = rsa.generate_private_key(65537, 2048)  # MD5 goes with RSA only
        root = issue("Plant of old", key=old, authority=True)
        leaf = signed_by_openssl(at, put(at / "weak.csr", request), root, digest)
        return ["--cert", put(at / "weak.pem", leaf + root.pem), "--key", key]

    return make


def signed_in_an_unknown_way(at: Path, of: Organisation) -> Words:
    # ecdsa-with-SHA256 (RFC 5758 section 3.2) becomes a number that nobody gave out.
    strange = of.leaf.der.replace(
        bytes.fromhex("2a8648ce3d040302"), bytes.fromhex("2a8648ce3d04037e")
    )
    return words_with_key(at, of, strange, "strange.cer")


def signed_by_no_authority(at: Path, of: Organisation) -> Words:
    false = issue("Plant server", of.root)
    leaf = issue("depot", false)
    chain = put(at / "false.pem", leaf.pem + false.pem + of.root.pem)
    return ["--cert", chain, "--key", put(at / "false.key", leaf.key_pem)]


def signed_by_itself(at: Path, of: Organisation) -> Words:
    leaf = issue("alone")
    return _whole(at, of, leaf.pem, leaf.key_pem)


def under_an_authority_that_ended(at: Path, of: Organisation) -> Words:
    middle = issue("Plant of old", of.root, authority=True, end=NOW - DAY / 2)
    leaf = issue("depot", middle)
    chain = put(at / "old.pem", leaf.pem + middle.pem + of.root.pem)
    return ["--cert", chain, "--key", put(at / "old.key", leaf.key_pem)]


def several_servers(at: Path, of: Organisation) -> Words:
    more = issue("depot again", of.middle, key=of.leaf.key, end=NOW + 100 * DAY)
    return words_with_key(at, of, more.pem + of.leaf.pem + of.middle.pem + of.root.pem)


def closed_pkcs12(at: Path, of: Organisation) -> Words:
    return pkcs12()(at, of)[:2]


def closed_key(at: Path, of: Organisation) -> Words:
    return encrypted_key("pkcs8", "-topk8", "-v2", "aes256")(at, of)[:4]


def closed_old_key(at: Path, of: Organisation) -> Words:
    return encrypted_key("ec", "-aes256")(at, of)[:4]


def wrong_passphrase(shape: Make) -> Make:
    def make(at: Path, of: Organisation) -> Words:
        words = shape(at, of)
        (at / "passphrase").write_bytes(b"not this one\n")
        return words

    return make


def the_request_itself(at: Path, of: Organisation) -> Words:
    return [
        "--cert",
        put(at / "r.csr", openssl("req", "-new", "-key", key_of(at, of), "-subj", "/CN=x")),
    ]


def file_of(content: Callable[[Organisation], bytes]) -> Make:
    return lambda at, of: words_with_key(at, of, content(of))


def empty_pkcs7(at: Path, of: Organisation) -> Words:
    return words_with_key(at, of, openssl("crl2pkcs7", "-nocrl", stdin=b""))


WRONG: dict[str, tuple[Make, str]] = {
    "key of another": (key_of_another, r"no private key belongs to .*\(looked in: .*wrong\.key\)"),
    "no key": (no_key_at_all, r"no private key belongs to .*\(looked in: server\.key\)"),
    "no key in the key's file": (
        lambda at, of: ["--cert", certs_of(at, of), "--key", put(at / "k", of.leaf.pem)],
        "k: holds no private key",
    ),
    "intermediate missing": (
        without_intermediate,
        "intermediate missing: CN=Plant issuing,O=Desalination plant, the issuer of CN=depot",
    ),
    "root missing": (
        without_root,
        "intermediate missing: CN=Plant root,O=Desalination plant, the issuer of CN=Plant issuing",
    ),
    "intermediate of the same name": (
        an_intermediate_of_the_same_name,
        "intermediate missing: .*one of that name is, whose key did not sign it",
    ),
    "no name": (broken(hosts=()), "no name: it has no subjectAltName"),
    "one name missing": (
        broken(hosts=("depot.plant.example",)),
        "name not covered: it does not cover 192.0.2.7",
    ),
    "other names": (
        broken(hosts=("pump.plant.example",)),
        "it does not cover depot.plant.example, and it does not cover 192.0.2.7",
    ),
    # ../shared cases, X06.
    "for clients": (
        broken(purpose=ExtendedKeyUsageOID.CLIENT_AUTH),
        "wrong usage: its extended key usage does not allow a server",
    ),
    "an authority": (an_authority_itself, "wrong usage: it is an authority's certificate"),
    "authorities only": (authorities_only, "holds authorities' certificates only"),
    "expired": (broken(begin=NOW - 9 * DAY, end=NOW - DAY), "expired: it ended on "),
    "not yet valid": (broken(begin=NOW + DAY), "not yet valid: it is not valid before "),
    "SHA-1": (signed_weakly("-sha1"), "weak signature: it is signed with SHA1"),
    "MD5": (signed_weakly("-md5"), "weak signature: it is signed with MD5"),
    "unknown signature": (
        signed_in_an_unknown_way,
        "weak signature: it has a signature of an unknown kind",
    ),
    "RSA of 1024 bits": (
        broken(key=rsa.generate_private_key(65537, 1024)),  # noqa: S505  # too short on purpose
        "weak key: it has an RSA key of 1024 bits",
    ),
    "a curve of nobody": (
        broken(key=ec.generate_private_key(ec.SECP256K1())),
        "weak key: it has a key on the curve secp256k1",
    ),
    "issuer is no authority": (
        signed_by_no_authority,
        "no authority: the authority CN=Plant server,O=Desalination plant is marked as none",
    ),
    "issuer ended": (under_an_authority_that_ended, "expired: the authority CN=Plant of old"),
    "signed by itself": (signed_by_itself, "it is signed by itself"),
    "several servers": (several_servers, r"2 certificates could be meant: "),
    "PKCS #12 without its passphrase": (closed_pkcs12, "the PKCS #12 in it is encrypted"),
    "key without its passphrase": (closed_key, r"closed\.key: the key in it is encrypted"),
    "older key without its passphrase": (
        closed_old_key,
        r"closed\.key: the key in it is encrypted",
    ),
    "PKCS #12, wrong passphrase": (
        wrong_passphrase(pkcs12()),
        "the passphrase does not open the PKCS #12 in it",
    ),
    "key, wrong passphrase": (
        wrong_passphrase(encrypted_key("pkcs8", "-topk8", "-v2", "aes256")),
        "the passphrase does not open the key in it",
    ),
    "a request": (the_request_itself, "holds a request, not the certificate"),
    "a key only": (
        lambda at, of: ["--cert", key_of(at, of)],
        "holds a private key and no certificate",
    ),
    "other text": (file_of(lambda _: b"Dear colleague,\nsee below.\n"), "in any known form"),
    "empty": (file_of(lambda _: b"\r\n"), r"came\.pem: is empty"),
    "a PKCS #7 of nothing": (empty_pkcs7, r"came\.pem: holds no certificate"),
    "cut in half": (
        file_of(lambda of: of.leaf.pem[:300]),
        "cut short or damaged: the line '-----BEGIN CERTIFICATE-----' has no counterpart",
    ),
    "DER cut in half": (
        file_of(lambda of: of.leaf.der[:300]),
        r"came\.pem: is cut short or damaged",
    ),
    "flipped": (
        file_of(lambda of: of.leaf.pem.replace(of.leaf.pem[40:60], b"A" * 20)),
        "a (certificate|block) in it is damaged",
    ),
    "too large": (file_of(lambda of: of.leaf.pem * 3000), "longer than 1048576 bytes"),
    "a folder": (lambda at, _: ["--cert", at], "no regular file|Is a directory"),
    "missing": (lambda at, _: ["--cert", at / "nowhere.pem"], r"nowhere\.pem: No such file"),
    "no host": (lambda at, of: [*_fine(at, of), "--host", "a b"], "host 'a b' holds a blank"),
    "host that is not in it": (
        lambda at, of: [*_fine(at, of), "--host", "other.plant.example"],
        "name not covered: it does not cover other.plant.example",
    ),
}
# Kinds that say the same for a good reason: the rest of the line tells them apart.
ALIKE = {"older key without its passphrase"}


def _fine(at: Path, of: Organisation) -> Words:
    return ["--cert", certs_of(at, of), "--key", key_of(at, of)]


@pytest.mark.parametrize("kind", WRONG)
def test_what_clients_would_refuse_is_refused_in_one_line_and_nothing_changes(
    kind: str, home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    make, reason = WRONG[kind]
    words = make(tmp_path, organisation)
    before = state_of(home / "tls")
    done = install(home, *words)
    said = done.stderr.decode()
    assert done.returncode == 2, said
    assert re.search(reason, said), said
    assert said.startswith("depotserve: ")
    assert said.count("\n") == 1
    assert PASSPHRASE not in said
    assert state_of(home / "tls") == before


@pytest.mark.slow
def test_every_refusal_has_a_message_of_its_own(
    home: Path, tmp_path: Path, organisation: Organisation
) -> None:
    def refusal(kind: str) -> str:
        folder = tmp_path / kind.replace("#", "").replace(" ", "-")
        folder.mkdir()
        said = install(home, *WRONG[kind][0](folder, organisation)).stderr.decode()
        return said.replace(str(folder), "")

    with ThreadPoolExecutor(4) as pool:
        kinds = [kind for kind in WRONG if kind not in ALIKE]
        messages = list(pool.map(refusal, kinds))
    assert len(set(messages)) == len(messages) >= 12, sorted(messages)
