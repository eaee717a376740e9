"""Whatever a catalog holds: no crash, no hang, no path that leads out of the tree."""

from __future__ import annotations

import io
import json
import re
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape, quoteattr

import catalog_kit
import pytest
from catalog_kit import hexed, in_base64
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from depotserve.tree.digests import named
from depotserve.tree.expectations.catalogs.catalog import dialect_of, read_catalog
from depotserve.tree.expectations.catalogs.rules import load_rules
from depotserve.tree.expectations.listed import (
    Dialect,
    Listed,
    Place,
    Unreadable,
    UnusableError,
    resolve,
)

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]
often = settings(
    max_examples=5000,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)

WORDS = """
    path file fileName folder dir url href name id size bytes compressedSize sha256 md5 checksum
    hash digests type algorithm value integrity crc32 files p s h x a.bin b/c.img
"""
KEYS = st.sampled_from(WORDS.split()) | st.text(max_size=4)
SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=8),
    st.sampled_from(
        [
            *("a.bin", "b/c.img", "../../etc/shadow", "/etc/shadow", "..", "a\\b.bin", "f/", "\0"),
            *("https://h.example/a.bin", "//h/../../x", "%2e%2e/%2e%2e/x.y", "file:///a", "C:\\x"),
            *("3", "-1", "1e9", "٣", "9" * 5000, "3 kB", "sha256", "MD5", "fold7", "\ud800.bin"),
            *(hexed(b"a"), hexed(b"b"), hexed(b"a", "md5"), in_base64(b"a"), hexed(b"a")[:-1]),
            *(f"sha256:{hexed(b'a')}", f"sha256-{in_base64(b'a')}", f"crc32:{'0' * 8}"),
        ]
    ),
)
VALUES = st.recursive(
    SCALARS,
    lambda below: st.lists(below, max_size=4) | st.dictionaries(KEYS, below, max_size=5),
    max_leaves=30,
)
FILES = st.sampled_from(["a.bin", "f/b.img", "../../etc/x.conf", "/etc/x.conf", "..", "c", "\0"])
ROW = st.fixed_dictionaries(
    {},
    optional={
        "path": FILES | SCALARS,
        "size": st.integers(-1, 9) | SCALARS,
        "sha256": st.sampled_from([hexed(b"a"), in_base64(b"b")]) | SCALARS,
        "checksum": st.fixed_dictionaries({"type": SCALARS, "value": SCALARS}),
        "dir": SCALARS,
    },
)
ENTRIES = st.lists(ROW, max_size=5) | st.lists(
    st.dictionaries(KEYS, VALUES, max_size=5), max_size=3
)
DOCUMENTS = VALUES | ENTRIES | st.fixed_dictionaries({"x": ENTRIES, "dir": SCALARS})

NAMES = st.sampled_from(["a", "file", "path", "size", "sha256", "checksum", "f:x", "dir", "p", "h"])
TREES = st.recursive(
    SCALARS.map(str),
    lambda below: st.lists(st.tuples(NAMES, st.booleans(), below), max_size=5),
    max_leaves=12,
)


def _as_xml(value: Any, name: str = "a") -> str:
    if isinstance(value, str):
        return f"<{name}>{escape(value)}</{name}>"
    attributes = {key: text for key, within, text in value if within and isinstance(text, str)}
    said = "".join(f" {key}={quoteattr(text)}" for key, text in attributes.items() if key != "f:x")
    below = "".join(
        _as_xml(item, key) for key, within, item in value if not (within and isinstance(item, str))
    )
    return f"<{name}{said} xmlns:f='urn:f'>{below}</{name}>"


def _utf8(text: str) -> bytes:
    return text.encode("utf-8", "surrogatepass")


@st.composite
def mutated(draw: st.DrawFn, good: list[bytes]) -> bytes:
    """Change good content: bytes replaced, taken out, doubled, cut."""
    content = bytearray(draw(st.sampled_from(good)))
    for _ in range(draw(st.integers(1, 6))):
        start = draw(st.integers(0, len(content)))
        end = start + draw(st.integers(0, 40))
        content[start:end] = draw(
            st.binary(max_size=4)
            | st.sampled_from([b'"', b"{", b"}", b"]", b",", b"<", b"../", b"\\u0000", b"-"])
            | st.just(bytes(content[start:end] * 2))
        )
    return bytes(content)


JSON_SPOT = re.compile('"[^"]*"(?P<key>:)?|(?<=: )[0-9]+')
XML_SPOT = re.compile('(?<==")[^"]*(?=")|(?<=>)[^<\n]+(?=<)')


@st.composite
def revalued(draw: st.DrawFn, good: list[bytes], spot: re.Pattern[str]) -> bytes:
    """Put other values, and now and then other keys, into a good catalog that stays well-formed."""
    text = draw(st.sampled_from(good)).decode()
    for _ in range(draw(st.integers(1, 4))):
        found = draw(st.sampled_from(list(spot.finditer(text))))
        if spot is XML_SPOT:
            new = quoteattr(str(draw(SCALARS)))[1:-1]
        else:
            new = f"{json.dumps(draw(KEYS))}:" if found["key"] else json.dumps(draw(SCALARS))
        text = text[: found.start()] + new + text[found.end() :]
    return _utf8(text)


def _check(dialect: Dialect, content: bytes, path: bytes) -> None:
    try:
        items = list(dialect.read(io.BytesIO(content), Place(path)))
    except UnusableError as error:
        said = str(error)
    else:
        said = "fine"
        for item in items:
            _check_item(item, path)
    assert said
    assert "\n" not in said


def _check_item(item: object, path: bytes) -> None:
    assert isinstance(item, (Listed, Unreadable))
    assert item.line > 0
    if isinstance(item, Unreadable):
        return
    for base in (path.rpartition(b"/")[0], b""):
        found = resolve(base, item.path)
        if found is not None:
            assert not found.startswith(b"/")
            assert b".." not in found.split(b"/")
    assert item.size is None or 0 <= item.size < 2**63
    for kind, value in item.digests:
        algorithm = named(kind)
        assert algorithm
        assert len(value) == algorithm.size


def _as_json(document: Any) -> bytes:
    return json.dumps(document).encode()


def _of(suffix: str) -> list[bytes]:
    every = catalog_kit.shapes() + catalog_kit.shapes_with_rules()
    return [shape.make() for shape in every if shape.path.endswith(suffix)]


GUESSED_JSON = dialect_of(b"c.json", b"{}")
GUESSED_XML = dialect_of(b"c.xml", b"<a/>")


@often
@given(
    st.one_of(
        st.binary(max_size=300),
        DOCUMENTS.map(_as_json),
        mutated(_of(".json")),
        revalued(_of(".json"), JSON_SPOT),
    )
)
def test_a_guess_survives_any_json(content: bytes) -> None:
    assert GUESSED_JSON
    _check(GUESSED_JSON, content, b"f/c.json")


@often
@given(
    st.one_of(
        st.binary(max_size=300),
        TREES.map(_as_xml).map(_utf8),
        mutated(_of(".xml")),
        revalued(_of(".xml"), XML_SPOT),
    )
)
def test_a_guess_survives_any_xml(content: bytes) -> None:
    assert GUESSED_XML
    _check(GUESSED_XML, content, b"f/c.xml")


_RULES = """\
format: 1
catalogs:
  - {match: shipment.json, entries: shipment/loads, path: artifact, size: octet-total,
     digests: {sha256: fingerprint}}
  - {match: "*.json", entries: x, path: [../dir, path], size: size, digests: {sha256: sha256},
     algorithm: checksum/type, digest: checksum/value}
  - {match: items.xml, entries: warehouse/shelf/item, path: [../label, file], size: packedSize,
     algorithm: sum/kind, digest: sum/is}
  - {match: "*.xml", entries: "*/*", url: path, size: size, digests: {sha256: sha256/.}}
"""


def _ruled(folder: Path, name: bytes) -> Dialect:
    path = folder / "rules.yaml"
    path.write_text(_RULES)
    dialect = load_rules(path).dialect_for(name)
    assert dialect
    return dialect


@pytest.fixture(params=["json", "xml"])
def dialects(request: pytest.FixtureRequest, tmp_path: Path) -> list[Dialect]:
    names = {"json": [b"c.json", b"shipment.json"], "xml": [b"c.xml", b"items.xml"]}
    return [_ruled(tmp_path, name) for name in names[request.param]]


@often
@given(
    st.one_of(
        st.binary(max_size=300),
        DOCUMENTS.map(_as_json),
        TREES.map(_as_xml).map(_utf8),
        mutated(_of(".json") + _of(".xml")),
        revalued(_of("shipment.json"), JSON_SPOT),
        revalued(_of("items.xml"), XML_SPOT),
    )
)
def test_a_rule_survives_anything(dialects: list[Dialect], content: bytes) -> None:
    for dialect in dialects:
        _check(dialect, content, b"f/c")


MANY = b"{" + b",".join(b'"k%d": "%032d"' % (n, n) for n in range(50_000)) + b"}"


@pytest.mark.parametrize(
    "content",
    [
        b"[" * 3_000_000,
        b'{"a":' * 200_000,
        b"[[],[]," + b"[]," * 5_000_000 + b"[]]",
        b"<a>" + b"<b/>" * 5_000_000 + b"</a>",
        b'{"size": ' + b"9" * 1_000_000 + b"}",
        b'{"path": "' + b"a/" * 10_000_000 + b'"}',
        b'[{"path": "' + b"." * 5_000_000 + b'", "size": 1}]',
        b"sha1" * 5_000_000,
        b"[" + b",".join(b'{"path": "%d/a.b", "size": 1}' % n for n in range(100_000)) + b"]",
        b"{" + b",".join(b'"%d.bin": {"size": 1}' % n for n in range(100_000)) + b"}",
        b"[" + MANY + b"," + MANY + b"]",
        b"{"
        + b",".join(
            b'"%d": {"f": [{"path": "%d.b", "sha1": "%040d"}]}' % (n, n, n) for n in range(30_000)
        )
        + b"}",
        b"{" + b",".join(b'"%d": 1' % n for n in range(200_000)) + b',"7": 1}',
        b"<a>" + b"".join(b'<f path="%d.b"><h>1</h></f>' % n for n in range(50_000)) + b"</a>",
    ],
    ids=lambda content: content[:12].decode(),
)
@pytest.mark.timeout(60)
def test_large_and_deep_documents_end(content: bytes) -> None:
    try:
        found = read_catalog(io.BytesIO(content), Place(b"c.json"))
    except UnusableError:
        return
    assert len(found.entries) in (30_000, 100_000)
