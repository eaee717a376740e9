"""Rules for catalogs: read as stated, each fault named with its file, line and key."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from catalog_kit import as_json, hexed, in_base64

from depotserve.errors import CallerError, SurroundingsError
from depotserve.tree.expectations.catalogs.rules import Rules, load_rules
from depotserve.tree.expectations.listed import Listed, Place, Unreadable, UnusableError

if TYPE_CHECKING:
    from depotserve.tree.expectations.listed import Item

SAMPLE = Path(__file__).parents[3] / "conf" / "rules.yaml"
ONE = b"one"


def _load(folder: Path, body: str) -> Rules:
    path = folder / "rules.yaml"
    path.write_text(f"format: 1\ncatalogs:\n{body}")
    return load_rules(path)


def _items(rules: Rules, content: bytes, path: bytes = b"c.json") -> list[Item]:
    dialect = rules.dialect_for(path)
    assert dialect
    return list(dialect.read(io.BytesIO(content), Place(path)))


def _digest(kind: str = "sha256") -> tuple[tuple[str, bytes], ...]:
    return ((kind, bytes.fromhex(hexed(ONE, kind))),)


def test_the_sample_reads_the_catalogs_that_it_describes() -> None:
    rules = load_rules(SAMPLE)
    load = {"artifact": "pumps/rom.img", "octet-total": 3, "fingerprint": hexed(ONE)}
    content = as_json({"shipment": {"loads": [load]}})
    expected = Listed(b"pumps/rom.img", 1, 3, _digest())
    assert _items(rules, content, b"far/down/shipment.json") == [expected]
    content = (
        '<warehouse><shelf label="brine/controller"><item file="boot.bin"><sum>'
        f"<kind>sha512</kind><is>{hexed(ONE, 'sha512')}</is></sum></item></shelf></warehouse>"
    ).encode()
    expected = Listed(b"brine/controller/boot.bin", 1, None, _digest("sha512"))
    assert _items(rules, content, b"stock/a.xml") == [expected]


def test_every_key_of_a_rule_stands_in_the_sample() -> None:
    text = SAMPLE.read_text()
    for key in (
        "match",
        "entries",
        "path",
        "url",
        "size",
        "digests",
        "algorithm",
        "digest",
        "base",
    ):
        assert re.search(rf"\b{key}\b", text)


def test_a_pattern_without_a_slash_is_of_the_name_and_with_one_of_the_path(tmp_path: Path) -> None:
    body = (
        "- {match: a*.json, entries: ., path: p, size: s}\n"
        "- {match: x/*.json, entries: ., path: p, size: s, base: name}\n"
    )
    rules = _load(tmp_path, body)
    for path, bases in (
        (b"a1.json", ("folder", "root")),
        (b"far/off/a1.json", ("folder", "root")),
        (b"x/a.json", ("folder", "root")),
        (b"x/y/b.json", ("name",)),
        (b"b.json", None),
        (b"y/x/b.json", None),
        (b"A1.json", None),
    ):
        dialect = rules.dialect_for(path)
        assert (dialect.bases if dialect else None) == bases


@pytest.mark.parametrize(
    ("entries", "path", "document"),
    [
        (".", "p", [{"p": "f/a", "h": hexed(ONE)}]),
        (".", "p", {"p": "f/a", "h": hexed(ONE)}),
        ("x/y", "p", {"x": [{"y": [{"p": "f/a", "h": in_base64(ONE)}]}, {"y": []}, {}]}),
        ("x/*/y", "p", {"x": {"1": {"y": {"p": "f/a", "h": hexed(ONE).upper()}}, "2": 3}}),
        ("x/*", "'*'", {"x": {"f/a": {"h": hexed(ONE)}}}),
        ("x", "[d, p]", {"x": {"d": "f/", "p": "a", "h": hexed(ONE)}}),
        ("x/y", "[../d, p]", {"x": {"d": "f", "y": {"p": "a", "h": hexed(ONE)}}}),
        ("x/y/z", "[../../d, ../e, p]", {"x": {"d": "/", "y": {"e": "f", "z": [
            {"p": "a", "h": hexed(ONE)}]}}}),
        ("x", "q/p", {"x": {"q": {"p": "f/a"}, "h": [hexed(ONE)]}}),
    ],
)  # fmt: skip
def test_steps_lead_through_keys_lists_and_out(
    tmp_path: Path, entries: str, path: str, document: object
) -> None:
    body = f"- {{match: '*', entries: {entries!r}, path: {path}, digests: {{sha256: h}}}}\n"
    expected = [Listed(b"f/a", 1, None, _digest())]
    assert _items(_load(tmp_path, body), as_json(document)) == expected


def test_addresses_and_the_text_of_elements_can_be_named(tmp_path: Path) -> None:
    body = "- {match: '*.xml', entries: l/f, url: ., algorithm: k/t, digest: k/., size: s}\n"
    row = f'<f s="3">https://plant.example/f/%61?x<k t="SHA-256">{hexed(ONE)}</k></f>'
    content = f"<l>{row}</l>".encode()
    assert _items(_load(tmp_path, body), content, b"c.xml") == [Listed(b"f/a", 1, 3, _digest())]


def test_an_entry_that_lacks_what_the_rule_promises_is_unreadable_with_its_number(
    tmp_path: Path,
) -> None:
    body = "- {match: '*', entries: x, path: p, size: s, digests: {sha256: h}}\n"
    good = {"p": "a", "s": 3, "h": hexed(ONE)}
    for change, why in (
        ({"p": None}, "has no `p`"),
        ({"p": ["a", "b"]}, "has 2 values of `p`"),
        ({"p": 7}, "`p` is no text"),
        ({"p": "f/"}, "names no file"),
        ({"p": "\ud800"}, "names no file"),
        ({"s": None}, "has no `s`"),
        ({"s": "3 kB"}, "`s` is no whole number of bytes"),
        ({"s": True}, "`s` is no whole number of bytes"),
        ({"h": "00"}, "`h` is no digest of the kind sha256"),
        ({"h": {"x": 1}}, "has no `h`"),
    ):
        items = _items(_load(tmp_path, body), as_json({"x": [good, {**good, **change}, "text"]}))
        assert [item for item in items if item.line == 1] == [Listed(b"a", 1, 3, _digest())]
        assert next(item for item in items if item.line == 2) == Unreadable(2, why)
        assert [item for item in items if item.line == 3] == [Unreadable(3, "has no `p`")]


def test_a_digest_of_an_unknown_kind_or_without_its_kind_is_unreadable(tmp_path: Path) -> None:
    body = "- {match: '*', entries: ., path: p, algorithm: h/k, digest: h/v}\n"
    for digest, why in (
        ({"k": "fold7", "v": "00"}, "'fold7' is an unknown kind of digest"),
        ([{"k": "md5", "v": "00"}, {"v": "00"}], "not one `h/k` for each `h/v`"),
        ({}, "not one `h/k` for each `h/v`"),
        ({"k": "sha256", "v": 12}, "`h/v` is no digest of the kind sha256"),
    ):
        items = _items(_load(tmp_path, body), as_json({"p": "a", "h": digest}))
        assert items == [Unreadable(1, why), Listed(b"a", 1)]


@pytest.mark.parametrize("content", [b"", b"{", b"<a", b'{"x": 1, "x": 2}', b"[" * 99_999, b"{}"])
def test_a_document_that_the_rule_does_not_fit_cannot_be_used(
    tmp_path: Path, content: bytes
) -> None:
    rules = _load(tmp_path, "- {match: '*', entries: x, path: p, size: s}\n")
    with pytest.raises(UnusableError):
        _items(rules, content)


@pytest.mark.parametrize(
    ("body", "line", "said"),
    [
        ("- {match: a, entries: b, path: c, sice: d}", 3, "sice: is no key of a rule"),
        ("- match: a\n  entries: b\n  path: c\n  sizes: d", 6, "did you mean size?"),
        ("- {entries: b, path: c, size: d}", 3, "match: is missing"),
        ("- {match: a, path: c, size: d}", 3, "entries: is missing"),
        ("- {match: a, entries: b, size: d}", 3, "path: must say where the file is"),
        ("- {match: a, entries: b, path: c, url: c, size: d}", 3, "must say where the file is"),
        ("- {match: a, entries: b, path: c}", 3, "digests: is missing"),
        ("- {match: a, entries: b, path: c, digest: d}", 3, "digest: goes together"),
        ("- {match: a, entries: b, path: c, algorithm: d}", 3, "digest: goes together"),
        ("- {match: a, entries: b, path: [], size: d}", 3, "path: is an empty list"),
        ("- {match: a, entries: b//c, path: c, size: d}", 3, "entries: has a step without"),
        ("- {match: a, entries: [b], path: c, size: d}", 3, "entries: is no text"),
        ("- {match: '', entries: b, path: c, size: d}", 3, "match: is no text"),
        ("- {match: a, entries: b, path: c, digests: {fold7: d}}", 3, "digests.fold7: is an unk"),
        ("- {match: a, entries: b, path: c, digests: sha256}", 3, "digests: names no digest"),
        ("- {match: a, entries: b, path: c, size: d, base: up}", 3, "base: 'up' is unknown"),
        ("- a", 3, "holds no keys"),
        ("  a: b", 2, "catalogs: is no list"),
    ],
)
def test_a_fault_names_file_line_and_key(tmp_path: Path, body: str, line: int, said: str) -> None:
    with pytest.raises(CallerError) as caught:
        _load(tmp_path, body)
    assert str(caught.value).startswith(f"{tmp_path / 'rules.yaml'}:{line}: ")
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("catalogs: []", "format: is missing"),
        ("format: 2\ncatalogs: []", "format: is of another form, allowed is 1"),
        ("format: 1", "catalogs: is missing"),
        ("format: 1\nrules: []", "rules: is no key"),
        ("- 1", "holds no keys"),
        ("format: [", "no valid YAML"),
    ],
)
def test_a_file_of_another_form_is_refused(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "rules.yaml").write_text(text)
    with pytest.raises(CallerError, match=re.escape(said)):
        load_rules(tmp_path / "rules.yaml")


def test_rules_that_are_not_there_or_too_long_are_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(SurroundingsError, match="No such file"):
        load_rules(tmp_path / "none.yaml")
    (tmp_path / "rules.yaml").write_text("#" * 300_000)
    with pytest.raises(CallerError, match="longer than 262144 bytes"):
        load_rules(tmp_path / "rules.yaml")
