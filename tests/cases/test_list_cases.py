"""Cases D08 and D09: escaped names, the dialects of checksum lists, and "nothing was checked"."""

from __future__ import annotations

import hashlib
import io
import json
import os
import subprocess
from typing import TYPE_CHECKING

import harness
import pytest

from depotserve.tree.expectations.listed import Item, Listed, Place, UnusableError
from depotserve.tree.expectations.lists import checksum_lines
from depotserve.tree.manifest import manifest_line

if TYPE_CHECKING:
    from pathlib import Path

DIGEST = hashlib.sha256(b"x").digest()
H = DIGEST.hex().encode()
SHA1 = hashlib.new("sha1", b"x").hexdigest().encode()  # noqa: S324  # as the recipe has it
OTHER = hashlib.sha256(b"y").hexdigest().encode()


def read(text: bytes, name: bytes = b"SHA256SUMS") -> list[Item]:
    """Read a list; one that is of no use as a whole gives nothing."""
    try:
        return list(checksum_lines.read(io.BytesIO(text), Place(name)))
    except UnusableError:
        return []


# D08: coreutils puts `\` before the hash of a name with backslash, LF or CR.
ESCAPED = {
    b"back\\slash": b"\\" + H + b"  back\\\\slash\n",
    b"n\nl.txt": b"\\" + H + b"  n\\nl.txt\n",
    b"c\rr": b"\\" + H + b"  c\\rr\n",
}
NAMES = [
    *(b"back\\slash", b"n\nl.txt", b"c\rr", b" lead", b"trail ", b"*star", b"-dash"),
    "\u00fc".encode(),
]


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    root = tmp_path / "tree"
    root.mkdir()
    return root


def put(tree: Path, *names: bytes) -> None:
    for name in names:
        with open(os.fsencode(tree) + b"/" + name, "wb") as file:
            file.write(b"x")


def test_the_digest_of_the_recipe_is_the_one_that_it_prints() -> None:
    assert H.startswith(b"2d71")
    assert H.endswith(b"4881")


@pytest.mark.parametrize("name", ESCAPED)
def test_a_name_is_escaped_as_coreutils_does(name: bytes) -> None:
    assert manifest_line(name, DIGEST) == ESCAPED[name]
    assert [item for item in read(ESCAPED[name]) if isinstance(item, Listed)] == [
        Listed(name, 1, None, (("sha256", DIGEST),))
    ]


def test_an_escaped_name_in_tag_form_is_read() -> None:
    assert read(b"\\SHA256 (n\\nl.txt) = " + H) == [
        Listed(b"n\nl.txt", 1, None, (("sha256", DIGEST),))
    ]


def test_a_backslash_without_one_before_the_hash_is_a_letter_of_the_name() -> None:
    (entry,) = read(H + b"  a\\nb\n")
    assert isinstance(entry, Listed)
    assert entry.path == b"a\\nb"
    assert len(entry.path) == 4


@pytest.mark.parametrize("form", [[], ["--tag"]])
def test_a_tree_is_checked_by_what_coreutils_wrote(
    tree: Path, tmp_path: Path, form: list[str]
) -> None:
    put(tree, *NAMES)
    sha256sum = harness.need("sha256sum")
    written = subprocess.run(
        [sha256sum, *form, "--", *NAMES], cwd=tree, capture_output=True, check=True, timeout=60
    ).stdout
    assert {item.path for item in read(written) if isinstance(item, Listed)} == set(NAMES)
    (tree / "SHA256SUMS").write_bytes(written)
    assert faults(tree, tmp_path) == []
    (tree / "n\nl.txt").write_bytes(b"y")
    assert faults(tree, tmp_path) == [("digest differs", "n\nl.txt")]


def test_coreutils_accepts_what_we_wrote(tree: Path, tmp_path: Path) -> None:
    put(tree, *NAMES)
    out = tmp_path / "SHA256SUMS"
    state = tmp_path / "state"
    harness.succeed("tree", "manifest", tree, "--out", out, "--state", state)
    sha256sum = harness.need("sha256sum")
    done = subprocess.run(
        [sha256sum, "-c", "--strict", out], cwd=tree, capture_output=True, check=False, timeout=60
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.count(b": OK\n") == len(NAMES)


# D09.
GOOD = {
    "two blanks": H + b"  x\n",
    "star": H + b" *x\n",
    "one blank": H + b" x\n",
    "upper case": H.upper() + b"  x\n",
    "CR LF": H + b"  x\r\n",
    "no final newline": H + b"  x",
    "tag": b"SHA256 (x) = " + H + b"\n",
    "tag without blanks": b"SHA256(x)= " + H + b"\n",
    "byte order mark": b"\xef\xbb\xbf" + H + b"  x\n",
    "UTF-16": b"\xff\xfe" + (H.decode() + "  x\r\n").encode("utf-16-le"),
    "blank lines and comments": b"# x\n\n" + H + b"  x\n\n# end\n",
}
BAD = {
    "empty": b"",
    "only comments": b"# x\n# y\n",
    "only unparsable lines": b"some words\nand others\n",
    "63 digits": H[:-1] + b"  x\n",
    "SHA-1 in a SHA-256 list": SHA1 + b"  x\n",
    "one good, one junk": H + b"  x\njunk\n",
    "missing file": H + b"  x\n" + H + b"  nowhere\n",
    "twice, with different digests": H + b"  x\n" + OTHER + b"  x\n",
}


def faults(tree: Path, folder: Path) -> list[tuple[str, str]]:
    """Give kind and path of each fault, but for those of names that media cannot hold."""
    done = harness.run("tree", "check", tree, "--json", "--state", folder / "state")
    assert done.stderr == b""
    found = json.loads(done.stdout)["findings"]
    return [
        (one["kind"], one["path"])
        for one in found
        if one["fault"] and one["kind"] != "name that media cannot hold"
    ]


def check(tree: Path, folder: Path) -> subprocess.CompletedProcess[bytes]:
    return harness.run("tree", "check", tree, "--state", folder / "state")


@pytest.mark.parametrize("text", GOOD.values(), ids=GOOD)
def test_every_dialect_is_read(text: bytes) -> None:
    (entry,) = read(text)
    assert isinstance(entry, Listed)
    assert (entry.path, entry.digests) == (b"x", (("sha256", DIGEST),))


@pytest.mark.parametrize("text", GOOD.values(), ids=GOOD)
def test_a_tree_with_a_list_of_any_dialect_is_fine(tree: Path, tmp_path: Path, text: bytes) -> None:
    put(tree, b"x")
    (tree / "SHA256SUMS").write_bytes(text)
    done = check(tree, tmp_path)
    assert done.returncode == 0, done.stdout.decode()


@pytest.mark.parametrize("text", BAD.values(), ids=BAD)
def test_a_tree_with_a_list_that_vouches_for_nothing_or_not_for_all_is_not_fine(
    tree: Path, tmp_path: Path, text: bytes
) -> None:
    put(tree, b"x")
    (tree / "SHA256SUMS").write_bytes(text)
    done = check(tree, tmp_path)
    assert done.returncode == 1
    assert b"Traceback" not in done.stderr


def test_the_last_end_of_a_tag_ends_the_name(tree: Path, tmp_path: Path) -> None:
    put(tree, b"a) = b")
    text = b"SHA256 (a) = b) = " + H + b"\n"
    (entry,) = read(text)
    assert isinstance(entry, Listed)
    assert entry.path == b"a) = b"
    (tree / "SHA256SUMS").write_bytes(text)
    assert check(tree, tmp_path).returncode == 0


def test_of_two_stars_the_second_is_the_names(tree: Path, tmp_path: Path) -> None:
    put(tree, b"x", b"*x")
    text = H + b" **x\n" + H + b"  x\n"
    assert [item.path for item in read(text) if isinstance(item, Listed)] == [b"*x", b"x"]
    (tree / "SHA256SUMS").write_bytes(text)
    assert faults(tree, tmp_path) == []
    (tree / "*x").unlink()
    assert faults(tree, tmp_path) == [("missing", "*x")]
