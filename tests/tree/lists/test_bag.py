"""Lists of bags: RFC 8493, BagIt 0.97, and a bag that PyPI's `bagit` made."""

from __future__ import annotations

import hashlib
import io
import json
from pathlib import Path
from typing import Any

import bagit
import pytest
from list_kit import DECLARATION, H, Outcome, dialect_of, read

from depotserve.tree.expectations.listed import Listed, NotAListError, Place, resolve
from depotserve.tree.expectations.lists.bag import read_fetch_list
from depotserve.tree.expectations.lists.seen import Seen

MANIFEST, TAG_MANIFEST, FETCH = b"manifest-sha256.txt", b"tagmanifest-sha256.txt", b"fetch.txt"
OLD = DECLARATION.replace(b"1.0", b"0.97")
RULES: dict[str, Any] = json.loads(
    (Path(__file__).parents[2] / "standards" / "bagit.json").read_text(encoding="utf-8")
)


def read_bag(text: bytes, name: bytes = MANIFEST, declaration: bytes = DECLARATION) -> Outcome:
    return read(text, name, {b"bagit.txt": declaration})


# bagit.json "path_encoding": RFC 8493 sections 2.1.3 and 2.2.3.
@pytest.mark.parametrize(
    ("path", "written"),
    RULES["path_encoding"]["pairs"]
    + [[path, written] for written, path in RULES["path_encoding"]["decode_also"]],
)
def test_a_path_is_decoded_as_the_standard_says(path: str, written: str) -> None:
    line = H + b"  " + written.encode() + b"\n"
    assert read_bag(line).paths == [path.encode()]
    address = b"https://depot.plant.example/x 7 " + written.encode()
    assert read_bag(address, FETCH).paths == [path.encode()]


# bagit.json "declaration": RFC 8493 section 2.1.1.
@pytest.mark.parametrize("declaration", RULES["declaration"]["valid"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_a_declaration_is_read_with_any_line_ends(declaration: str, end: str) -> None:
    text = declaration.replace("\n", end).encode()
    assert read_bag(H + b"  data/x\n", declaration=text).paths == [b"data/x"]


@pytest.mark.parametrize("text", [one for one, _ in RULES["declaration"]["invalid"]])
def test_beside_a_wrong_declaration_no_list_is_of_use(text: str) -> None:
    for name in (MANIFEST, TAG_MANIFEST, FETCH):
        found = read_bag(H + b"  data/x\n", name, text.encode())
        assert found == ([], "the bagit.txt beside it does not declare a bag")


@pytest.mark.parametrize(
    ("text", "paths"),
    [
        (H + b"\tdata/x", [b"data/x"]),
        (H + b"   data/x ", [b"data/x "]),
        (H + b" \t data/in  ner.txt\r\n", [b"data/in  ner.txt"]),
        (H.upper() + b"  data/x\r" + H + b"  data/y\r", [b"data/x", b"data/y"]),
        (H + b"  data/x\r\n\r\n" + H + b"  data/y\r\n", [b"data/x", b"data/y"]),
        (H + b"  data/%7Ex%\n", [b"data/%7Ex%"]),
        (H + b"  data/caf\xe9\n", [b"data/caf\xe9"]),
        (H + b"  data/..x/y..\n", [b"data/..x/y.."]),
        (b"\xef\xbb\xbf" + H + b"  data/x\n", [b"data/x"]),
        (b"", []),
        (b"\n", []),
    ],
)
def test_a_manifest_names_its_payload(text: bytes, paths: list[bytes]) -> None:
    found = read_bag(text)
    assert (found.paths, found.refused, found.unusable) == (paths, [], "")


@pytest.mark.parametrize(
    ("path", "why"),
    [
        (b"../outside.txt", "out of the bag"),
        (b"data/../x", "out of the bag"),
        (b"data/../../canary", "out of the bag"),
        (b"data/..", "out of the bag"),
        (b"/etc/passwd", "out of the bag"),
        (b"~/x", "out of the bag"),
        (b"~root/x", "out of the bag"),
        (b"data/sub/", "names a folder"),
        (b"data/.", "names a folder"),
        (b"data", "not below data/"),
        (b"bagit.txt", "not below data/"),
        (b"C:\\x", "not below data/"),
        (b"\\\\?\\C:\\x", "not below data/"),
        (b"data\\..\\..\\canary", "not below data/"),
        (b"database/x", "not below data/"),
        (b"data/x\0y", "NUL"),
    ],
)
def test_a_manifest_or_fetch_list_may_name_nothing_else(path: bytes, why: str) -> None:
    for text, name in ((H + b"  " + path, MANIFEST), (b"http://x/ - " + path, FETCH)):
        found = read_bag(text + b"\n", name)
        assert found.listed == []
        assert why in found.refused[0].why
        assert found.unusable == "no line of it could be read"


@pytest.mark.parametrize(
    "path",
    [b"data/x", b"tagmanifest-md5.txt", b"~x", b"/x", b"a/../../x", b"a/", b".", b"./data/x"],
)
def test_a_tag_manifest_names_neither_payload_nor_tag_manifests(path: bytes) -> None:
    found = read_bag(H + b"  bagit.txt\n" + H + b"  " + path + b"\n", TAG_MANIFEST)
    assert found.paths == [b"bagit.txt"]
    assert [item.line for item in found.refused] == [2]


@pytest.mark.parametrize(
    "line",
    [
        H + b"data/y",
        H[:-1] + b"  data/y",
        b"words",
        b"# a comment, which bags do not have",
        H + b"  ",
        H + b"  data/" + b"y" * 70000,
    ],
)
def test_a_line_that_says_nothing_is_named(line: bytes) -> None:
    found = read_bag(H + b"  data/x\n" + line + b"\n" + H + b"  data/z\n")
    assert found.paths == [b"data/x", b"data/z"]
    assert [item.line for item in found.refused] == [2]


def test_a_file_is_listed_once_in_a_bag_of_1_0() -> None:
    text = (H + b"  data/x\n") * 2
    assert [item.line for item in read_bag(text).refused] == [2]
    assert read_bag(text, declaration=OLD).refused == []


def test_before_1_0_an_encoded_break_may_be_meant_or_not() -> None:
    # The two have one group: that one of them is there suffices.
    found = read_bag(H + b"  data/a%0Ab\n" + H + b"  data/%25\n", declaration=OLD)
    assert found.paths == [b"data/a%0Ab", b"data/a\nb", b"data/%25"]
    assert [item.group for item in found.listed] == [b"data/a%0Ab", b"data/a%0Ab", b""]


def test_a_mark_of_md5sum_is_passed_over_with_a_warning() -> None:
    found = read_bag(H + b" *data/x\n")
    assert (found.paths, found.unusable) == ([b"data/x"], "")
    assert "`*`" in found.refused[0].why


def test_a_star_alone_is_a_name() -> None:
    assert read_bag(H + b" *\n", TAG_MANIFEST).paths == [b"*"]


def test_an_algorithm_that_nobody_knows_makes_a_manifest_unusable() -> None:
    assert "WHIRL is no digest" in read_bag(H + b"  data/x", b"manifest-WHIRL.txt").unusable


def test_tag_files_are_read_in_the_encoding_that_is_declared() -> None:
    for name in ("ISO-8859-1", "UTF-16", "utf-16le"):
        text = (H.decode() + "  data/caf\u00e9\n").encode(name)
        found = read_bag(text, declaration=DECLARATION.replace(b"UTF-8", name.encode()))
        assert found.paths == ["data/caf\u00e9".encode()]
    for name in (b"EBCDIC-XY", b"rot13", b"hex"):
        found = read_bag(H, declaration=DECLARATION.replace(b"UTF-8", name))
        assert "is not known here" in found.unusable


@pytest.mark.parametrize(
    ("length", "size"),
    [(b"0", 0), (b"216951362", 216951362), (b"-", None), (b"9" * 18, 10**18 - 1)],
)
def test_a_fetch_list_gives_lengths(length: bytes, size: int | None) -> None:
    (entry,) = read_bag(b"http://x/y " + length + b"\tdata/y\n", FETCH).items
    assert entry == Listed(b"data/y", 1, size)


@pytest.mark.parametrize("length", [b"-1", b"+1", b"1_0", b"1.5", b"9" * 19, b"\xd9\xa1", b""])
def test_a_length_that_is_none_is_refused(length: bytes) -> None:
    found = read_bag(b"http://x/y " + length + b" data/y\n", FETCH)
    assert (found.listed, len(found.refused)) == ([], 1)


def test_without_a_declaration_a_manifest_is_a_checksum_list_and_fetch_txt_is_none() -> None:
    assert read(H + b"  x\n", MANIFEST).paths == [b"x"]
    with pytest.raises(NotAListError):
        list(read_fetch_list(io.BytesIO(b"fetch the post\n"), Place(FETCH)))


def test_names_are_told_apart_at_any_number() -> None:
    seen = Seen()
    names = [b"data/%d" % number for number in range(20_000)]
    assert all(map(seen.add, names))
    assert not any(map(seen.add, names))


CONTENT = {
    b"x": b"x",
    b"deep/in  ner.txt": b"1",
    b"trail ": b"2",
    b"*star": b"3",
    "\u00fc".encode(): b"4",
    b"a\nb": b"5",
    b"c\rd": b"6",
    b"back\\slash": b"7",
}


@pytest.fixture(scope="module")
def bag_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bag")
    for path, content in CONTENT.items():
        file = folder / path.decode()
        file.parent.mkdir(exist_ok=True)
        file.write_bytes(content)
    bagit.make_bag(str(folder), checksums=["md5", "sha1", "sha256", "sha512"])
    return folder


def test_a_bag_that_another_tool_made_is_read_without_complaint(bag_folder: Path) -> None:
    manifests = [path for path in bag_folder.iterdir() if dialect_of(path.name.encode())]
    assert len(manifests) == 8
    for manifest in manifests:
        found = read_with_files(manifest)
        assert (found.refused, found.unusable) == ([], "")
        there = {entry.path: entry for entry in found.listed if exists(bag_folder, entry.path)}
        # Of two meanings of a `%`, the one that is there.
        assert {entry.group for entry in found.listed} - {one.group for one in there.values()} == (
            set()
        )
        for entry in there.values():
            ((name, digest),) = entry.digests
            content = (bag_folder / entry.path.decode()).read_bytes()
            assert hashlib.new(name, content).digest() == digest
        if manifest.name.startswith("manifest"):
            assert set(there) == {b"data/" + path for path in CONTENT}
        else:
            assert b"bagit.txt" in there


def read_with_files(manifest: Path) -> Outcome:
    beside = filter(Path.is_file, manifest.parent.iterdir())
    files = {file.name.encode(): file.read_bytes() for file in beside}
    return read(manifest.read_bytes(), manifest.name.encode(), files)


def exists(folder: Path, path: bytes) -> bool:
    found = resolve(Place(b"manifest-sha256.txt").folder, path)
    return found is not None and (folder / found.decode()).is_file()
