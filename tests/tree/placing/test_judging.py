"""What is wrong with one file, by all that lists say of it: one row for each combination."""

from __future__ import annotations

import hashlib

import pytest

from depotserve.tree.claims import Said
from depotserve.tree.finding import Finding, Kind
from depotserve.tree.judge import judge, source_of

CONTENT = b"pump"
SIZE = len(CONTENT)
OWN = {name: hashlib.new(name, CONTENT).digest() for name in ("md5", "sha1", "sha256", "sha512")}
NOTHING = {name: hashlib.new(name).digest() for name in OWN}
WRONG = {name: bytes(len(value)) for name, value in OWN.items()}
OTHER = {name: b"\xff" * len(value) for name, value in OWN.items()}


def by(source: str, line: int, size: int | None = None, **digests: bytes) -> list[Said]:
    """Give what one line of a list says: as claims are kept, one for each digest."""
    if not digests:
        return [Said(source.encode(), line, size, None, None)]
    return [Said(source.encode(), line, size, name, value) for name, value in digests.items()]


def good(*names: str) -> dict[str, bytes]:
    """Give right digests."""
    return {name: OWN[name] for name in names}


def bad(*names: str) -> dict[str, bytes]:
    """Give wrong digests."""
    return {name: WRONG[name] for name in names}


def of_nothing(*names: str) -> dict[str, bytes]:
    """Give digests of no bytes."""
    return {name: NOTHING[name] for name in names}


FULL = {
    # Nothing, or nothing but the name.
    "nothing is said": ([], []),
    "only the name": (by("a", 1), []),
    "only the name, by two lists": (by("a", 1) + by("b", 1), []),
    # Size alone.
    "size right": (by("a", 1, SIZE), []),
    "size too large": (by("a", 1, 9), [(Kind.SIZE, "4 bytes, 9 by a:1")]),
    "size too small": (by("a", 1, 3), [(Kind.SIZE, "4 bytes, 3 by a:1")]),
    "should be empty": (by("a", 1, 0), [(Kind.SIZE, "4 bytes, 0 by a:1")]),
    # One digest, size unknown, right or wrong.
    "digest right": (by("a", 1, **good("sha256")), []),
    "digest wrong": (by("a", 1, **bad("sha256")), [(Kind.DIGEST, "sha256 by a:1")]),
    "digest of nothing": (by("a", 1, **of_nothing("md5")), [(Kind.DIGEST, "md5 by a:1")]),
    "size right, digest right": (by("a", 1, SIZE, **good("sha256")), []),
    "size right, digest wrong": (
        by("a", 1, SIZE, **bad("sha256")),
        [(Kind.DIGEST, "sha256 by a:1")],
    ),
    "size wrong, digest right": (
        by("a", 1, 9, **good("sha256")),
        [(Kind.SIZE, "4 bytes, 9 by a:1")],
    ),
    "size wrong, digest wrong": (
        by("a", 1, 9, **bad("sha256")),
        [(Kind.SIZE, "4 bytes, 9 by a:1")],
    ),
    # Several digests of one line: all are checked, one that differs is a fault.
    "all right": (by("a", 1, SIZE, **good("md5", "sha1", "sha256", "sha512")), []),
    "weak right, strong wrong": (
        by("a", 1, **good("md5"), **bad("sha256")),
        [(Kind.DIGEST, "sha256 by a:1")],
    ),
    "weak wrong, strong right": (
        by("a", 1, **bad("md5"), **good("sha256")),
        [(Kind.DIGEST, "md5 by a:1")],
    ),
    "all wrong, said once": (
        by("a", 1, **bad("md5", "sha1", "sha256")),
        [(Kind.DIGEST, "md5 by a:1")],
    ),
    # Several lists.
    "two lists, both right": (
        by("a", 1, SIZE, **good("sha256")) + by("b", 7, **good("sha512")),
        [],
    ),
    "two lists, one digest wrong": (
        by("a", 1, **good("sha256")) + by("b", 7, **bad("sha512")),
        [(Kind.DIGEST, "sha512 by b:7")],
    ),
    "two lists, one size wrong": (
        by("a", 1, SIZE) + by("b", 7, 9),
        [(Kind.SIZE, "4 bytes, 9 by b:7")],
    ),
    "two lists, both sizes wrong": (
        by("a", 1, 8) + by("b", 7, 9),
        [(Kind.SIZE, "4 bytes, 8 by a:1")],
    ),
    "size wrong by one, digest wrong by another": (
        by("a", 1, 9) + by("b", 7, **bad("md5")),
        [(Kind.SIZE, "4 bytes, 9 by a:1")],
    ),
    "two lists, the same wrong digest": (
        by("a", 1, **bad("sha256")) + by("b", 7, **bad("sha256")),
        [(Kind.DIGEST, "sha256 by a:1")],
    ),
    # Conflicts: what cannot hold together is a fault of the lists, whatever the file is.
    "listed twice with one digest": (
        by("a", 1, **good("sha256")) + by("a", 2, **good("sha256")),
        [],
    ),
    "conflict, the first holds": (
        by("a", 1, **good("sha256")) + by("a", 2, **bad("sha256")),
        [(Kind.CONFLICT, "sha256 by a:1 and a:2")],
    ),
    "conflict, the second holds": (
        by("a", 1, **bad("sha256")) + by("b", 2, **good("sha256")),
        [(Kind.CONFLICT, "sha256 by a:1 and b:2")],
    ),
    "conflict, neither holds": (
        by("a", 1, **bad("sha256")) + by("a", 2, sha256=OTHER["sha256"]),
        [(Kind.CONFLICT, "sha256 by a:1 and a:2"), (Kind.DIGEST, "sha256 by a:1")],
    ),
    "conflict of one kind, another kind holds": (
        by("a", 1, **good("sha256", "md5")) + by("a", 2, **good("sha256"), md5=WRONG["md5"]),
        [(Kind.CONFLICT, "md5 by a:1 and a:2")],
    ),
    "conflict of one kind, another kind is wrong": (
        by("a", 1, **good("md5"), **bad("sha1")) + by("b", 2, **bad("md5")),
        [(Kind.CONFLICT, "md5 by a:1 and b:2"), (Kind.DIGEST, "sha1 by a:1")],
    ),
    "conflict and a wrong size": (
        by("a", 1, 9, **good("sha256")) + by("a", 2, **bad("sha256")),
        [(Kind.CONFLICT, "sha256 by a:1 and a:2"), (Kind.SIZE, "4 bytes, 9 by a:1")],
    ),
    "three that differ are said once": (
        by("a", 1, **good("md5")) + by("b", 1, **bad("md5")) + by("c", 1, md5=OTHER["md5"]),
        [(Kind.CONFLICT, "md5 by a:1 and b:1")],
    ),
    # Digests of different kinds cannot be compared with each other: nothing is in conflict.
    "different kinds": (by("a", 1, **good("md5")) + by("b", 1, **good("sha1")), []),
    # Lists whose format has no lines.
    "a list without lines": (by("a", 0, **bad("md5")), [(Kind.DIGEST, "md5 by a")]),
}

EMPTY = {
    "nothing is said": ([], []),
    "only the name": (by("a", 1), []),
    "size 0": (by("a", 1, 0), []),
    "size 0 and its digest": (by("a", 1, 0, **of_nothing("md5", "sha256")), []),
    "its digest": (by("a", 1, **of_nothing("sha512")), []),
    "another size": (by("a", 1, 9), [(Kind.EMPTY, "0 bytes, 9 by a:1")]),
    "another size and digest": (
        by("a", 1, 9, **good("sha256")),
        [(Kind.EMPTY, "0 bytes, 9 by a:1")],
    ),
    "another digest": (by("a", 1, **good("sha256")), [(Kind.EMPTY, "not by a:1")]),
    "size 0 and the digest of something": (
        by("a", 1, 0, **good("sha256")),
        [(Kind.EMPTY, "not by a:1")],
    ),
    "size 0 by one, more by another": (
        by("a", 1, 0) + by("b", 2, 9),
        [(Kind.EMPTY, "0 bytes, 9 by b:2")],
    ),
    "a conflict, of which one is nothing": (
        by("a", 1, **of_nothing("md5")) + by("a", 2, **good("md5")),
        [(Kind.CONFLICT, "md5 by a:1 and a:2"), (Kind.EMPTY, "not by a:2")],
    ),
}


def found(size: int, own: dict[str, bytes], said: list[Said]) -> list[tuple[Kind, str]]:
    """Judge one file; each finding is about its path and no line."""
    findings = list(judge(b"a/pump", size, own, said))
    assert all(isinstance(one, Finding) for one in findings)
    assert {(one.path, one.line) for one in findings} <= {(b"a/pump", 0)}
    return [(one.kind, one.detail) for one in findings]


@pytest.mark.parametrize(("said", "expected"), FULL.values(), ids=FULL)
def test_a_file_is_judged_by_all_that_lists_say(
    said: list[Said], expected: list[tuple[Kind, str]]
) -> None:
    assert found(SIZE, OWN, said) == expected


@pytest.mark.parametrize(("said", "expected"), EMPTY.values(), ids=EMPTY)
def test_an_empty_file_is_judged_as_one(said: list[Said], expected: list[tuple[Kind, str]]) -> None:
    assert found(0, NOTHING, said) == expected


def test_what_is_said_in_another_order_gives_the_same_kinds() -> None:
    for said, expected in FULL.values():
        turned = [kind for kind, _ in found(SIZE, OWN, said[::-1])]
        assert turned == [kind for kind, _ in expected]


def test_a_digest_of_the_file_that_is_not_known_says_nothing() -> None:
    # It could not be read, which is a finding of its own.
    said = by("a", 1, **bad("md5", "sha256"))
    assert found(SIZE, {}, said) == []
    assert found(SIZE, {"sha256": OWN["sha256"]}, said) == [(Kind.DIGEST, "sha256 by a:1")]


def test_an_empty_file_needs_no_digest_of_its_own_to_be_found_empty() -> None:
    assert found(0, {}, by("a", 1, **good("sha1"))) == [(Kind.EMPTY, "not by a:1")]


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (by("lists/SUMS", 3)[0], "lists/SUMS:3"),
        (by("repo.json", 0)[0], "repo.json"),
        (Said(b"caf\xe9", 1, None, None, None), "caf\udce9:1"),
    ],
)
def test_a_list_and_its_line_are_named_for_a_person(one: Said, words: str) -> None:
    assert source_of(one) == words
