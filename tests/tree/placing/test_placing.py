"""`depotserve tree place`: which place a file is given, and which it is refused."""

from __future__ import annotations

import gzip
import hashlib
import json
from typing import TYPE_CHECKING

import pytest
from placing_kit import PUMP, VALVE, faults, fill, identity, metalink, names, place, sums

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Make a tree whose list names two files, of which one is there."""
    listed = {"intake/pump.bin": PUMP, "valve.tab": VALVE}
    return fill(tmp_path / "tree", {"SHA256SUMS": sums(listed), "valve.tab": VALVE})


@pytest.fixture
def fetched(tmp_path: Path) -> Path:
    """Make the folder that a person's downloads lie in."""
    return fill(tmp_path / "fetched", {"pump.bin": PUMP})


# By digest.


def test_a_file_is_placed_by_its_digest_and_stays_where_it_was(root: Path, fetched: Path) -> None:
    ended = place(root, fetched / "pump.bin")
    assert (ended.status, ended.errors) == (0, [])
    assert ended.lines == [f"{fetched}/pump.bin: placed: intake/pump.bin"]
    assert (root / "intake" / "pump.bin").read_bytes() == PUMP
    assert (fetched / "pump.bin").read_bytes() == PUMP
    assert names(root) == {"SHA256SUMS", "valve.tab", "intake", "intake/pump.bin"}


@pytest.mark.parametrize("name", ["pump (1).bin", "pump.bin.part", "x", "PUMP.BIN"])
def test_a_digest_finds_the_place_whatever_the_file_is_called(
    root: Path, fetched: Path, name: str
) -> None:
    (fetched / "pump.bin").rename(fetched / name)
    assert place(root, fetched / name).status == 0
    assert (root / "intake" / "pump.bin").read_bytes() == PUMP


def test_a_link_to_a_file_may_be_named(root: Path, fetched: Path) -> None:
    (fetched / "link").symlink_to("pump.bin")
    assert place(root, fetched / "link").status == 0
    assert (root / "intake" / "pump.bin").read_bytes() == PUMP
    assert not (root / "intake" / "pump.bin").is_symlink()


def test_each_place_of_one_content_gets_it(tmp_path: Path, fetched: Path) -> None:
    listed = {"a/pump.bin": PUMP, "b/pump.bin": PUMP, "c/other.bin": PUMP}
    root = fill(tmp_path / "tree", {"SHA256SUMS": sums(listed), "b/pump.bin": PUMP})
    ended = place(root, fetched / "pump.bin")
    assert ended.status == 0
    assert [line.partition("pump.bin: ")[2] for line in ended.lines] == [
        "placed: a/pump.bin",
        "there already, and right: b/pump.bin",
        "placed: c/other.bin",
    ]
    assert {(root / name).read_bytes() for name in listed} == {PUMP}


def test_a_list_from_elsewhere_counts(tmp_path: Path, fetched: Path) -> None:
    (tmp_path / "SUMS").write_bytes(sums({"pump.bin": PUMP}, "sha512"))
    root = fill(tmp_path / "tree", {})
    assert place(root, fetched / "pump.bin", "--expect", tmp_path / "SUMS").status == 0
    assert names(root) == {"pump.bin"}


def test_any_of_several_digests_finds_the_place_and_all_must_hold(
    tmp_path: Path, fetched: Path
) -> None:
    lists = {
        "MD5SUMS": sums({"pump.bin": PUMP}, "md5"),
        "SHA256SUMS": sums({"pump.bin": VALVE}),
    }
    root = fill(tmp_path / "tree", lists)
    ended = place(root, fetched / "pump.bin")
    assert ended.status == 1
    assert "\n".join(ended.lines) == (
        f"{fetched}/pump.bin: cannot be put in its place (lists disagree on what belongs there): "
        "pump.bin"
    )
    assert names(root) == set(lists)


def test_one_of_a_group_of_compressions_goes_to_its_own_place(tmp_path: Path) -> None:
    # Debian policy has no name for it: Release lists each form of Packages, of which one suffices.
    plain = b"Package: pump-control\nVersion: 1\nArchitecture: all\n\n"
    packed = gzip.compress(plain, mtime=0)
    forms = {"main/binary-all/Packages": plain, "main/binary-all/Packages.gz": packed}
    lines = "".join(
        f" {hashlib.sha256(content).hexdigest()} {len(content)} {name}\n"
        for name, content in forms.items()
    )
    root = fill(tmp_path / "tree", {"Release": f"Origin: plant\nSHA256:\n{lines}".encode()})
    fetched = fill(tmp_path / "fetched", {"Packages.gz": packed})
    ended = place(root, fetched / "Packages.gz")
    assert ended.lines == [f"{fetched}/Packages.gz: placed: main/binary-all/Packages.gz"]
    assert (root / "main/binary-all/Packages.gz").read_bytes() == packed
    assert not (root / "main/binary-all/Packages").exists()


# By name and size.


@pytest.fixture
def sized(tmp_path: Path) -> Path:
    """Make a tree whose list states sizes alone."""
    sizes = {"intake/pump.bin": len(PUMP), "x/table": 7, "y/table": 7, "valve.tab": len(VALVE)}
    files = {"all.meta4": metalink(sizes), "valve.tab": VALVE, "x/note": b"."}
    return fill(tmp_path / "tree", files)


def test_a_file_is_placed_by_name_and_size_where_no_digest_is_listed(
    sized: Path, fetched: Path
) -> None:
    ended = place(sized, fetched / "pump.bin")
    assert (ended.status, ended.errors) == (0, [])
    assert (sized / "intake" / "pump.bin").read_bytes() == PUMP


@pytest.mark.parametrize("name", ["pump (1).bin", "pump.bin.part", "PUMP.BIN"])
def test_a_size_alone_is_refused_and_the_missing_files_of_it_are_shown(
    sized: Path, fetched: Path, name: str
) -> None:
    (fetched / "pump.bin").rename(fetched / name)
    ended = place(sized, fetched / name)
    assert ended.status == 1
    assert "\n".join(ended.lines) == (
        f"{fetched}/{name}: no list expects it (missing files of its size, known by name alone): "
        "intake/pump.bin"
    )
    assert not (sized / "intake").exists()


def test_two_places_of_a_name_and_size_are_shown_and_neither_gets_the_file(
    sized: Path, fetched: Path
) -> None:
    (fetched / "table").write_bytes(b"1234567")
    ended = place(sized, fetched / "table")
    assert ended.status == 1
    assert ended.lines == [f"{fetched}/table: could belong at several places: x/table, y/table"]
    assert not (sized / "x" / "table").exists()


def test_a_file_of_another_size_than_its_name_has_is_wrong(sized: Path, fetched: Path) -> None:
    (fetched / "pump.bin").write_bytes(PUMP[:-1])
    ended = place(sized, fetched / "pump.bin")
    assert ended.status == 1
    assert "\n".join(ended.lines) == (
        f"{fetched}/pump.bin: is not what lists expect by its name "
        f"(it has {len(PUMP) - 1} bytes, expected are {len(PUMP)}): intake/pump.bin"
    )


def test_a_place_of_which_lists_say_nothing_cannot_be_filled(tmp_path: Path, fetched: Path) -> None:
    root = fill(tmp_path / "tree", {"all.meta4": metalink({"pump.bin": None})})
    ended = place(root, fetched / "pump.bin")
    assert ended.status == 1
    assert "neither a size nor a digest, so that nothing vouches): pump.bin" in ended.lines[0]
    assert names(root) == {"all.meta4"}


def test_name_and_size_do_not_make_up_for_a_digest_that_differs(root: Path, fetched: Path) -> None:
    (fetched / "pump.bin").write_bytes(PUMP[::-1])
    ended = place(root, fetched / "pump.bin")
    assert ended.status == 1
    assert "\n".join(ended.lines) == (
        f"{fetched}/pump.bin: is not what lists expect by its name (its digest differs): "
        "intake/pump.bin"
    )
    assert not (root / "intake").exists()


def test_a_file_that_no_list_expects_is_refused(root: Path, fetched: Path) -> None:
    (fetched / "notes").write_bytes(b"other")
    ended = place(root, fetched / "notes")
    assert (ended.status, ended.lines) == (1, [f"{fetched}/notes: no list expects it"])


def test_without_any_list_the_command_says_so(tmp_path: Path, fetched: Path) -> None:
    ended = place(fill(tmp_path / "tree", {"a": b"a"}), fetched / "pump.bin")
    assert ended.status == 1
    assert ended.errors == [
        "depotserve: no list of expected files was found: give one with --expect"
    ]


def test_a_list_that_cannot_be_used_is_named(root: Path, fetched: Path) -> None:
    (root / "SHA512SUMS").write_bytes(b"\x00\x01 no list\n" * 50)
    ended = place(root, fetched / "pump.bin")
    assert ended.status == 0
    assert len(ended.errors) == 1
    assert ended.errors[0].startswith("depotserve: SHA512SUMS: this list cannot be used: ")


CATALOG = b'{"loads": [{"artifact": "intake/pump.bin", "octets": %d}]}' % len(PUMP)
RULES = b"""format: 1
catalogs: [{match: catalog.json, entries: loads, path: artifact, size: octets}]
"""


def test_a_catalog_is_read_by_its_rules(tmp_path: Path, fetched: Path) -> None:
    root = fill(tmp_path / "tree", {"catalog.json": CATALOG})
    rules = fill(tmp_path, {"rules.yaml": RULES}) / "rules.yaml"
    assert place(root, fetched / "pump.bin").status == 1
    assert place(root, fetched / "pump.bin", "--rules", rules).status == 0
    assert (root / "intake" / "pump.bin").read_bytes() == PUMP


def test_a_catalog_that_is_taken_for_one_of_other_files_is_named(
    tmp_path: Path, fetched: Path
) -> None:
    entries = [
        {"path": f"d/{number}.bin", "size": 7 + number, "sha256": f"{number:064x}"}
        for number in range(5)
    ]
    catalog = json.dumps({"files": entries}).encode()
    ended = place(fill(tmp_path / "tree", {"catalog.json": catalog}), fetched / "pump.bin")
    assert ended.status == 1
    said = "catalog.json: this list cannot be used: 0 of the 5 files that it names are here"
    assert said in ended.errors[0]


def test_a_list_given_that_is_not_there_is_misuse(root: Path, fetched: Path) -> None:
    ended = place(root, fetched / "pump.bin", "--expect", "nowhere")
    assert (ended.status, ended.lines) == (2, [])
    assert ended.errors == ["depotserve: nowhere: no such file"]


# Empty files.

EMPTY = {"a/mark": b"", "b/flag": b"", "c/mark": b""}


def test_an_empty_file_is_placed_by_its_name_and_at_no_other_place_of_nothing(
    tmp_path: Path,
) -> None:
    root = fill(tmp_path / "tree", {"SHA256SUMS": sums(EMPTY)})
    fetched = fill(tmp_path / "fetched", {"mark": b"", "unknown": b""})
    ended = place(root, fetched / "mark", fetched / "unknown")
    assert ended.status == 1
    assert ended.lines == [
        f"{fetched}/mark: placed: a/mark",
        f"{fetched}/mark: placed: c/mark",
        f"{fetched}/unknown: no list expects it",
    ]
    assert names(root) == {"SHA256SUMS", "a", "a/mark", "c", "c/mark"}


def test_a_failed_download_of_no_bytes_replaces_nothing(root: Path, fetched: Path) -> None:
    (fetched / "valve.tab").write_bytes(b"")
    ended = place(root, fetched / "valve.tab")
    assert ended.status == 1
    assert "(its digest differs): valve.tab" in ended.lines[0]
    assert (root / "valve.tab").read_bytes() == VALVE


# What is there already.


def test_a_file_that_is_right_is_left_alone(root: Path, tmp_path: Path) -> None:
    fetched = fill(tmp_path / "fetched", {"valve.tab": VALVE})
    before = identity(root / "valve.tab")
    ended = place(root, fetched / "valve.tab")
    assert ended.status == 0
    assert ended.lines == [f"{fetched}/valve.tab: there already, and right: valve.tab"]
    assert identity(root / "valve.tab") == before


@pytest.mark.parametrize("wrong", [b"", PUMP[:-1], PUMP + b"x", PUMP[::-1]])
def test_a_file_that_is_wrong_is_replaced(root: Path, fetched: Path, wrong: bytes) -> None:
    fill(root, {"intake/pump.bin": wrong})
    (root / "intake" / "pump.bin").chmod(0o444)
    assert place(root, fetched / "pump.bin").status == 0
    assert (root / "intake" / "pump.bin").read_bytes() == PUMP
    assert names(root) == {"SHA256SUMS", "valve.tab", "intake", "intake/pump.bin"}


def test_the_second_of_two_files_for_one_place_finds_it_right(root: Path, fetched: Path) -> None:
    (fetched / "again").write_bytes(PUMP)
    ended = place(root, fetched / "pump.bin", fetched / "again")
    assert ended.status == 0
    assert ended.lines[1] == f"{fetched}/again: there already, and right: intake/pump.bin"


def test_a_file_of_the_tree_itself_is_copied_to_its_place(root: Path) -> None:
    fill(root, {"downloads/pump.bin.1": PUMP})
    assert place(root, root / "downloads" / "pump.bin.1").status == 0
    assert (root / "intake" / "pump.bin").read_bytes() == PUMP
    assert (root / "downloads" / "pump.bin.1").read_bytes() == PUMP


def test_a_file_that_lies_at_its_place_is_left_alone_or_called_wrong(root: Path) -> None:
    before = identity(root / "valve.tab")
    assert place(root, root / "valve.tab").lines[0].endswith("there already, and right: valve.tab")
    assert identity(root / "valve.tab") == before
    (root / "valve.tab").write_bytes(b"cut")
    assert place(root, root / "valve.tab").status == 1


# Several files.


def test_of_several_files_the_good_ones_are_placed_and_the_status_is_that_of_the_worst(
    tmp_path: Path,
) -> None:
    listed = {f"{name}.bin": name.encode() * 100 for name in "abcd"}
    root = fill(tmp_path / "tree", {"SHA256SUMS": sums(listed)})
    fetched = fill(tmp_path / "fetched", {**listed, "b.bin": b"wrong"})
    files = [fetched / name for name in listed]
    ended = place(root, *files)
    assert ended.status == 1
    assert {name for name in names(root) if name.endswith(".bin")} == {"a.bin", "c.bin", "d.bin"}
    ended = place(root, fetched / "nowhere", *files)
    assert ended.status == 2
    assert ended.errors == [
        f"depotserve: {fetched}/nowhere: cannot be read (No such file or directory)"
    ]
    assert len(ended.lines) == 4


def test_no_file_at_all_is_misuse(root: Path) -> None:
    assert place(root).status == 2


def test_a_tree_that_is_not_there_is_named(tmp_path: Path, fetched: Path) -> None:
    ended = place(tmp_path / "nowhere", fetched / "pump.bin")
    assert ended.status == 2
    assert ended.errors == [f"depotserve: {tmp_path}/nowhere: No such file or directory"]


def test_the_tree_is_complete_for_the_check_afterwards(
    root: Path, fetched: Path, tmp_path: Path
) -> None:
    assert faults(root, tmp_path / "state") == {("missing", "intake/pump.bin")}
    place(root, fetched / "pump.bin")
    assert faults(root, tmp_path / "state") == set()
