from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from depotserve.errors import CallerError
from depotserve.tree.authenticity import parse_typed

SHA256 = hashlib.sha256(b"pump").hexdigest()


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    root = tmp_path / "tree"
    (root / "intake").mkdir(parents=True)
    (root / "intake" / "pump.bin").write_bytes(b"pump")
    (root / "a=b").write_bytes(b"pump")
    return root


@pytest.mark.parametrize(
    "written", [SHA256, SHA256.upper(), f"sha256:{SHA256}", f"SHA-256:{SHA256}"]
)
def test_a_digest_is_told_by_its_length_or_by_its_name(written: str, tree: Path) -> None:
    found = parse_typed(f"intake/pump.bin={written}", tree)
    assert (found.path, found.algorithm.name) == (b"intake/pump.bin", "sha256")
    assert found.value == hashlib.sha256(b"pump").digest()


def test_blanks_from_paper_count_for_nothing(tree: Path) -> None:
    spaced = " ".join(SHA256[at : at + 8] for at in range(0, 64, 8))
    assert parse_typed(f"intake/pump.bin={spaced}", tree).value.hex() == SHA256


def test_a_name_decides_between_algorithms_of_one_length(tree: Path) -> None:
    assert parse_typed(f"a=b=sha3-256:{SHA256}", tree).algorithm.name == "sha3_256"
    assert parse_typed(f"a=b=sha512:{SHA256 * 2}", tree).algorithm.name == "sha512"
    assert parse_typed(f"a=b={SHA256}", tree).path == b"a=b"


def test_a_file_is_named_by_its_place_in_the_tree_or_on_disk(
    tree: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = parse_typed(f"{tree}/intake/pump.bin={SHA256}", tree)
    monkeypatch.chdir(tree / "intake")
    here = parse_typed(f"pump.bin={SHA256}", tree)
    monkeypatch.chdir(tree.parent)
    there = parse_typed(f"tree/intake/../intake/pump.bin={SHA256}", Path("tree"))
    assert whole.path == here.path == there.path == b"intake/pump.bin"


def test_a_name_that_could_be_either_of_two_files_is_refused(
    tree: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tree / "pump.bin").write_bytes(b"another")
    monkeypatch.chdir(tree / "intake")
    with pytest.raises(CallerError, match=r"could be intake/pump\.bin or pump\.bin"):
        parse_typed(f"pump.bin={SHA256}", tree)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        (f"intake/pump.bin={hashlib.md5(b'pump').hexdigest()}", "md5"),  # noqa: S324
        (f"intake/pump.bin=sha1:{hashlib.sha1(b'pump').hexdigest()}", "sha1"),  # noqa: S324
        ("intake/pump.bin", "no FILE=HEX"),
        (f"={SHA256}", "no FILE=HEX"),
        ("intake/pump.bin=", "no known kind"),
        (f"intake/pump.bin={SHA256[:-1]}", "no known kind"),
        (f"intake/pump.bin={SHA256[:-1]}g", "no known kind"),
        (f"intake/pump.bin=sha512:{SHA256}", "no known kind"),
        (f"intake/pump.bin=crc:{SHA256}", "no known kind"),
        ("intake/pump.bin=" + "\u0663" * 64, "no known kind"),
        (f"intake/gone.bin={SHA256}", "no such file"),
        (f"intake={SHA256}", "no such file"),
        (f"../outside={SHA256}", "no such file"),
        (f"/etc/passwd={SHA256}", "no such file"),
        (f"a\0b={SHA256}", "no such file"),
    ],
)
def test_what_cannot_be_used_is_refused_with_the_reason(text: str, word: str, tree: Path) -> None:
    (tree.parent / "outside").write_bytes(b"pump")
    with pytest.raises(CallerError) as raised:
        parse_typed(text, tree)
    assert word in str(raised.value)
    assert "\n" not in str(raised.value)


def test_a_name_that_is_no_utf_8_is_found(tree: Path) -> None:
    name = b"pump\xff"
    (tree / os.fsdecode(name)).write_bytes(b"pump")
    assert parse_typed(f"{os.fsdecode(name)}={SHA256}", tree).path == name
