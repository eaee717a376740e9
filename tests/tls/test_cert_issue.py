from __future__ import annotations

import os
import subprocess
from datetime import timedelta
from typing import TYPE_CHECKING

import cert_kit as kit
import harness
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding, load_pem_private_key
from cryptography.x509.oid import NameOID

from depotserve import tls

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def home(tmp_path: Path, tree: Path) -> Path:
    return harness.make_home(tmp_path / "home", tree)


def openssl(*arguments: str | Path, stdin: str = "") -> str:
    """Run OpenSSL, which must succeed; give what it printed."""
    done = subprocess.run(
        ["openssl", *map(str, arguments)],
        input=stdin,
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    return done.stdout


def names(home: Path) -> tuple[str, ...]:
    return tls.describe((home / "tls" / "server.pem").read_bytes()).names


def test_an_issued_certificate_is_in_force_with_the_names_of_the_one_before(home: Path) -> None:
    before, authority = names(home), (home / "tls" / "authority.pem").read_bytes()
    old = kit.fingerprint(home / "tls" / "server.pem")
    done = kit.cert(home, "issue")
    assert done.returncode == 0, done.stderr
    new = kit.fingerprint(home / "tls" / "server.pem")
    assert new != old
    assert new in done.stdout.decode()
    assert names(home) == before
    assert (home / "tls" / "authority.pem").read_bytes() == authority
    assert {path.name for path in (home / "tls").iterdir()} == {
        "server.pem",
        "server.key",
        "authority.pem",
        "authority.key",
    }


# Outside check of cases.md, C03: OpenSSL prints what the certificate holds.
def test_addresses_are_addresses_and_names_are_normalised(home: Path) -> None:
    hosts = ["Files.LAN.", "10.0.0.5", "127.0.0.1", "::1", "bücher.example"]
    done = kit.cert(home, "issue", *(word for host in hosts for word in ("--host", host)))
    assert done.returncode == 0, done.stderr
    server = home / "tls" / "server.pem"
    shown = openssl("x509", "-in", server, "-noout", "-ext", "subjectAltName")
    assert "DNS:files.lan, IP Address:10.0.0.5, IP Address:127.0.0.1, IP Address:0:0:" in shown
    assert "DNS:xn--bcher-kva.example" in shown
    assert "DNS:1" not in shown


@pytest.mark.parametrize("host", ["https://files.lan", "files.lan:443", "a b", "", "*.lan"])
def test_what_is_no_host_is_refused(home: Path, host: str) -> None:
    assert f"host '{host}' " in kit.refused(home, "issue", "--host", host)


# cases.md, C05: 825 days at most; set back; never longer than the authority.
def test_a_life_of_ten_years_is_refused(home: Path) -> None:
    assert "31 to 825 days" in kit.refused(home, "issue", "--days", "3650")


def test_a_life_cut_by_the_authoritys_end_is_said(home: Path) -> None:
    late = kit.now() - timedelta(days=3652 - 30 - 30)
    pair = tls.authority.create("depot.plant.example", now=late)
    (home / "tls" / "authority.pem").write_bytes(pair.certificate)
    (home / "tls" / "authority.key").write_bytes(pair.key)
    done = kit.cert(home, "issue")
    assert done.returncode == 0, done.stderr
    assert b"ends with its authority, sooner than it could" in done.stdout
    assert kit.ends(home / "tls" / "server.pem") == kit.ends(home / "tls" / "authority.pem")


def test_openssl_takes_a_fresh_certificate_half_an_hour_ago(home: Path) -> None:
    assert kit.cert(home, "issue").returncode == 0
    when = str(int((kit.now() - timedelta(minutes=30)).timestamp()))
    folder = home / "tls"
    options = ["-x509_strict", "-purpose", "sslserver", "-attime", when]
    openssl("verify", *options, "-CAfile", folder / "authority.pem", folder / "server.pem")


# Kinds of key: what the leaf holds, by what was asked for.
KINDS = {
    "ecdsa": [ec.EllipticCurvePublicKey],
    "rsa": [rsa.RSAPublicKey],
    "both": [ec.EllipticCurvePublicKey, rsa.RSAPublicKey],
}


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_of_key_is_issued_and_kept_at_the_next_issue(home: Path, kind: str) -> None:
    for arguments in (["--key", kind], []):
        assert kit.cert(home, "issue", *arguments).returncode == 0
        content = (home / "tls" / "server.pem").read_bytes()
        found = [one.public_key() for one in x509.load_pem_x509_certificates(content)]
        assert len(found) == len(KINDS[kind])
        assert all(isinstance(key, each) for key, each in zip(found, KINDS[kind]))
    shown = openssl("pkey", "-in", home / "tls" / "server.key", "-noout", "-text")
    assert ("3072 bit" in shown) == (kind == "rsa")


@pytest.mark.parametrize(
    ("algorithms", "kind"),
    [("ECDSA+SHA256", "id-ecPublicKey"), ("RSA-PSS+SHA256", "rsaEncryption")],
)
def test_a_listener_with_both_gives_each_client_what_it_can_verify(
    home: Path, algorithms: str, kind: str
) -> None:
    harness.change_settings(home, listeners=[kit.TLS])
    assert kit.cert(home, "issue", "--key", "both").returncode == 0
    depot = harness.start(home)
    try:
        place = ["-connect", f"127.0.0.1:{depot.port}", "-sigalgs", algorithms]
        options = ["-CAfile", depot.authority, "-verify_return_error"]
        # The authority is of ECDSA: that a client verifies in any case, and with 1.3 it says so.
        given = openssl("s_client", *place, *options, "-tls1_2", "-showcerts", stdin="Q\n")
    except subprocess.CalledProcessError as error:
        given = error.stdout
    finally:
        depot.stop()
    begin, end = "-----BEGIN CERTIFICATE-----", "-----END CERTIFICATE-----"
    leaf = begin + given.partition(begin)[2].partition(end)[0] + end
    assert f"Public Key Algorithm: {kind}" in openssl("x509", "-noout", "-text", stdin=leaf)


def test_a_prepared_certificate_waits_until_it_is_activated(home: Path) -> None:
    server, waiting = home / "tls" / "server.pem", home / "tls" / "server-next.pem"
    old = server.read_bytes()
    done = kit.cert(home, "issue", "--prepare")
    assert done.returncode == 0, done.stderr
    assert kit.fingerprint(waiting) in done.stdout.decode()
    assert server.read_bytes() == old
    new = waiting.read_bytes()
    done = kit.cert(home, "issue", "--activate")
    assert done.returncode == 0, done.stderr
    assert server.read_bytes() == new
    assert not waiting.exists()
    assert not (home / "tls" / "server-next.key").exists()
    line = kit.refused(home, "issue", "--activate")
    assert "no certificate is prepared" in line


def test_what_excludes_each_other_is_refused(home: Path, tmp_path: Path) -> None:
    line = kit.refused(home, "issue", "--prepare", "--activate")
    assert "exclude each other" in line
    assert "belong together" in kit.refused(home, "issue", "--out", tmp_path / "x")
    for options in (["--host", "a.example"], ["--key", "rsa"], ["--days", "90"]):
        for mode in ("--activate", "--when-due"):
            line = kit.refused(home, "issue", mode, *options)
            assert f"{options[0]} has no meaning with {mode}" in line
    line = kit.refused(home, "issue", "--activate", "--authority-key", tmp_path / "x")
    assert "has no meaning with --activate" in line
    asked, out = request(tmp_path, "-addext", SAN), tmp_path / "answer.pem"
    line = kit.refused(home, "issue", "--for-request", asked, "--out", out, "--key", "rsa")
    assert "--key has no meaning with --for-request" in line


def test_keys_are_born_secret_whatever_the_umask_is(home: Path) -> None:
    through = ["sh", "-c", 'umask 000; exec "$@"', "sh"]
    assert kit.cert(home, "issue", "--key", "both", through=through).returncode == 0
    assert kit.cert(home, "issue", "--prepare", through=through).returncode == 0
    assert kit.cert(home, "authority", "new", through=through).returncode == 0
    modes = {
        path.name: path.stat().st_mode & 0o777
        for path in (home / "tls").iterdir()
        if b"PRIVATE KEY" in path.read_bytes()
    }
    assert modes == dict.fromkeys(
        ("server.key", "server-next.key", "authority.key", "authority-next.key"), 0o600
    )


# The authority's key, with a passphrase and away from the box.


def test_an_authority_with_a_passphrase_signs_for_who_knows_it(home: Path, tmp_path: Path) -> None:
    key, word = home / "tls" / "authority.key", tmp_path / "word"
    word.write_text("intake screen nine\n")
    # Outside check: encrypted by OpenSSL, as DEVELOPERS and the help say.
    encrypted = openssl(
        "pkcs8", "-topk8", "-v2", "aes-256-cbc", "-in", key, "-passout", f"file:{word}"
    )
    key.write_text(encrypted)
    line = kit.refused(home, "issue")
    assert "there is no terminal to ask" in line
    assert "--authority-passphrase-file" in line
    wrong = tmp_path / "wrong"
    wrong.write_text("intake screen ten\n")
    line = kit.refused(home, "issue", "--authority-passphrase-file", wrong)
    assert "the passphrase is not its own" in line
    assert "intake" not in line
    done = kit.cert(home, "issue", "--authority-passphrase-file", word)
    assert done.returncode == 0, done.stderr
    done = kit.cert(home, "issue", "--authority-passphrase-file", "-", stdin=word.read_bytes())
    assert done.returncode == 0, done.stderr
    assert key.read_text() == encrypted


def test_an_authority_whose_key_is_kept_elsewhere_signs_when_it_is_named(
    home: Path, tmp_path: Path
) -> None:
    away = tmp_path / "authority.key"
    (home / "tls" / "authority.key").rename(away)
    assert "--authority-key FILE" in kit.refused(home, "issue")
    done = kit.cert(home, "issue", "--authority-key", away)
    assert done.returncode == 0, done.stderr
    assert not (home / "tls" / "authority.key").exists()
    assert b"kept elsewhere" in kit.cert(home, "show").stdout
    other = tls.authority.create("other.plant.example")
    away.write_bytes(other.key)
    assert "does not belong to the key" in kit.refused(home, "issue", "--authority-key", away)


# Another depot's request.


def request(folder: Path, *options: str) -> Path:
    """Make a request with OpenSSL."""
    key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]
    out = folder / "request.csr"
    openssl("req", *key, "-keyout", folder / "other.key", "-out", out, "-subj", "/CN=x", *options)
    return out


SAN = "subjectAltName=DNS:second.plant.example,IP:10.0.0.9"


def test_another_depots_request_is_signed_and_verifies(home: Path, tmp_path: Path) -> None:
    asked = request(tmp_path, "-addext", SAN, "-addext", "basicConstraints=critical,CA:TRUE")
    before = kit.everything(home)
    out = tmp_path / "answer.pem"
    done = kit.cert(home, "issue", "--for-request", asked, "--out", out)
    assert done.returncode == 0, done.stderr
    assert kit.everything(home) == before
    leaf, root = x509.load_pem_x509_certificates(out.read_bytes())
    assert root == kit.load(home / "tls" / "authority.pem")
    assert tls.describe_certificate(leaf).names == ("second.plant.example", "10.0.0.9")
    # What else the request asked for does not count.
    assert not leaf.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    options = ["-x509_strict", "-purpose", "sslserver", "-verify_hostname", "second.plant.example"]
    openssl("verify", *options, "-CAfile", home / "tls" / "authority.pem", out)


def test_names_that_are_given_count_before_the_requests(home: Path, tmp_path: Path) -> None:
    asked, out = request(tmp_path, "-addext", SAN), tmp_path / "answer.pem"
    options = ["--for-request", asked, "--out", out, "--host", "third.plant.example"]
    assert kit.cert(home, "issue", *options).returncode == 0
    assert tls.describe(out.read_bytes()).names == ("third.plant.example",)


def test_requests_that_cannot_be_signed_are_refused(home: Path, tmp_path: Path) -> None:
    out = tmp_path / "answer.pem"
    sign = ["issue", "--for-request", tmp_path / "request.csr", "--out", out]
    request(tmp_path)
    assert "needs at least one host" in kit.refused(home, *sign)
    request(tmp_path, "-addext", "subjectAltName=DNS:*.plant.example")
    assert "is a pattern" in kit.refused(home, *sign)
    openssl(
        *("req", "-newkey", "rsa:1024", "-nodes", "-keyout", tmp_path / "k", "-subj", "/CN=x"),
        *("-addext", SAN, "-out", tmp_path / "request.csr"),
    )
    assert "is none that clients take" in kit.refused(home, *sign)
    whole = request(tmp_path, "-addext", SAN, "-outform", "DER").read_bytes()
    (tmp_path / "request.csr").write_bytes(whole[:-1] + bytes([whole[-1] ^ 1]))
    assert "the request " in kit.refused(home, *sign)
    (tmp_path / "request.csr").write_bytes(os.urandom(3000))
    assert "cannot be read" in kit.refused(home, *sign)
    (tmp_path / "request.csr").write_bytes(b"x" * (1 << 21))
    assert "longer than" in kit.refused(home, *sign)
    assert not out.exists()


def test_an_answer_never_lands_in_served_content(home: Path, tmp_path: Path, tree: Path) -> None:
    asked = request(tmp_path, "-addext", SAN)
    line = kit.refused(home, "issue", "--for-request", asked, "--out", tree / "answer.pem")
    assert "lies in the content" in line
    assert not (tree / "answer.pem").exists()


def test_an_answer_takes_the_place_of_regular_files_outside_the_home_only(
    home: Path, tmp_path: Path, tree: Path
) -> None:
    asked = request(tmp_path, "-addext", SAN)
    content = tree / "f26.bin"
    link, pipe = tmp_path / "link", tmp_path / "pipe"
    link.symlink_to(content)
    os.mkfifo(pipe)
    before = content.read_bytes()
    for out in (home / "tls" / "authority.key", link, pipe, tmp_path, "/dev/null"):
        kit.refused(home, "issue", "--for-request", asked, "--out", out)
    assert content.read_bytes() == before
    assert pipe.is_fifo()
    assert not os.path.isfile("/dev/null")


def test_a_request_for_more_names_than_clients_read_is_refused(home: Path, tmp_path: Path) -> None:
    names = ",".join(f"DNS:h{number}.example" for number in range(301))
    asked = request(tmp_path, "-addext", f"subjectAltName={names}")
    line = kit.refused(home, "issue", "--for-request", asked, "--out", tmp_path / "answer.pem")
    assert "301 hosts are too many" in line


# Who puts a certificate of another make in the authority's place -> what is said.
OTHERS = {
    "a server's": (["subjectKeyIdentifier=hash", "basicConstraints=CA:FALSE"], "marked as none"),
    "one without key identifier": (["basicConstraints=CA:TRUE"], "key identifier"),
    "one that may not sign": (
        ["subjectKeyIdentifier=hash", "basicConstraints=CA:TRUE", "keyUsage=digitalSignature"],
        "may not sign",
    ),
}


@pytest.mark.parametrize("other", OTHERS)
def test_an_authority_whose_leaves_no_client_takes_issues_nothing(
    home: Path, tmp_path: Path, other: str
) -> None:
    lines, word = OTHERS[other]
    settings = tmp_path / "openssl.cnf"
    head = ["[req]", "distinguished_name=d", "x509_extensions=e", "[d]", "[e]"]
    settings.write_text("\n".join([*head, *lines, ""]))
    folder = home / "tls"
    openssl(
        *("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=x", "-config", settings),
        *("-keyout", folder / "authority.key", "-out", folder / "authority.pem"),
    )
    if other == "one without key identifier":  # OpenSSL 3 adds one by itself
        openssl_without_identifier(folder)
    assert word in kit.refused(home, "issue")


def openssl_without_identifier(folder: Path) -> None:
    key = load_pem_private_key((folder / "authority.key").read_bytes(), None)
    assert isinstance(key, rsa.RSAPrivateKey)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "x")])
    made = (
        x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
        .not_valid_before(kit.now() - kit.DAY)
        .not_valid_after(kit.now() + kit.DAY)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    (folder / "authority.pem").write_bytes(made.public_bytes(Encoding.PEM))
