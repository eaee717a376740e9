"""Cases B01 to B03, B05, B06 and X05 as clients meet them: who is let in over HTTP."""

from __future__ import annotations

import base64
import re
import shutil
import subprocess
import time
import unicodedata
from typing import TYPE_CHECKING

import case_tree
import harness
import pytest
import serving
from case_tree import ALPHABET, APR1, HASHES, ask

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

UMLAUTS = "p\u00e4ssw\u00f6rd"
# One user a passphrase: the users file has one hash a name.
USERS = {
    "ann": HASHES["s3cret"],
    "bob": APR1,
    "colon": HASHES["se:cr:et"],
    "percent": HASHES["p%2Bw@x"],
    "umlaut": HASHES[UMLAUTS],
    "lead": HASHES[" lead"],
    "long": HASHES["a" * 72],
    "j\u00fcrgen": HASHES["s3cret"],
}
CHALLENGE = 'Basic realm="depot", charset="UTF-8"'


@pytest.fixture(scope="module")
def depot(tmp_path_factory: pytest.TempPathFactory) -> Iterator[harness.RunningDepot]:
    root = case_tree.make(tmp_path_factory.mktemp("signing-in"))
    users = "".join(f"{name}:{known}\n" for name, known in USERS.items())
    throttle = {"failures": 100, "seconds": 1}
    mount = serving.mount("/", root)
    with serving.serving(root.parent, mount, users=users, throttle=throttle) as running:
        yield running


def basic(name: str, passphrase: bytes | str) -> str:
    """Write the field that RFC 7617 section 2 makes of a name and a passphrase."""
    octets = passphrase.encode() if isinstance(passphrase, str) else passphrase
    return f"Authorization: Basic {base64.b64encode(name.encode() + b':' + octets).decode()}"


def sign_in(depot: harness.RunningDepot, *fields: str, method: str = "GET") -> harness.Answer:
    return ask(depot, "/f26.bin", *fields, method=method, signed_in=False)


# B01, B02, B03 (the server's side) and B05.
@pytest.mark.parametrize(
    ("name", "passphrase"),
    [
        ("ann", "s3cret"),
        ("bob", "s3cret"),
        ("colon", "se:cr:et"),
        ("percent", "p%2Bw@x"),
        ("umlaut", UMLAUTS),
        ("umlaut", unicodedata.normalize("NFD", UMLAUTS)),
        ("lead", " lead"),
        ("long", "a" * 72),
        ("j\u00fcrgen", "s3cret"),
    ],
)
def test_the_right_passphrase_lets_its_user_in(
    depot: harness.RunningDepot, name: str, passphrase: str
) -> None:
    got = sign_in(depot, basic(name, passphrase))
    assert (got.status, got.body) == (200, ALPHABET)


@pytest.mark.parametrize(
    ("name", "passphrase"),
    [
        ("ann", "x"),
        ("ann", ""),
        ("ann", "s3cret "),
        ("ann", "s3cret\0"),
        ("bob", "x"),
        ("colon", "se"),
        ("percent", "p+w@x"),
        ("umlaut", UMLAUTS.encode("latin-1")),
        ("umlaut", b"\xff\xfe"),
        ("lead", "lead"),
        ("long", "a" * 71),
        ("long", "a" * 73),
        ("nobody", "s3cret"),
        ("ANN", "s3cret"),
    ],
)
def test_a_wrong_passphrase_gets_a_challenge(
    depot: harness.RunningDepot, name: str, passphrase: bytes | str
) -> None:
    got = sign_in(depot, basic(name, passphrase))
    assert (got.status, got.get("www-authenticate")) == (401, CHALLENGE)


def test_a_passphrase_of_a_hundred_kilobytes_is_refused_at_once(
    depot: harness.RunningDepot,
) -> None:
    start = time.monotonic()
    received = serving.ask(
        depot.port, harness.get("/f26.bin", basic("ann", "s" * 100_000), signed_in=False)
    )
    assert received.status in {400, 401, 431}
    assert received.closed
    assert time.monotonic() - start < 1


@pytest.mark.parametrize(
    "field",
    ["Basic !!!!", "Basic YW5uOnMzY3JldA", f"Basic {base64.b64encode(bytes([255, 254])).decode()}"],
)
def test_credentials_that_can_not_be_read_get_a_challenge(
    depot: harness.RunningDepot, field: str
) -> None:
    got = sign_in(depot, f"Authorization: {field}")
    assert (got.status, got.get("www-authenticate")) == (401, CHALLENGE)


@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("end", ["", "\r\n"])
def test_a_users_file_edited_on_another_system_lets_its_users_in(
    tmp_path: Path, mark: str, end: str
) -> None:
    # B03: a byte order mark, CR LF, trailing blanks, and no line end at the end.
    root = case_tree.make(tmp_path)
    users = f"{mark}ann:{HASHES['s3cret']}\r\nbob:{APR1} \t{end}"
    with serving.serving(tmp_path, serving.mount("/", root), users=users) as depot:
        for name in ("ann", "bob"):
            assert sign_in(depot, basic(name, "s3cret")).status == 200
            assert sign_in(depot, basic(name, "x")).status == 401
    assert "Traceback" not in depot.log()
    assert "error reading bcrypt version" not in depot.log()


# B06: RFC 9110 sections 11.1, 11.4 and 11.6.1, RFC 7617 section 2.
@pytest.mark.parametrize("scheme", ["basic", "BASIC", "bAsIc", "Basic "])
def test_the_name_of_the_scheme_is_taken_in_any_case(
    depot: harness.RunningDepot, scheme: str
) -> None:
    assert sign_in(depot, f"Authorization: {scheme} YW5uOnMzY3JldA==").status == 200


@pytest.mark.parametrize(
    "fields", [[], ["Authorization:"], ["Authorization: Bearer x"], ["Authorization: Basic"]]
)
def test_no_credentials_get_a_challenge(depot: harness.RunningDepot, fields: list[str]) -> None:
    got = sign_in(depot, *fields)
    assert (got.status, got.get("www-authenticate")) == (401, CHALLENGE)


def test_two_sets_of_credentials_are_refused(depot: harness.RunningDepot) -> None:
    good, bad = basic("ann", "s3cret"), basic("ann", "x")
    for pair in ((good, bad), (bad, good), (good, good)):
        got = sign_in(depot, *pair)
        assert got.status == 400
        assert ALPHABET not in got.body


@pytest.mark.parametrize("method", ["GET", "HEAD", "OPTIONS"])
@pytest.mark.parametrize("field", ["Accept: */*", "Range: bytes=0-1", "If-None-Match: *"])
def test_nothing_about_a_file_shows_without_credentials(
    depot: harness.RunningDepot, method: str, field: str
) -> None:
    there, missing = (
        ask(depot, target, field, method=method, signed_in=False)
        for target in ("/f26.bin", "/no-such-file")
    )
    assert there.status == missing.status == 401
    assert without_date(there) == without_date(missing)
    assert there.body == missing.body
    for name in ("etag", "last-modified", "content-range", "accept-ranges", "allow"):
        assert there.get(name) is None


@pytest.mark.parametrize("target", ["/d", "/d/", "/d/inner.txt", "/none/none", "/.git/config"])
def test_every_address_gives_the_same_challenge(depot: harness.RunningDepot, target: str) -> None:
    got, root = (ask(depot, one, signed_in=False) for one in (target, "/"))
    assert got.status == 401
    assert (without_date(got), got.body) == (without_date(root), root.body)


def without_date(answer: harness.Answer) -> list[tuple[str, str]]:
    return [field for field in answer.headers if field[0] != "date"]


def test_wget_waits_for_the_challenge_and_signs_in(
    depot: harness.RunningDepot, tmp_path: Path
) -> None:
    config = tmp_path / "wgetrc"
    config.write_text(f"user = {harness.USER}\npassword = {harness.PASSPHRASE}\n")
    wget = [harness.need("wget"), f"--config={config}", "--no-proxy", "--tries=1", "-q", "-O", "-"]
    done = subprocess.run(
        [*wget, f"{depot.url}f26.bin"], capture_output=True, timeout=60, check=False
    )
    assert (done.returncode, done.stdout) == (0, ALPHABET)


_JAVA = """
import java.net.*;
import java.nio.charset.StandardCharsets;
import java.nio.file.*;

public class Fetch {
    public static void main(String[] words) throws Exception {
        String secret = Files.readString(Path.of(words[1])).trim();
        Authenticator.setDefault(new Authenticator() {
            protected PasswordAuthentication getPasswordAuthentication() {
                return new PasswordAuthentication("ann", secret.toCharArray());
            }
        });
        HttpURLConnection one = (HttpURLConnection) new URI(words[0]).toURL().openConnection();
        System.out.write(one.getInputStream().readAllBytes());
        System.out.flush();
    }
}
"""


@pytest.mark.slow
def test_java_signs_in_by_its_authenticator(depot: harness.RunningDepot, tmp_path: Path) -> None:
    # X01 too: java sends its default Accept field, whose ".2" is no weight of RFC 9110.
    java = harness.need("java", found=bool(shutil.which("java") and shutil.which("javac")))
    (tmp_path / "Fetch.java").write_text(_JAVA)
    (tmp_path / "secret").write_text(harness.PASSPHRASE)
    command = [java, "-Djava.net.useSystemProxies=false", str(tmp_path / "Fetch.java")]
    environment = harness.environment({"JAVA_TOOL_OPTIONS": "-Dhttp.nonProxyHosts=*"})
    done = subprocess.run(
        [*command, f"{depot.url}f26.bin", str(tmp_path / "secret")],
        capture_output=True,
        timeout=120,
        env=environment,
        check=False,
    )
    assert (done.returncode, done.stdout) == (0, ALPHABET), done.stderr


# X05.
def test_a_name_with_an_umlaut_stays_one_field_of_the_log(depot: harness.RunningDepot) -> None:
    assert ask(depot, "/x?x05", basic("j\u00fcrgen", "s3cret"), signed_in=False).status == 200
    line = line_with(depot, "?x05")
    assert re.match(r'127\.0\.0\.1 - j\u00fcrgen \[[^]]+\] "GET /x\?x05 HTTP/1\.1" 200 1 ', line)
    listed = harness.succeed("user", "list", "--home", depot.home).decode()
    assert "j\u00fcrgen" in listed


def line_with(depot: harness.RunningDepot, text: str) -> str:
    """Wait for the one line of the access log that holds `text`."""
    serving.wait_for(lambda: text in depot.access_log())
    (line,) = [line for line in depot.access_log().split("\n") if text in line]
    return line
