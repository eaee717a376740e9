"""Each kind of finding that issue 5 names, on a small tree that has just that; and what is none."""

from __future__ import annotations

import bz2
import gzip
import hashlib
import io
import lzma
import os
import subprocess
import tarfile
import time
import unicodedata
import zipfile
from typing import TYPE_CHECKING

import archives_kit
import attrs
import harness
import pytest
import repo_kit
from check_kit import check

if TYPE_CHECKING:
    from pathlib import Path

    from check_kit import Checked

PUMP, VALVE = b"intake pump firmware\n" * 40, b"brine valve firmware\n" * 30
MISSING, SIZE, DIGEST, EMPTY = "missing", "size differs", "digest differs", "empty"
UNFINISHED, CONFLICT, LINE = (
    "unfinished",
    "listed with different digests",
    "unreadable line of a list",
)
LIST, FORM, FALLS, NAME = (
    "list cannot be used",
    "same name, other form",
    "names that fall together",
    "name that media cannot hold",
)
EXTRA, WEAK, CUT = "in no list", "vouched for by a weak digest alone", "cut short or damaged"
COMPOSED = unicodedata.normalize("NFC", "sch\u00fctz.img")
DECOMPOSED = unicodedata.normalize("NFD", COMPOSED)


def sums(files: dict[str, bytes], algorithm: str = "sha256", *, marker: str = " ") -> bytes:
    """Write a list as coreutils does."""
    rows = (
        f"{hashlib.new(algorithm, content).hexdigest()} {marker}{name}\n"
        for name, content in files.items()
    )
    return "".join(rows).encode()


def bsd(files: dict[str, bytes], algorithm: str) -> bytes:
    rows = (
        f"{algorithm.upper()} ({name}) = {hashlib.new(algorithm, content).hexdigest()}\n"
        for name, content in files.items()
    )
    return "".join(rows).encode()


def meta4(name: str, content: bytes) -> bytes:
    """Write a Metalink, which states sizes (RFC 5854)."""
    return (
        '<metalink xmlns="urn:ietf:params:xml:ns:metalink">'
        f'<file name="{name}"><size>{len(content)}</size>'
        f'<hash type="sha-256">{hashlib.sha256(content).hexdigest()}</hash></file></metalink>'
    ).encode()


@attrs.frozen
class Case:
    """A tree, what is found in it, and words of the first finding's detail."""

    files: dict[str, bytes]
    found: set[tuple[str, str]]
    words: str = ""


PAIR = {"pump.img": PUMP, "valve.img": VALVE}
GOOD = {**PAIR, "SHA256SUMS": sums(PAIR)}
CASES = {
    "missing": Case(
        {"pump.img": PUMP, "SHA256SUMS": sums(PAIR)}, {(MISSING, "valve.img")}, "SHA256SUMS:2"
    ),
    "missing, and elsewhere": Case(
        {"pump.img": PUMP, "new/other.img": VALVE, "SHA256SUMS": sums(PAIR)},
        {(MISSING, "valve.img"), (EXTRA, "new/other.img")},
        "its content lies at new/other.img",
    ),
    "size": Case(
        {"pump.img": PUMP[:-1], "pump.meta4": meta4("pump.img", PUMP)}, {(SIZE, "pump.img")},
        f"{len(PUMP) - 1} bytes, {len(PUMP)} by pump.meta4",
    ),
    "digest": Case({**GOOD, "pump.img": PUMP[::-1]}, {(DIGEST, "pump.img")}, "sha256"),
    "empty": Case({**GOOD, "pump.img": b""}, {(EMPTY, "pump.img")}, "SHA256SUMS:1"),
    "empty, as expected": Case({"pump.img": b"", "SHA256SUMS": sums({"pump.img": b""})}, set()),
    "empty, in no list": Case(
        {**GOOD, "notes": b""}, {(EXTRA, "notes")}, "it is empty"
    ),
    "part": Case({**GOOD, "new.img.part": PUMP}, {(UNFINISHED, "new.img.part")}, "new.img"),
    "crdownload": Case(
        {**GOOD, "a.img.crdownload": PUMP}, {(UNFINISHED, "a.img.crdownload")}
    ),
    "aria2": Case(
        {**GOOD, "new.img": VALVE, "new.img.aria2": b"x"},
        {(UNFINISHED, "new.img"), (UNFINISHED, "new.img.aria2")},
    ),
    "zeros": Case(
        {**GOOD, "notes.pdf": b"%PDF" + bytes(2 << 20)},
        {(UNFINISHED, "notes.pdf")},
        "bytes are zeros",
    ),
    "zeros that a digest vouches for": Case(
        {"n.pdf": bytes(2 << 20), "SHA256SUMS": sums({"n.pdf": bytes(2 << 20)})}, set()
    ),
    "twice": Case(
        {"pump.img": PUMP, "SHA256SUMS": sums({"pump.img": PUMP}) + sums({"pump.img": VALVE})},
        {(CONFLICT, "pump.img")},
        "SHA256SUMS:1 and SHA256SUMS:2",
    ),
    "twice, alike": Case(
        {"pump.img": PUMP, "SHA256SUMS": sums({"pump.img": PUMP}) * 2}, set()
    ),
    "extra": Case({**GOOD, "readme.txt": b"hello"}, {(EXTRA, "readme.txt")}),
    "line": Case(
        {**PAIR, "SHA256SUMS": b"# plant\n" + sums(PAIR) + b"zzzz  other.img\n"},
        {(LINE, "SHA256SUMS")},
    ),
    "path outside": Case(
        {**PAIR, "SHA256SUMS": sums({**PAIR, "../canary": b"x"})}, {(LINE, "SHA256SUMS")},
        "no path within the tree",
    ),
    "media": Case(
        {"a:b.img": PUMP, "SHA256SUMS": sums({"a:b.img": PUMP})}, {(NAME, "a:b.img")}, "reserved"
    ),
    "case": Case(
        {"Pump.img": PUMP, "pump.img": VALVE,
         "SHA256SUMS": sums({"Pump.img": PUMP, "pump.img": VALVE})},
        {(FALLS, "Pump.img")},
        "with pump.img",
    ),
    "form": Case(
        {DECOMPOSED: PUMP, "SHA256SUMS": sums({COMPOSED: PUMP})},
        {(FORM, COMPOSED), (EXTRA, DECOMPOSED)},
    ),
    "weak": Case(
        {"pump.img": PUMP, "MD5SUMS": sums({"pump.img": PUMP}, "md5")}, {(WEAK, "pump.img")}, "md5"
    ),
    "weak and strong": Case(
        {**GOOD, "MD5SUMS": sums(PAIR, "md5")}, set()
    ),
    "all algorithms count": Case(
        {**GOOD, "SHA512SUMS": sums({"pump.img": VALVE}, "sha512")}, {(DIGEST, "pump.img")},
        "sha512 by SHA512SUMS:1",
    ),
    "a weak one counts against": Case(
        {**GOOD, "MD5SUMS": sums({"pump.img": VALVE}, "md5")}, {(DIGEST, "pump.img")}, "md5"
    ),
    "sidecars": Case(
        {"a/x.iso": PUMP, "a/x.iso.sha256": hashlib.sha256(PUMP).hexdigest().encode(),
         "a/y.iso": VALVE, "a/y.iso.md5": hashlib.md5(PUMP).hexdigest().encode()},  # noqa: S324
        {(DIGEST, "a/y.iso")},
        "a/y.iso.md5",
    ),
    "binary, upper case, CR LF, BSD": Case(
        {**PAIR,
         "SHA1SUMS": sums(PAIR, "sha1", marker="*").upper().replace(b"PUMP.IMG", b"pump.img")
         .replace(b"VALVE.IMG", b"valve.img").replace(b"\n", b"\r\n"),
         "CHECKSUM": bsd(PAIR, "sha512")},
        set(),
    ),
    "relative to itself": Case(
        {"fw/pump.img": PUMP, "fw/SHA256SUMS": sums({"pump.img": PUMP}), "pump.img": PUMP,
         "SHA256SUMS": sums({"pump.img": PUMP})},
        set(),
    ),
    "relative to the root": Case(
        {"fw/pump.img": PUMP, "lists/SHA256SUMS": sums({"fw/pump.img": PUMP})}, set()
    ),
    "nothing vouches": Case({"readme.txt": b"hello"}, {(EXTRA, "readme.txt")}),
    "an empty list": Case({"pump.img": PUMP, "SHA256SUMS": b""}, {(LIST, "SHA256SUMS"),
                                                                (EXTRA, "pump.img")}),
}  # fmt: skip
NOT_VOUCHED = {"nothing vouches", "an empty list"}


@pytest.fixture
def root(tmp_path: Path) -> Path:
    (tmp_path / "tree").mkdir()
    return tmp_path / "tree"


def lay(root: Path, files: dict[str, bytes]) -> None:
    for path, content in files.items():
        (root / path).parent.mkdir(parents=True, exist_ok=True)
        (root / path).write_bytes(content)


def checked(root: Path, *options: str | Path) -> Checked:
    return check(root, root.parent / "state", *options)


def findings(found: Checked) -> set[tuple[str, str]]:
    return {(one["kind"], one["path"]) for one in found.document["findings"]}


@pytest.mark.parametrize("name", CASES)
def test_each_kind_of_finding_is_found_alone(name: str, root: Path) -> None:
    case = CASES[name]
    lay(root, case.files)
    found = checked(root)
    assert findings(found) == case.found
    assert any(case.words in (one["detail"] or "") for one in found.document["findings"]) or (
        not case.words
    )
    assert found.status == int(bool(found.faults) or name in NOT_VOUCHED)


def test_an_unreadable_line_is_told_with_its_number(root: Path) -> None:
    lay(root, CASES["line"].files)
    (line,) = (one["line"] for one in checked(root).document["findings"])
    assert line == 4


def test_of_a_list_of_junk_so_many_lines_are_told_and_that_there_are_more(root: Path) -> None:
    lay(root, {"pump.img": PUMP, "SHA256SUMS": sums({"pump.img": PUMP}) + b"junk\n" * 10_002})
    found = checked(root)
    told = [one for one in found.document["findings"] if one["kind"] == LINE]
    assert len(told) == 10_000
    assert "more than 10000" in found.details(LIST)["SHA256SUMS"]
    assert found.marks()["pump.img"] == "self-consistent only"


def test_a_file_that_a_writer_still_adds_to_is_unfinished(root: Path) -> None:
    lay(root, GOOD)
    growing = root / "new.img"
    growing.write_bytes(bytes(64))
    writer = subprocess.Popen(
        ["sh", "-c", "while :; do echo intake >> new.img; done"],
        cwd=root,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        size = growing.stat().st_size
        while growing.stat().st_size == size:
            time.sleep(0.01)
        found = checked(root)
    finally:
        writer.kill()
        writer.wait()
    assert findings(found) == {(UNFINISHED, "new.img")}
    assert found.details(UNFINISHED)["new.img"] == "it is still growing"


# Archives that no list vouches for.


def make_zip(_room: Path) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("pump.img", PUMP)
        archive.writestr("noise", os.urandom(5000))
    return held.getvalue()


def make_tar(room: Path) -> bytes:
    held = io.BytesIO()
    with tarfile.open(fileobj=held, mode="w") as archive:
        archive.add(room / "sample", "sample")
    return held.getvalue()


def make_ova(_room: Path) -> bytes:
    held = io.BytesIO()
    with tarfile.open(fileobj=held, mode="w", format=tarfile.USTAR_FORMAT) as archive:
        for name, content in {"plant.ovf": b"<Envelope/>", "plant-disk1.vmdk": PUMP * 50}.items():
            member = tarfile.TarInfo(name)
            member.size = len(content)
            archive.addfile(member, io.BytesIO(content))
    return held.getvalue()


def make_iso(room: Path) -> bytes:
    out = room / "plant.iso"
    repo_kit.run("xorriso", "-as", "mkisofs", "-quiet", "-o", out, room / "sample", cwd=room)
    return out.read_bytes()


def make_deb(room: Path) -> bytes:
    repo_kit.make_debs(room / "debs")
    return next((room / "debs").glob("*.deb")).read_bytes()


def make_rpm(room: Path) -> bytes:
    repo_kit.make_rpm_md(room / "rpms")
    return next((room / "rpms" / "packages").glob("*.rpm")).read_bytes()


NOISE = os.urandom(20000)
ARCHIVES = {
    "a.zip": make_zip,
    "a.tar": make_tar,
    "a.gz": lambda _: gzip.compress(NOISE),
    "a.xz": lambda _: lzma.compress(NOISE),
    "a.bz2": lambda _: bz2.compress(NOISE),
    "a.zst": lambda _: repo_kit.compress(NOISE, "zst"),
    "a.iso": make_iso,
    "a.rpm": make_rpm,
    "a.deb": make_deb,
    "a.ova": make_ova,
}


@pytest.mark.slow
def test_of_archives_that_nothing_vouches_for_those_that_were_cut_are_found(
    root: Path, tmp_path: Path
) -> None:
    (tmp_path / "room").mkdir()
    sample = archives_kit.sample(tmp_path)
    sample.rename(tmp_path / "room" / "sample")
    for name, make in ARCHIVES.items():
        whole = make(tmp_path / "room")
        lay(root, {f"whole/{name}": whole, f"cut/{name}": whole[: len(whole) * 2 // 3]})
    found = checked(root)
    assert found.faults == {(CUT, f"cut/{name}") for name in ARCHIVES}
    assert found.status == 1
    assert {one["path"] for one in found.document["to_do"]} == {f"cut/{name}" for name in ARCHIVES}
    # What was found is remembered, and found again without a look.
    assert checked(root).document == found.document


# Links, and lists given by hand.


def test_what_a_list_says_of_a_link_or_through_one_counts_for_the_file_behind_it(
    root: Path,
) -> None:
    named = {"current/pump.img": PUMP, "latest.img": PUMP}
    lay(root, {"fw-7/pump.img": PUMP, "SHA256SUMS": sums(named)})
    (root / "current").symlink_to("fw-7")
    (root / "latest.img").symlink_to("current/pump.img")
    found = checked(root)
    assert (found.status, found.faults) == (0, set())
    assert found.marks()["fw-7/pump.img"] == "self-consistent only"
    (root / "fw-7" / "pump.img").write_bytes(VALVE)
    assert checked(root).faults == {(DIGEST, "fw-7/pump.img")}
    (root / "fw-7" / "pump.img").unlink()
    gone = checked(root).faults
    assert {path for kind, path in gone if kind == MISSING} == set(named)


def test_a_link_out_of_the_tree_brings_nothing_in(root: Path, tmp_path: Path) -> None:
    (tmp_path / "outside").write_bytes(PUMP)
    lay(root, {"SHA256SUMS": sums({"pump.img": PUMP})})
    (root / "pump.img").symlink_to(tmp_path / "outside")
    found = checked(root)
    assert found.faults == {(MISSING, "pump.img"), ("link that leads out of the tree", "pump.img")}
    assert "pump.img" not in found.marks()


def test_a_list_from_elsewhere_speaks_of_the_tree_from_its_root(root: Path, tmp_path: Path) -> None:
    lay(root, {"fw/pump.img": PUMP})
    given = tmp_path / "from the vendor.txt"
    given.write_bytes(sums({"fw/pump.img": PUMP, "fw/valve.img": VALVE}))
    found = checked(root, "--expect", given)
    assert found.faults == {(MISSING, "fw/valve.img")}
    (one,) = found.document["lists"]
    assert (one["in_tree"], one["named"], one["here"]) == (False, 2, 1)
    assert any("--expect" in one for one in found.document["not_checked"])


def test_a_list_in_the_tree_that_no_name_tells_can_be_given(root: Path) -> None:
    lay(root, {"fw/pump.img": PUMP, "fw/inventory.txt": sums({"pump.img": VALVE})})
    assert findings(checked(root)) == {(EXTRA, "fw/pump.img"), (EXTRA, "fw/inventory.txt")}
    found = checked(root, "--expect", root / "fw" / "inventory.txt")
    assert findings(found) == {(DIGEST, "fw/pump.img")}


@pytest.mark.parametrize("inside", [True, False])
def test_what_was_given_as_a_list_and_is_none_is_a_fault(
    inside: bool, root: Path, tmp_path: Path
) -> None:
    lay(root, {**GOOD, "settings.json": b'{"pump": 1}'})
    given = root / "settings.json"
    if not inside:
        given = given.rename(tmp_path / "settings.json")
    assert checked(root).faults == set()
    assert checked(root, "--expect", given).faults == {(LIST, "settings.json")}


def test_a_tree_without_a_file_is_not_fine(root: Path) -> None:
    found = checked(root)
    assert (found.status, found.faults) == (1, set())
    assert found.document["files"] == 0
    done = harness.run("tree", "check", root, "--state", root.parent / "state")
    assert done.returncode == 1
    assert b"Nothing vouches" in done.stdout
