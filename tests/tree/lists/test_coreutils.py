"""GNU coreutils as a peer: our reader reads what it writes, and it accepts what we write."""

from __future__ import annotations

import os
import shutil
import subprocess
from typing import TYPE_CHECKING

import harness
import pytest
from list_kit import read

from depotserve.tree.digests import named
from depotserve.tree.manifest import manifest_line

if TYPE_CHECKING:
    from pathlib import Path

NAMES = [
    *(b"x", b"back\\slash", b"new\nline", b"return\rx", b"end\r", b"both\r\n\\n", b" lead"),
    *(
        b"trail ",
        b"*star",
        b"-dash",
        b"--check",
        b"caf\xe9",
        "\u00fc".encode(),
        b"#hash",
        b"a) = b",
    ),
    *(b"%0A", b"tab\tx", b"  ", b"\\", b"\n", b"quo'te\"", b"deep/er/x", b"a\\nb"),
]
CONTENT = {name: b"content of " + name for name in NAMES}
# program -> the algorithm that it has, by our name
PROGRAMS = {
    **{f"{name}sum": name for name in ("md5", "sha1", "sha224", "sha256", "sha384", "sha512")},
    **{f"b2sum -l {bits}": f"blake2b-{bits}" for bits in (8, 128, 160, 256, 384)},
    "b2sum": "blake2b",
    **{
        f"cksum -a {name}": name for name in ("md5", "sha1", "sha224", "sha256", "sha384", "sha512")
    },
    "cksum -a blake2b": "blake2b",
    "cksum -a blake2b -l 224": "blake2b-224",
    "cksum -a sm3": "sm3",
}
# A list's file name, by which its algorithm is known where no tag says it.
LISTS = {
    **{name: f"{name.upper()}SUMS".encode() for name in PROGRAMS.values()},
    **{name: b"B2SUMS" for name in PROGRAMS.values() if name.startswith("blake2b")},
}
FORMS = ["", "--tag", "--binary", "--text", "--zero", "--zero --tag", "--zero --binary"]
CKSUM_FORMS = ["", "--untagged", "--zero", "--zero --untagged"]
PAIRS = [
    (program, form)
    for program in PROGRAMS
    for form in (CKSUM_FORMS if program.startswith("cksum") else FORMS)
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("named")
    for name, content in CONTENT.items():
        path = os.path.join(os.fsencode(root), name)
        os.makedirs(os.path.dirname(path), exist_ok=True)
        with open(path, "wb") as file:
            file.write(content)
    return root


def coreutils(words: str) -> list[str]:
    command = words.split()
    if shutil.which(command[0]) is None:
        harness.need(command[0])
    return command


@pytest.mark.parametrize(("program", "form"), PAIRS)
def test_every_line_that_coreutils_writes_is_read(folder: Path, program: str, form: str) -> None:
    command = [*coreutils(program), *form.split(), "--", *NAMES]
    written = subprocess.run(command, cwd=folder, capture_output=True, check=True, timeout=60)
    wanted = named(PROGRAMS[program])
    assert wanted is not None
    found = read(written.stdout, LISTS[PROGRAMS[program]])
    assert (found.refused, found.unusable) == ([], "")
    assert found.paths == NAMES
    for entry in found.listed:
        ((name, value),) = entry.digests
        running = wanted.new()
        running.update(CONTENT[entry.path])
        assert (name, value) == (wanted.name, running.digest())


def test_coreutils_writes_our_lines(folder: Path) -> None:
    command = [*coreutils("sha256sum"), "--", *NAMES]
    written = subprocess.run(command, cwd=folder, capture_output=True, check=True, timeout=60)
    sha256 = named("sha256")
    assert sha256 is not None
    lines = []
    for name in NAMES:
        running = sha256.new()
        running.update(CONTENT[name])
        lines.append(manifest_line(name, running.digest()))
    assert written.stdout == b"".join(lines)


def test_coreutils_accepts_our_manifest_of_any_names(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "SHA256SUMS"
    harness.succeed("tree", "manifest", folder, "--out", out, "--state", tmp_path / "state")
    check(out, folder)
    assert read(out.read_bytes()).paths == sorted(NAMES)


def check(out: Path, folder: Path) -> None:
    command = [*coreutils("sha256sum"), "--check", "--strict", "--warn", out]
    done = subprocess.run(command, cwd=folder, capture_output=True, check=False, timeout=60)
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.count(b": OK\n") == len(NAMES)


def test_coreutils_finds_a_changed_file_by_our_manifest(folder: Path, tmp_path: Path) -> None:
    tree = tmp_path / "tree"
    shutil.copytree(folder, tree)
    out = tmp_path / "SHA256SUMS"
    harness.succeed("tree", "manifest", tree, "--out", out, "--state", tmp_path / "state")
    check(out, tree)
    (tree / "new\nline").write_bytes(b"other")
    command = [*coreutils("sha256sum"), "--check", "--strict", "--quiet", out]
    done = subprocess.run(command, cwd=tree, capture_output=True, check=False, timeout=60)
    assert done.returncode == 1
    assert done.stdout == b"\\new\\nline: FAILED\n"
