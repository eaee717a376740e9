"""Catalogs of many shapes are read for what they are, and doubt is refused."""

from __future__ import annotations

import gzip
import io
import json
from typing import TYPE_CHECKING, Any

import catalog_kit
import pytest
from catalog_kit import FILES, Shape, as_json, hexed, in_base64

from depotserve.tree.digests import named
from depotserve.tree.expectations.catalogs.catalog import (
    BASES,
    Catalog,
    Standing,
    dialect_of,
    guess,
    read_catalog,
    standing,
)
from depotserve.tree.expectations.catalogs.rules import load_rules
from depotserve.tree.expectations.listed import (
    Listed,
    NotAListError,
    Place,
    Unreadable,
    UnusableError,
    resolve,
)

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from depotserve.tree.expectations.listed import Item

by_name = pytest.mark.parametrize("shape", catalog_kit.shapes(), ids=lambda shape: shape.name)
by_rule = pytest.mark.parametrize(
    "shape", catalog_kit.shapes_with_rules(), ids=lambda shape: shape.name
)


def _read(content: bytes, path: bytes = b"catalog.json") -> Catalog:
    return read_catalog(io.BytesIO(content), Place(path))


def _listed(entries: Iterable[Any], count: int = 2) -> Catalog:
    found = _read(as_json({"files": list(entries)}))
    assert len(found.entries) == count
    return found


def _refusal(document: Any) -> str:
    with pytest.raises(UnusableError) as caught:
        _read(document if isinstance(document, bytes) else as_json(document))
    assert not isinstance(caught.value, NotAListError)
    assert "--rules can state how" in str(caught.value)
    return str(caught.value)


def _facts(content: bytes, kinds: Iterable[str]) -> dict[str, bytes]:
    found: dict[str, bytes] = {}
    for kind in kinds:
        algorithm = named(kind)
        assert algorithm
        digest = algorithm.new()
        digest.update(content)
        found[kind] = digest.digest()
    return found


def _check_whole(root: Path, place: str, items: Iterable[Item], bases: tuple[str, ...]) -> None:
    """Check that each item leads to its own file with the facts that it has, and none is left."""
    folder = place.rpartition("/")[0].encode()
    starts = {"folder": folder, "root": b""}
    seen = set()
    for item in items:
        assert isinstance(item, Listed)
        paths = [resolve(starts[base], item.path) for base in bases if base in starts]
        found = next(path for path in paths if path and (root / path.decode()).is_file())
        content = (root / found.decode()).read_bytes()
        assert item.size == len(content)
        assert item.digests
        kinds = [kind for kind, _ in item.digests]
        assert dict(item.digests) == _facts(content, kinds)
        seen.add(found.decode())
    assert seen == set(FILES)


@by_name
def test_six_shapes_are_read_without_rules(shape: Shape, tmp_path: Path) -> None:
    shape.write(tmp_path)
    content = (tmp_path / shape.path).read_bytes()
    dialect = dialect_of(shape.path.encode(), content[:4096])
    assert dialect
    assert dialect.guessed
    items = list(dialect.read(io.BytesIO(content), Place(shape.path.encode())))
    _check_whole(tmp_path, shape.path, items, dialect.bases)


@by_name
def test_a_guess_says_its_keys_its_entries_and_how_sure_it_is(shape: Shape) -> None:
    guessed = _read(shape.make()).guess
    assert guessed.entries == len(FILES)
    assert guessed.confidence == ("low" if shape.name == "sizes as text" else "high")
    assert all(keys.path and keys.size and keys.digests for keys in guessed.keys)
    for keys in guessed.keys:
        assert f"file from `{keys.path}`" in guessed.summary
    assert f"{len(FILES)} entries, confidence" in guessed.summary


@by_rule
def test_two_shapes_are_refused_without_rules_and_read_with_them(
    shape: Shape, tmp_path: Path
) -> None:
    root = tmp_path / "tree"
    shape.write(root)
    content = shape.make()
    _refusal(content)
    (tmp_path / "rules.yaml").write_text(shape.rules)
    dialect = load_rules(tmp_path / "rules.yaml").dialect_for(shape.path.encode())
    assert dialect
    assert not dialect.guessed
    items = list(dialect.read(io.BytesIO(content), Place(shape.path.encode())))
    _check_whole(root, shape.path, items, dialect.bases)


@pytest.mark.parametrize(
    ("name", "head", "kind"),
    [
        (b"a.json", b' \n{"files"', "JSON catalog"),
        (b"A.JSON", b"[1]", "JSON catalog"),
        (b"a.json", b"\xef\xbb\xbf{}", "JSON catalog"),
        (b"a.json", '{"a"'.encode("utf-16"), "JSON catalog"),
        (b"a.xml", b"<?xml", "XML catalog"),
        (b"x/y/a.xml.gz", b"\xef\xbb\xbf<a", "XML catalog"),
        (b"a.jsonl", b"{}", "JSON catalog"),
        (b"a.json", b"<html>", None),
        (b"a.xml", b"{}", None),
        (b"a.json", b"", None),
        (b"a.json", b"text", None),
        (b"a.txt", b"{}", None),
        (b"json", b"{}", None),
        (b".json", b"{}", None),
    ],
)
def test_a_catalog_is_told_by_its_name_and_its_first_character(
    name: bytes, head: bytes, kind: str | None
) -> None:
    dialect = dialect_of(name, head)
    assert (dialect.name if dialect else None) == kind
    assert dialect is None or dialect.bases == BASES == ("folder", "root", "name")


ONE, TWO = b"one", b"two."


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ({"path": "f/a.bin", "sha256": hexed(ONE)}, {"path": "f/b.bin", "sha256": hexed(TWO)}),
        (
            {"file-path": "f/a.bin", "SHA-256": hexed(ONE)},
            {"file-path": "f/b.bin", "SHA-256": hexed(TWO)},
        ),
        (
            {"name": "f/a.bin", "checksum": f"sha256:{hexed(ONE)}"},
            {"name": "f/b.bin", "checksum": f"SHA256:{hexed(TWO)}"},
        ),
        (
            {"src": "f/a.bin", "integrity": f"sha256-{in_base64(ONE)}"},
            {"src": "f/b.bin", "integrity": f"sha256-{in_base64(TWO)}"},
        ),
        ({"file": "f\\a.bin", "hash": hexed(ONE)}, {"file": "f\\b.bin", "hash": hexed(TWO)}),
        ({"file": "/f/a.bin", "hash": hexed(ONE)}, {"file": "/f/b.bin", "hash": hexed(TWO)}),
        (
            {"filename": "a.bin", "dir": "f", "digest": {"type": "sha256", "value": hexed(ONE)}},
            {"filename": "b.bin", "dir": "f", "digest": {"type": "sha256", "value": hexed(TWO)}},
        ),
        (
            {"path": "f", "filename": "a.bin", "hashType": "sha256", "hashValue": hexed(ONE)},
            {"path": "f", "filename": "b.bin", "hashType": "sha256", "hashValue": hexed(TWO)},
        ),
        (
            {"path": "f/a.bin", "name": "a.bin", "hashes": {"sha256": hexed(ONE)}},
            {"path": "f/b.bin", "name": "b.bin", "hashes": {"sha256": hexed(TWO)}},
        ),
        (
            {"url": "f/a.bin?x=1#y", "file": "a.bin", "sha256": hexed(ONE)},
            {"url": "f/%62.bin", "file": "b.bin", "sha256": hexed(TWO)},
        ),
        (
            {"url": "https://depot.plant.example/f/a.bin", "digests": [f"sha256:{hexed(ONE)}"]},
            {"url": "https://depot.plant.example/f/b.bin", "digests": [f"sha256:{hexed(TWO)}"]},
        ),
        (
            {"href": "https://depot.plant.example/1", "file": "f/a.bin", "sha256": hexed(ONE)},
            {"href": "https://depot.plant.example/2", "file": "f/b.bin", "sha256": hexed(TWO)},
        ),
        (
            {"path": "f/a.bin", "sha256": hexed(ONE), "crc32": "deadbeef"},
            {"path": "f/b.bin", "sha256": hexed(TWO), "crc32": "deadbee0"},
        ),
    ],
)
def test_keys_in_many_spellings_say_the_same(one: dict[str, Any], two: dict[str, Any]) -> None:
    first, second = _listed([one, two]).entries
    assert first == Listed(b"f/a.bin", 1, None, tuple(_facts(ONE, ["sha256"]).items()))
    assert second == Listed(b"f/b.bin", 2, None, tuple(_facts(TWO, ["sha256"]).items()))


def test_files_may_be_the_keys_themselves() -> None:
    expected = tuple(_facts(ONE, ["sha256"]).items())
    for document in (
        {"files": {"f/a.bin": {"sha256": hexed(ONE)}}},
        {"sha256": {"f/a.bin": hexed(ONE)}},
        {"f/a.bin": hexed(ONE)},
    ):
        found = _read(as_json(document))
        assert found.entries == (Listed(b"f/a.bin", 1, None, expected),)
        assert found.guess.confidence == "low"
        assert "names are keys" in found.guess.reason


def test_json_with_one_object_a_line_is_read() -> None:
    lines = [json.dumps({"path": f"{n}.bin", "size": n, "md5": hexed(b"", "md5")}) for n in (1, 2)]
    found = _read("\n".join(lines).encode() + b"\n")
    assert [item.path for item in found.entries if isinstance(item, Listed)] == [b"1.bin", b"2.bin"]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-32"])
def test_every_encoding_of_unicode_is_read(encoding: str) -> None:
    text = json.dumps([{"path": "ü.bin", "sha256": hexed(b"")}], ensure_ascii=False)
    (item,) = _read(text.encode(encoding)).entries
    assert isinstance(item, Listed)
    assert item.path == "ü.bin".encode()


def test_the_text_of_an_xml_element_may_be_the_path_or_the_digest() -> None:
    expected = tuple(_facts(ONE, ["sha256"]).items())
    for content in (
        f'<list><file sha256="{hexed(ONE)}">f/a.bin</file></list>',
        f'<list><sha256 file="f/a.bin">{hexed(ONE)}</sha256></list>',
        f"<list><file><path>f/a.bin</path><sha256>{hexed(ONE)}</sha256></file></list>",
    ):
        assert _read(content.encode()).entries == (Listed(b"f/a.bin", 1, None, expected),)


def test_one_damaged_entry_is_that_entry_and_no_other() -> None:
    good = [{"path": f"{n}.bin", "size": n, "sha256": hexed(ONE)} for n in range(5)]
    for change, why in (
        ({"sha256": hexed(ONE)[:-1]}, "its digest is none of its kind"),
        ({"size": -1}, "its size is no whole number"),
        ({"size": True}, "its size is no whole number"),
        ({"size": 1.5}, "its size is no whole number"),
        ({"size": "٣"}, "its size is no whole number"),  # a digit of another script
        ({"size": 10**30}, "its size is no whole number"),
        ({"path": ""}, "names no file"),
        ({"path": "a\nb"}, "names no file"),
        ({"path": "\ud800"}, "names no file"),
    ):
        entries = [dict(entry) for entry in good]
        entries[2].update(change)
        items = _read(as_json(entries)).entries
        assert [item for item in items if isinstance(item, Unreadable)] == [Unreadable(3, why)]
        whole = [item for item in items if isinstance(item, Listed) and item.line != 3]
        assert [item.path for item in whole] == [b"0.bin", b"1.bin", b"3.bin", b"4.bin"]


def test_files_within_folders_within_folders_have_the_path_that_leads_there() -> None:
    expected = tuple(_facts(ONE, ["sha256"]).items())
    file = {"type": "file", "name": "a.bin", "sha256": hexed(ONE)}
    inner = {"type": "folder", "name": "g", "size": 4096, "children": [file]}
    tree = {"name": ".", "children": [{"name": "f", "size": 4096, "children": [inner, file]}]}
    first, second = _read(as_json(tree)).entries
    assert first == Listed(b"f/g/a.bin", 1, None, expected)
    assert second == Listed(b"f/a.bin", 2, None, expected)
    element = f'<file name="a.bin" sha256="{hexed(ONE)}"/>'
    content = f'<l><folder name="f">{element}<folder name="g">{element}</folder></folder></l>'
    first, second = _read(content.encode()).entries
    assert first == Listed(b"f/a.bin", 1, None, expected)
    assert second == Listed(b"f/g/a.bin", 2, None, expected)


def test_a_folder_may_be_named_around_the_files() -> None:
    files = [{"file": "a.bin", "sha256": hexed(ONE)}]
    (item,) = _read(as_json({"sets": [{"directory": "f/g/", "contents": files}]})).entries
    assert isinstance(item, Listed)
    assert item.path == b"f/g/a.bin"


def test_what_is_listed_within_a_file_may_be_what_it_holds() -> None:
    inner = [{"path": "src/a.c", "sha256": hexed(ONE)}]
    outer = {"file": "all.zip", "sha256": hexed(TWO), "files": inner}
    assert "the files listed within `sets` lie in it" in _refusal({"sets": [outer]})


def test_what_a_person_is_told_is_one_short_line_whatever_the_keys_are() -> None:
    key = "lo\nad\x1b[2J" + "x" * 9000
    said = _refusal([{key: f"{name}.bin", "sha256": hexed(ONE)} for name in "ab"])
    assert said.isprintable()
    assert len(said) < 600


def test_an_entry_that_repeats_word_for_word_counts_once() -> None:
    entry = {"path": "a.bin", "sha256": hexed(ONE)}
    _listed([entry, entry], count=1)


@pytest.mark.parametrize(
    ("entries", "why"),
    [
        (
            [{"path": "a.bin", "file": "b.bin", "sha256": hexed(ONE)}],
            "or `path` names the file is not clear",
        ),
        ([{"path": "a.bin", "size": 1, "bytes": 2, "sha256": hexed(ONE)}], "`size`, `bytes`"),
        ([{"path": "a.bin", "size": 1, "compressedSize": 2, "md5": hexed(ONE, "md5")}], "is the"),
        (
            [{"name": "a.bin", "sha256": hexed(ONE)}, {"name": "a.bin", "sha256": hexed(TWO)}],
            "a.bin has different facts in two entries",
        ),
        (
            [
                {"path": "a.bin", "size": 1},
                {"path": "b.bin", "size": 2},
                {"path": "a.bin", "size": 3},
            ],
            "a.bin has different facts",
        ),
        (
            [{"path": "a.bin", "size": "3 kB"}, {"path": "b.bin", "size": "1.5 MB"}],
            "sizes under `size` are no whole numbers",
        ),
        (
            [{"path": f"{n}.bin", "size": n or "?", "md5": ""} for n in (0, 0, 7)],
            "most sizes under `size`",
        ),
        (
            [{"path": "a.bin", "crc32": "01020304"}, {"path": "b.bin", "crc32": "01020305"}],
            "unknown kind crc32",
        ),
        (
            [
                {"path": "a.bin", "hash": "00", "hashAlgorithm": "fold7"},
                {"path": "b.bin", "hash": "01", "hashAlgorithm": "fold7"},
            ],
            "unknown kind fold7",
        ),
        (
            [{"path": f"{n}.bin", "sha256": hexed(ONE) if n else "none"} for n in (0, 0, 1)],
            "most digests under `sha256`",
        ),
        (
            [{"path": "a.bin", "sha256": hexed(ONE), "fileSha256": hexed(TWO)}],
            "two digests of the kind sha256",
        ),
        (
            [{"load": "a.bin", "sha256": hexed(ONE)}, {"load": "b.bin", "sha256": hexed(TWO)}],
            "whether `load` names the file",
        ),
        (
            [{"file": "a.bin", "seal": hexed(ONE)}, {"file": "b.bin", "seal": hexed(TWO)}],
            "what `seal` says",
        ),
        (
            [{"folder": "f", "path": "g/a.bin", "sha256": hexed(ONE)}],
            "whether `folder` belongs before `path`",
        ),
        ([{"dir": "f", "folder": "g", "file": "a.bin", "sha1": hexed(ONE, "sha1")}], "folder"),
        (
            [{"file": f"{name}.bin", "stamp": in_base64(ONE)} for name in "ab"],
            "what `stamp` says of the files",
        ),
        ([[f"{name}.bin", 3, hexed(ONE)] for name in "ab"], "nothing names their columns"),
    ],
)
def test_what_can_be_read_in_two_ways_is_refused_with_the_reason(
    entries: list[dict[str, Any]], why: str
) -> None:
    assert why in _refusal({"files": entries})


@pytest.mark.parametrize(
    "content",
    [
        b'[{"path": "a.bin", "sha256": "%s"}' % hexed(ONE).encode(),
        b'[{"path": "a.bin", "path": "b.bin", "sha256": "%s"}]' % hexed(ONE).encode(),
        b'<!DOCTYPE c><c><f path="a.bin" sha256="%s"/></c>' % hexed(ONE).encode(),
        b'<c><f path="a.bin" sha256="%s"/>' % hexed(ONE).encode(),
    ],
    ids=["cut short", "key twice", "document type", "cut short XML"],
)
def test_a_broken_document_with_digests_is_a_catalog_that_cannot_be_used(content: bytes) -> None:
    _refusal(content)


def test_a_catalog_larger_than_the_bound_cannot_be_used() -> None:
    start = as_json([{"path": "a.bin", "sha256": hexed(ONE)}])
    assert "larger than 67108864 bytes" in _refusal(start + b" " * 64 * 1024 * 1024)


def test_deep_documents_are_no_catalogs() -> None:
    for content in (b"[" * 100_000, b'{"a":' * 70 + b"1" + b"}" * 70, b"<a>" * 5000):
        with pytest.raises(NotAListError):
            _read(content)


def test_guessing_is_a_function_of_the_document_alone() -> None:
    document = {"files": [{"path": "a.bin", "sha256": hexed(ONE)}]}
    assert guess(document) == guess(json.loads(json.dumps(document)))
    assert guess({"a": [1, 2, {"b": None}]}) is None
    refused = guess([{"path": "a.bin", "file": "b.bin", "sha256": hexed(ONE)}])
    assert refused
    assert refused.refused


def test_a_compressed_catalog_is_read_by_what_is_in_it() -> None:
    content = as_json([{"path": "a.bin", "sha256": hexed(ONE)}])
    dialect = dialect_of(b"c.json.gz", content)
    assert dialect
    with gzip.open(io.BytesIO(gzip.compress(content))) as stream:
        assert len(list(dialect.read(stream, Place(b"c.json.gz")))) == 1  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("entries", "agreeing", "expected"),
    [
        (6, 6, Standing.COUNTS),
        (6, 3, Standing.COUNTS),
        (6, 2, Standing.DOUBTFUL),
        (10, 1, Standing.DOUBTFUL),
        (2000, 3, Standing.FOREIGN),
        (6, 0, Standing.FOREIGN),
    ],
)
def test_a_guessed_catalog_counts_if_half_of_it_is_there(
    entries: int, agreeing: int, expected: Standing
) -> None:
    assert standing(entries, agreeing) is expected


@pytest.mark.parametrize(
    ("entries", "agreeing", "vouching", "expected"),
    [
        (1, 0, 1, Standing.COUNTS),
        (5, 2, 3, Standing.COUNTS),
        (9, 0, 9, Standing.DOUBTFUL),
        (3, 0, 1, Standing.DOUBTFUL),
        (2000, 3, 20, Standing.FOREIGN),
        (1, 0, 0, Standing.FOREIGN),
    ],
)
def test_one_that_states_digests_of_files_that_are_here_is_about_them(
    entries: int, agreeing: int, vouching: int, expected: Standing
) -> None:
    assert standing(entries, agreeing, vouching) is expected


def test_a_table_is_read_by_the_names_of_its_columns_wherever_they_stand() -> None:
    row = ["a.bin", 3, hexed(ONE)]
    for document in (
        [["file", "size", "sha256"], row],
        {"columns": ["file", "size", "sha256"], "rows": [row, row]},
    ):
        (item,) = _read(as_json(document)).entries
        assert item == Listed(b"a.bin", 1, 3, (("sha256", bytes.fromhex(hexed(ONE))),))


def test_many_tables_beside_each_other_are_looked_at_in_time() -> None:
    tables = {f"t{number}": [[number], [number]] for number in range(50_000)}
    assert guess(tables) is None


@pytest.mark.parametrize("size", ["4096", " 4,096 ", "4096 bytes", "4096B", "4,096 octets"])
def test_a_size_may_be_written_for_people_if_it_is_whole_bytes(size: str) -> None:
    (item,) = _read(as_json([{"file": "a.bin", "size": size, "sha256": hexed(ONE)}])).entries
    assert isinstance(item, Listed)
    assert item.size == 4096
