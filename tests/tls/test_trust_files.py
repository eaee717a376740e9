"""The forms in which clients get the authorities, read back by OpenSSL."""

from __future__ import annotations

import shlex
import shutil
import subprocess
from ipaddress import ip_address
from typing import TYPE_CHECKING

import pytest
from cryptography import x509

from depotserve import tls
from depotserve.config import Listener
from depotserve.errors import CallerError
from depotserve.tls import trust

if TYPE_CHECKING:
    from pathlib import Path

PEM_MANY = ("redhat", "python", "curl", "container")
PEM_ONE = ("debian", "firefox")
DER_ONE = ("windows", "macos")
# Cases, C02: PBES2 (RFC 8018 appendix A.4), pbeWithSHAAnd3-KeyTripleDES-CBC (RFC 7292 appendix C).
PBES2, TRIPLE_DES = "1.2.840.113549.1.5.13", "1.2.840.113549.1.12.1.3"
TRUSTED_BY_JAVA = "2.16.840.1.113894.746875.1.1"  # the attribute that the JDK's keytool writes


@pytest.fixture(scope="module")
def anchors() -> tuple[x509.Certificate, ...]:
    pairs = (tls.authority.create("depot.plant.example") for _ in range(2))
    return tuple(x509.load_pem_x509_certificate(pair.certificate) for pair in pairs)


def openssl(*arguments: str, stdin: bytes = b"") -> str:
    done = subprocess.run(
        ["openssl", *arguments], input=stdin, capture_output=True, timeout=30, check=False
    )
    assert done.returncode == 0, done.stderr
    return (done.stdout + done.stderr).decode()


def inside(store: bytes, file: Path, *, word: str = trust.STORE_WORD) -> str:
    """Give what OpenSSL says of a store: MAC, ciphers, bags and their attributes."""
    file.write_bytes(store)
    said = ["-info", "-nokeys", "-legacy", "-passin", f"pass:{word}", "-in", str(file)]
    return openssl("pkcs12", *said)


def der(identifier: str) -> bytes:
    """Give an object identifier as its DER octets, by OpenSSL."""
    done = subprocess.run(
        ["openssl", "asn1parse", "-genstr", f"OID:{identifier}", "-out", "-", "-noout"],
        capture_output=True,
        timeout=30,
        check=True,
    )
    return done.stdout


def test_the_default_store_is_pbes2_with_a_sha256_mac(
    anchors: tuple[x509.Certificate, ...], tmp_path: Path
) -> None:
    (store,) = trust.form("java", anchors).contents
    assert der(PBES2) in store
    assert der(TRIPLE_DES) not in store
    said = inside(store, tmp_path / "store")
    assert "MAC: sha256" in said
    assert "PBES2, PBKDF2, AES-256-CBC" in said


def test_the_compatible_store_is_triple_des_with_a_sha1_mac(
    anchors: tuple[x509.Certificate, ...], tmp_path: Path
) -> None:
    (store,) = trust.form("java", anchors, compatible=True).contents
    assert der(TRIPLE_DES) in store
    assert der(PBES2) not in store
    said = inside(store, tmp_path / "store")
    assert "MAC: sha1" in said
    assert "pbeWithSHA1And3-KeyTripleDES-CBC" in said


@pytest.mark.parametrize("compatible", [False, True])
def test_a_store_holds_every_authority_marked_as_trusted_under_a_name_of_its_own(
    anchors: tuple[x509.Certificate, ...], tmp_path: Path, *, compatible: bool
) -> None:
    (store,) = trust.form("java", anchors, compatible=compatible).contents
    said = inside(store, tmp_path / "store")
    assert said.count("BEGIN CERTIFICATE") == 2
    assert said.count(TRUSTED_BY_JAVA) == 2
    names = {line for line in said.splitlines() if "friendlyName" in line}
    assert len(names) == 2


def test_a_store_opens_with_its_own_word_only(
    anchors: tuple[x509.Certificate, ...], tmp_path: Path
) -> None:
    (store,) = trust.form("java", anchors, word="intake heron 9").contents
    assert "BEGIN CERTIFICATE" in inside(store, tmp_path / "store", word="intake heron 9")
    wrong = ["openssl", "pkcs12", "-nokeys", "-in", str(tmp_path / "store"), "-passin"]
    for word in (trust.STORE_WORD, ""):
        done = subprocess.run([*wrong, f"pass:{word}"], capture_output=True, check=False)
        assert done.returncode != 0


@pytest.mark.parametrize(
    ("word", "reason"),
    [("", "empty word"), ("caf\u00e9", "printable ASCII"), ("a\tb", "printable ASCII")],
)
def test_a_word_that_not_every_java_takes_is_refused(
    anchors: tuple[x509.Certificate, ...], word: str, reason: str
) -> None:
    with pytest.raises(CallerError, match=reason) as caught:
        trust.form("java", anchors, word=word)
    assert not word or word not in str(caught.value)


@pytest.mark.parametrize("client", [*PEM_MANY, *PEM_ONE, *DER_ONE])
def test_only_java_has_a_compatible_form(
    anchors: tuple[x509.Certificate, ...], client: str
) -> None:
    with pytest.raises(CallerError, match="it is for java"):
        trust.form(client, anchors, compatible=True)


@pytest.mark.parametrize("client", PEM_MANY)
def test_all_authorities_stand_in_one_pem_file(
    anchors: tuple[x509.Certificate, ...], client: str
) -> None:
    (content,) = trust.form(client, anchors).contents
    assert tuple(x509.load_pem_x509_certificates(content)) == anchors
    assert content.endswith(b"-----END CERTIFICATE-----\n")


@pytest.mark.parametrize("client", PEM_ONE)
def test_each_authority_has_a_pem_file_of_its_own(
    anchors: tuple[x509.Certificate, ...], client: str
) -> None:
    contents = trust.form(client, anchors).contents
    assert [x509.load_pem_x509_certificates(content) for content in contents] == [
        [anchor] for anchor in anchors
    ]


@pytest.mark.parametrize("client", DER_ONE)
def test_each_authority_has_a_der_file_of_its_own(
    anchors: tuple[x509.Certificate, ...], client: str
) -> None:
    contents = trust.form(client, anchors).contents
    for content, anchor in zip(contents, anchors):
        shown = openssl(
            "x509", "-inform", "DER", "-noout", "-fingerprint", "-sha256", stdin=content
        )
        assert shown.strip().rpartition("=")[2] == trust.fingerprint(anchor)
    assert len(contents) == 2


def test_every_client_is_tried_here() -> None:
    assert {"java", *PEM_MANY, *PEM_ONE, *DER_ONE} == set(trust.CLIENTS)


# Cases, C07: what is handed out holds no private key.
@pytest.mark.parametrize("client", trust.CLIENTS)
def test_no_file_holds_a_private_key(
    anchors: tuple[x509.Certificate, ...], client: str, tmp_path: Path
) -> None:
    for content in trust.form(client, anchors).contents:
        assert b"PRIVATE KEY" not in content
        if client == "java":
            (tmp_path / "store").write_bytes(content)
            word = ["-passin", f"pass:{trust.STORE_WORD}", "-in", str(tmp_path / "store")]
            assert "PRIVATE KEY" not in openssl("pkcs12", "-nodes", "-legacy", *word)


def test_an_authority_without_a_common_name_is_called_by_its_subject() -> None:
    pair = tls.authority.create("depot.plant.example")
    certificate = x509.load_pem_x509_certificate(pair.certificate)
    assert trust.common_name(certificate).startswith("Depot authority ")


LISTENER = Listener("0.0.0.0", 8443)  # noqa: S104
LOOPBACK = [ip_address("127.0.0.1"), ip_address("::1")]


@pytest.mark.parametrize(
    ("names", "addresses", "expected"),
    [
        (["depot.plant.example", "localhost"], LOOPBACK, ["depot.plant.example", "127.0.0.1"]),
        (["localhost", "depot.plant.example"], [], ["depot.plant.example"]),
        (["localhost"], LOOPBACK[1:], ["localhost", "[::1]"]),
        ([], [*LOOPBACK, ip_address("2001:db8::7")], ["[2001:db8::7]"]),
        ([], [ip_address("2001:db8::7"), ip_address("192.0.2.7")], ["192.0.2.7"]),
        (["*.plant.example"], [], ["HOST.plant.example"]),
        (["*.plant.example", "depot.plant.example"], [], ["depot.plant.example"]),
        ([], [], []),
    ],
)
def test_a_depot_is_found_by_a_name_and_an_address_that_other_machines_can_use(
    names: list[str], addresses: list[object], expected: list[str]
) -> None:
    found = trust.places(names, addresses, [LISTENER])  # type: ignore[arg-type]
    assert list(found) == [f"{host}:8443" for host in expected]


@pytest.mark.parametrize(
    ("listeners", "port"),
    [
        ([("redirect", 80), ("modern", 443)], "443"),
        ([("none", 80), ("modern", 0)], "PORT"),
        ([("legacy", 9443), ("modern", 8443), ("modern", 8444)], "8443"),
        ([("legacy", 9443)], "9443"),
    ],
)
def test_the_port_is_that_of_the_first_usual_listener_with_tls(
    listeners: list[tuple[str, int]], port: str
) -> None:
    made = [Listener("192.0.2.7", number, kind) for kind, number in listeners]
    assert trust.places(["depot"], [], made) == (f"depot:{port}",)


def test_a_depot_without_tls_has_nothing_to_trust() -> None:
    with pytest.raises(CallerError, match="no listener speaks TLS"):
        trust.places(["depot"], [], [Listener("127.0.0.1", 80, "none")])


# What must never be advised: each of these turns a client's check off.
OFF = ("insecure", "curl -k", "no-check", "verify=false", "cert_none", "skip", "unverified")
OFF += ("verify-peer", "trusted-host", "trustall")


@pytest.mark.parametrize("client", trust.CLIENTS)
def test_every_client_is_told_how_to_compare_install_and_test(
    anchors: tuple[x509.Certificate, ...], client: str
) -> None:
    files = tuple(f"-my 'trust' {number}.x" for number in (1, 2))
    given = trust.Given(anchors, files, ("depot.plant.example:8443", "192.0.2.7:8443"))
    way = trust.direct(client, given)
    for steps in (way.compare, way.install, way.test):
        assert steps
        assert all(step.say for step in steps)
    text = str([*way.compare, *way.install, *way.test])
    assert "another channel" in way.compare[0].say
    for place in given.places:
        assert f"https://{place}/_depot/health" in text
    assert not [word for word in OFF if word in text.lower()]


@pytest.mark.parametrize("client", [each for each in trust.CLIENTS if each != "windows"])
def test_no_file_name_is_an_option_or_a_command_of_its_own(
    anchors: tuple[x509.Certificate, ...], client: str, tmp_path: Path
) -> None:
    names = ("-x; touch harm #'\"$(touch harm)", "a=b `touch harm`")
    given = trust.Given(anchors, names, ("depot:8443",))
    assert [shlex.split(file) for file in given.files] == [[f"./{name}"] for name in names]
    # Of all programs only this one can be run.
    (tmp_path / "bin").mkdir()
    (tmp_path / "bin" / "touch").symlink_to(shutil.which("touch") or "")
    env = {"PATH": str(tmp_path / "bin"), "HOME": str(tmp_path)}
    way = trust.direct(client, given)
    for line in (line for step in (*way.compare, *way.install, *way.test) for line in step.run):
        subprocess.run(["/bin/sh", "-c", line], env=env, cwd=tmp_path, check=False)
    assert not (tmp_path / "harm").exists()
    subprocess.run(["/bin/sh", "-c", f"true {names[0]}"], env=env, cwd=tmp_path, check=False)
    assert (tmp_path / "harm").exists()


def test_powershell_gets_names_in_its_own_quotes(anchors: tuple[x509.Certificate, ...]) -> None:
    given = trust.Given(anchors[:1], ("it's $x.cer",), ("depot:8443",))
    text = "\n".join(line for step in trust.direct("windows", given).install for line in step.run)
    assert "-FilePath 'it''s $x.cer' " in text


def test_several_authorities_are_explained(anchors: tuple[x509.Certificate, ...]) -> None:
    one = trust.direct("curl", trust.Given(anchors[:1], ("a",), ("depot:8443",)))
    two = trust.direct("curl", trust.Given(anchors, ("a",), ("depot:8443",)))
    assert "one follows another" not in str(one.compare)
    assert "one follows another" in str(two.compare)


def test_each_java_form_says_which_java_reads_it(anchors: tuple[x509.Certificate, ...]) -> None:
    new = trust.direct("java", trust.Given(anchors, ("a",), ("depot:8443",)))
    old = trust.direct("java", trust.Given(anchors, ("a",), ("depot:8443",), compatible=True))
    # CSR JDK-8267701: HmacPBESHA256 came with 8u301, 11.0.12 and 12.
    assert "Java 8 from update 301, by 11 from 11.0.12, and by 12 and later" in str(new.install)
    assert "every Java from 8 on" in str(old.install)
    assert "a trust store holds no secret" in str(new.install)
