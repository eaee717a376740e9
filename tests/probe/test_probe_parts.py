"""The probe's decisions without a socket: addresses, records, listings, digests, proxies."""

from __future__ import annotations

import gzip
import hashlib
import random
import ssl
import subprocess
from typing import TYPE_CHECKING, Any

import papers
import pytest
from looking import look, words
from stubs import Shelf, listening

from depotserve.errors import CallerError
from depotserve.probe import parse_address
from depotserve.probe.digests import Hasher, list_names, listed_digest, parse_repr_digest
from depotserve.probe.issuers import Gap, reach
from depotserve.probe.listings import choose, parse_listing
from depotserve.probe.message import BadMessageError, Framing, parse_head
from depotserve.probe.name import proxy_words
from depotserve.probe.presented import Presented
from depotserve.probe.records import alert_in, certificates_in, looks_like_tls

if TYPE_CHECKING:
    from pathlib import Path

ORIGIN = "https://h.example"


@pytest.mark.parametrize(
    ("url", "origin", "target"),
    [
        ("https://h.example/base", "https://h.example", "/base/f"),
        ("https://h.example/base/", "https://h.example", "/base/f"),
        ("https://h.example", "https://h.example", "/f"),
        ("https://h.example:8443/", "https://h.example:8443", "/f"),
        ("http://h.example:80/a%20b", "http://h.example", "/a%20b/f"),
        ("https://[2001:db8::1]:8443/x/", "https://[2001:db8::1]:8443", "/x/f"),
        ("HTTPS://H.Example./", "https://h.example", "/f"),
        ("https://b\u00fccher.example/", "https://xn--bcher-kva.example", "/f"),
    ],
)
def test_a_file_is_joined_to_the_base(url: str, origin: str, target: str) -> None:
    address = parse_address(url)
    assert address.origin == origin
    assert address.join("f") == address.join("/f") == target


def test_a_name_is_joined_as_it_is() -> None:
    address = parse_address("https://h.example/")
    assert address.join("a b/c?d#e%.bin") == "/a%20b/c%3Fd%23e%25.bin"
    with pytest.raises(CallerError, match="leaves"):
        address.join("a/../../b")


@pytest.mark.parametrize(
    ("url", "inside"),
    [
        ("https://h.example/x", "/x"),
        ("https://h.example/\u00e9 x?a b", "/%E9%20x?a%20b"),
        ("https://h.example:443/x?y=1", "/x?y=1"),
        ("https://H.EXAMPLE/x", "/x"),
        ("http://h.example/x", None),
        ("https://h.example:8443/x", None),
        ("https://h.example.evil.example/x", None),
        ("https://h.example@evil.example/x", None),
        ("ftp://h.example/x", None),
        ("https://h.example/\r\nX: y", "/X:%20y"),  # urlsplit takes CR and LF out
    ],
)
def test_only_the_same_origin_is_inside(url: str, inside: str | None) -> None:
    assert parse_address("https://h.example/").target_of(url) == inside


def message(*ders: bytes) -> bytes:
    """Write a Certificate message (RFC 5246 section 7.4.2) after another message."""
    listed = b"".join(len(der).to_bytes(3, "big") + der for der in ders)
    body = len(listed).to_bytes(3, "big") + listed
    return b"\x02\x00\x00\x02ab" + b"\x0b" + len(body).to_bytes(3, "big") + body


def records(stream: bytes, size: int) -> bytes:
    """Cut a stream of handshake messages into records of TLS 1.2."""
    parts = [stream[at : at + size] for at in range(0, len(stream), size)]
    return b"".join(b"\x16\x03\x03" + len(one).to_bytes(2, "big") + one for one in parts)


@pytest.mark.parametrize("size", [1, 3, 7, 100, 16384])
def test_certificates_are_read_across_records(size: int) -> None:
    stream = message(b"leaf", b"x" * 300)
    assert certificates_in(records(stream, size)) == [b"leaf", b"x" * 300]


def test_a_message_cut_anywhere_gives_no_certificate() -> None:
    whole = records(message(b"leaf", b"issuer"), 16384)
    assert all(certificates_in(whole[:end]) == [] for end in range(len(whole)))


def test_bytes_of_any_kind_are_read_without_an_error() -> None:
    chance = random.Random(4)  # noqa: S311  # the same bytes each time
    whole = bytearray(records(message(b"leaf", b"issuer"), 20))
    for _ in range(2000):
        changed = bytearray(whole)
        changed[chance.randrange(len(changed))] = chance.randrange(256)
        assert isinstance(certificates_in(bytes(changed)), list)
        alert_in(bytes(changed))


def test_an_alert_is_found_only_where_one_is() -> None:
    assert alert_in(b"\x15\x03\x03\x00\x02\x02\x46") == 70
    assert alert_in(records(b"\x02\x00\x00\x00", 4) + b"\x15\x03\x03\x00\x02\x02\x28") == 40
    assert alert_in(b"HTTP/1.1 400") is None
    assert not looks_like_tls(b"HTTP/1.1 400")


def test_the_certificates_of_a_real_tls_1_2_server_are_seen(tmp_path: Path) -> None:
    root = papers.authority()
    upper = papers.authority("Plant Upper", papers.authority("Absent Root", owner="Plant"))
    (tmp_path / "ca.pem").write_bytes(root.pem)
    context = papers.context(tmp_path, papers.leaf(upper), upper, version=ssl.TLSVersion.TLSv1_2)
    with listening(Shelf(), context) as stub:
        report = look(f"https://localhost:{stub.port}/", tmp_path / "ca.pem")
    # The intermediate was seen, so what is not known is the one above it.
    assert "unknown authority: O=Plant,CN=Absent Root" in words(report.first)


def test_of_tls_1_3_alone_the_probe_says_what_it_can_see(tmp_path: Path) -> None:
    root = papers.authority()
    (tmp_path / "ca.pem").write_bytes(root.pem)
    context = papers.context(tmp_path, papers.leaf(papers.authority("Plant Issuing", root)))
    context.minimum_version = ssl.TLSVersion.TLSv1_3
    with listening(Shelf(), context) as stub:
        report = look(f"https://localhost:{stub.port}/", tmp_path / "ca.pem")
    sees_chain = hasattr(ssl.SSLObject, "get_unverified_chain")
    wanted = "intermediate missing" if sees_chain else "unknown authority or intermediate missing"
    assert wanted in words(report.first)


ROOT = papers.authority("Plant Root", owner="Plant")
STRANGE = papers.authority("Strange Root", owner="Other")


@pytest.mark.parametrize(
    ("issuer", "sent", "gap"),
    [
        (ROOT, [], Gap.NONE),
        (papers.authority("Ward", ROOT, owner="Plant"), [], Gap.MISSING),
        (papers.authority("Other Issuing", STRANGE), [], Gap.MISSING),
        (papers.authority("Ward", STRANGE, owner="Other"), [], Gap.UNKNOWN),
        (STRANGE, [], Gap.UNKNOWN),
        (STRANGE, [STRANGE], Gap.UNKNOWN),
        (STRANGE, [ROOT], Gap.MISSING),
        (papers.authority("Plant Root", owner="Plant"), [], Gap.NAMESAKE),
        (None, [], Gap.SELF_SIGNED),
    ],
)
def test_the_gap_between_a_chain_and_the_trusted_root_is_told(
    issuer: Any, sent: list[Any], gap: Gap
) -> None:
    leaf = papers.leaf(issuer).certificate
    presented = Presented(leaf, tuple(one.certificate for one in sent), is_whole=True)
    assert reach(presented, [ROOT.certificate]).gap is gap


@pytest.mark.parametrize(
    ("line", "digest"),
    [
        (b"%s  f.bin\n", True),
        (b"%s *f.bin\r\n", True),
        (b"%s  ./f.bin\n", True),
        (b"SHA256 (f.bin) = %s\n", True),
        (b"%s\n", True),
        (b"\n# a note\n%s  f.bin\n", True),
        (b"%s  other.bin\n", False),
        (b"SHA256 (other) = %s\n", False),
        (b"%s f.bin\n", False),
        (b"<html>", False),
        (b"", False),
    ],
)
def test_checksum_lists_of_both_forms_are_read(line: bytes, digest: bool) -> None:
    hexes = hashlib.sha256(b"x").hexdigest()
    text = line.replace(b"%s", hexes.upper().encode())
    assert listed_digest(text, "f.bin", of="f.bin.sha256") == (
        ("sha-256", hexes) if digest else None
    )


def test_a_list_of_the_real_tool_is_read(tmp_path: Path) -> None:
    (tmp_path / "f.bin").write_bytes(b"x")
    for tool, name in (("sha256sum", "sha-256"), ("sha512sum", "sha-512")):
        for form in ([], ["--tag"], ["--binary"]):
            done = subprocess.run(
                [tool, *form, "f.bin"], cwd=tmp_path, capture_output=True, check=True
            )
            found = listed_digest(done.stdout, "f.bin", of="SHA256SUMS")
            assert found == (name, hashlib.new(name.replace("-", ""), b"x").hexdigest())


def test_names_of_checksum_lists_are_known() -> None:
    listed = ["a.bin", "SHA256SUMS", "a.bin.sha256", "checksums.txt", "sha512sum.txt", "readme"]
    assert list_names("a.bin", listed) == [
        "a.bin.sha256",
        "SHA256SUMS",
        "checksums.txt",
        "sha512sum.txt",
    ]
    assert list_names("a.bin", None) == ["SHA256SUMS", "sha256sum.txt", "a.bin.sha256"]


def test_repr_digest_is_read_as_the_standard_writes_it() -> None:
    # RFC 9530 appendix B.1.
    field = "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:"
    assert parse_repr_digest(field) == {
        "sha-256": hashlib.sha256(b'{"hello": "world"}\n').hexdigest()
    }
    assert parse_repr_digest("md5=:AAAA:, sha-256=:AAAA:, sha-512=7, x") == {}
    assert parse_repr_digest(None) == {}


@pytest.mark.parametrize("step", [1, 7, 100000])
def test_a_coded_body_has_a_digest_on_the_wire_and_one_of_the_file(step: int) -> None:
    content = b"depot" * 5000
    wire = gzip.compress(content)
    hasher = Hasher("gzip")
    for at in range(0, len(wire), step):
        hasher.take(wire[at : at + step])
    found = hasher.digests()
    assert found.wire["sha-256"] == hashlib.sha256(wire).hexdigest()
    assert found.file is not None
    assert found.file["sha-256"] == hashlib.sha256(content).hexdigest()
    assert found.size == len(content)


def test_a_coding_that_is_not_known_or_broken_has_no_digest_of_the_file() -> None:
    for coding in ("zstd", "gzip"):
        hasher = Hasher(coding)
        hasher.take(b"no gzip")
        assert hasher.digests().file is None


def test_a_listing_page_gives_what_stands_in_the_folder_only() -> None:
    page = b"""<a href="../">up</a><a href="?C=M;O=A">sort</a><a href="/a/x.bin">x</a>
    <a href="y%20z.bin">y</a><a href="sub/">s</a><a href="sub/deep.bin">d</a>
    <a href="https://other.example/a/e">e</a><a href="//other.example/a/f">f</a>
    <a href="javascript:1">j</a><a href="#top">t</a><a href="/b/q">q</a><a href="./">.</a>
    <a href="y%20z.bin">y</a><a href="[">bad</a>"""
    found = parse_listing(page, "text/html; charset=utf-8", "/a/", ORIGIN)
    assert found is not None
    assert [one.target for one in found] == ["/a/x.bin", "/a/y%20z.bin", "/a/sub/", "/a/%5B"]
    assert [one.name for one in found] == ["x.bin", "y z.bin", "sub", "["]


@pytest.mark.parametrize(
    "body",
    [b"", b"[]", b'{"entries": 3}', b'{"entries": [3]}', b'{"entries": [{}]}', b"[" * 100000],
)
def test_json_that_is_no_listing_is_none(body: bytes) -> None:
    assert parse_listing(body, "application/json", "/", ORIGIN) is None


def test_the_file_that_shows_most_is_chosen() -> None:
    rows = ", ".join(
        f'{{"href": "{name}", "size": {size}}}'
        for name, size in [("empty", 0), ("small", 5), ("good", 1000), ("huge", 1 << 40)]
    )
    body = f'{{"entries": [{{"href": "sub/", "size": 0}}, {rows}]}}'.encode()
    found = parse_listing(body, "application/json", "/", ORIGIN)
    assert found is not None
    assert [one.name for one in choose(found)] == ["good"]
    assert choose(found[:2]) == []


@pytest.mark.parametrize(
    ("environment", "said"),
    [
        ({}, "no proxy is set"),
        ({"HTTPS_PROXY": "http://p:8080"}, "HTTPS_PROXY names http://p:8080, which other"),
        ({"https_proxy": "p:8080"}, "HTTPS_PROXY names http://p:8080, which other"),
        ({"ALL_PROXY": "socks5://u:pw@p:1"}, "ALL_PROXY names socks5://p:1, which other"),
        ({"HTTP_PROXY": "http://p:8080"}, "no proxy is set"),
        ({"HTTPS_PROXY": "http://p", "NO_PROXY": "plant.example"}, "NO_PROXY excepts"),
        ({"HTTPS_PROXY": "http://p", "NO_PROXY": ".plant.example, x"}, "NO_PROXY excepts"),
        ({"HTTPS_PROXY": "http://p", "NO_PROXY": "*"}, "NO_PROXY excepts"),
        ({"HTTPS_PROXY": "http://p", "NO_PROXY": "ant.example"}, "which other"),
    ],
)
def test_the_proxy_that_others_would_use_is_told(environment: dict[str, str], said: str) -> None:
    address = parse_address("https://depot.plant.example/")
    text = proxy_words(address, environment)
    assert said in text
    assert "pw" not in text


def test_a_network_in_no_proxy_covers_its_addresses() -> None:
    environment = {"HTTPS_PROXY": "http://p", "NO_PROXY": "127.0.0.0/8"}
    assert "excepts" in proxy_words(parse_address("https://127.0.0.1/"), environment)
    assert "other" in proxy_words(parse_address("https://10.0.0.1/"), environment)


# RFC 9112 section 6.3.
@pytest.mark.parametrize(
    ("status", "method", "field", "framing"),
    [
        (200, "GET", b"Content-Length: 3", Framing.LENGTH),
        (200, "HEAD", b"Content-Length: 3", Framing.NONE),
        (304, "GET", b"Content-Length: 3", Framing.NONE),
        (204, "GET", b"X: y", Framing.NONE),
        (200, "GET", b"Transfer-Encoding: Chunked", Framing.CHUNKS),
        (200, "GET", b"Transfer-Encoding: gzip", Framing.CLOSE),
        (200, "GET", b"X: y", Framing.CLOSE),
    ],
)
def test_a_body_ends_as_its_head_says(
    status: int, method: str, field: bytes, framing: Framing
) -> None:
    assert parse_head([b"HTTP/1.1 %d OK" % status, field]).framing(method) is framing


@pytest.mark.parametrize(
    ("line", "fields", "closes"),
    [
        (b"HTTP/1.1 200 OK", [], False),
        (b"HTTP/1.1 200", [b"Connection: Close"], True),
        (b"HTTP/1.1 200 OK", [b"Connection: x, close"], True),
        (b"HTTP/1.0 200 OK", [], True),
        (b"HTTP/1.0 200 OK", [b"Connection: keep-alive"], False),
    ],
)
def test_whether_a_connection_stays_is_read(line: bytes, fields: list[bytes], closes: bool) -> None:
    assert parse_head([line, *fields]).closes is closes


@pytest.mark.parametrize("length", ["-1", "1, 2", "0x1", "", "1" * 30])
def test_a_length_that_is_none_is_refused(length: str) -> None:
    head = parse_head([b"HTTP/1.1 200 OK", f"Content-Length: {length}".encode()])
    with pytest.raises(BadMessageError):
        _ = head.length


def test_a_lone_digest_counts_in_the_list_that_is_named_for_the_file_only() -> None:
    lone = hashlib.sha256(b"x").hexdigest().encode()
    for of in ("f.bin.sha256", "f.bin-SHA256SUM.txt"):
        assert listed_digest(lone, "f.bin", of=of) is not None
    for of in ("g.bin.sha256", "SHA256SUMS", "f.bin.old.sha256", "of.bin.sha256"):
        assert listed_digest(lone, "f.bin", of=of) is None


@pytest.mark.parametrize(
    ("href", "folder", "target"),
    [
        ("https://h.example/a/f", "/a/", "/a/f"),
        ("http://h.example/a/f", "/a/", None),
        ("https://h.example:8443/a/f", "/a/", None),
        ("f \u00e4.bin", "/a/", "/a/f%20%C3%A4.bin"),
        ("/a%2bb/%28f%29", "/a+b/", "/a%2bb/%28f%29"),
        ("/%C3%A4/f", "/%c3%a4/", "/%C3%A4/f"),
        ("%2e%2e", "/a/", None),
        ("//a/f", "/a/", None),
    ],
)
def test_a_name_is_found_however_a_listing_writes_it(
    href: str, folder: str, target: str | None
) -> None:
    page = f'<a href="{href}">x</a>'.encode()
    found = parse_listing(page, "text/html", folder, ORIGIN)
    assert [one.target for one in found or []] == ([target] if target else [])


def test_bytes_of_a_name_that_are_no_text_come_through() -> None:
    found = parse_listing(b'<a href="odd\xff">x</a>', "text/html", "/", ORIGIN)
    assert [one.target for one in found or []] == ["/odd%FF"]
    assert parse_address("https://h.example/\udcff").join("\udcfe") == "/%FF/%FE"


@pytest.mark.parametrize("path", ["/a/../b/", "/./", "/%2e%2E/", "/100%/", "/%zz"])
def test_a_base_that_clients_read_differently_is_refused(path: str) -> None:
    with pytest.raises(CallerError, match="clients read differently"):
        parse_address(f"https://h.example{path}")


@pytest.mark.parametrize("path", ["", "/", "sub/"])
def test_a_folder_is_no_file(path: str) -> None:
    with pytest.raises(CallerError, match="is a folder"):
        parse_address("https://h.example/").join(path)


def test_a_user_name_in_a_redirect_is_left_out() -> None:
    address = parse_address("https://h.example/")
    assert address.resolve("/", "https://u:pw@other.example/x") == "https://other.example/x"
    with pytest.raises(ValueError, match="Invalid"):
        address.resolve("/", "http://[")


def test_a_field_on_several_lines_is_one() -> None:
    head = parse_head([b"HTTP/1.0 200 OK", b"Server: a", b"\t b", b"X: y"])  # RFC 9112 section 5.2
    assert head.fields == (("server", "a b"), ("x", "y"))
    with pytest.raises(BadMessageError):
        parse_head([b"HTTP/1.0 200 OK", b" a: b"])


def test_chunked_is_known_as_the_last_of_several_codings() -> None:
    head = parse_head([b"HTTP/1.1 200 OK", b"Transfer-Encoding: gzip, Chunked"])
    assert head.framing("GET") is Framing.CHUNKS  # RFC 9112 section 6.3


@pytest.mark.parametrize("junk", ["<![", "<![if x", "<!DOCTYPE [<!x", "<!", "<a href=", "</"])
def test_a_page_is_read_up_to_what_is_no_html(junk: str) -> None:
    page = f'<a href="f.bin">x</a>{junk * 3}'.encode()
    found = parse_listing(page, "text/html", "/", ORIGIN)
    assert [one.target for one in found or []] == ["/f.bin"]
