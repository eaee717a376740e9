"""Trees that look fine at a first glance: what a hostile reader found to be called so wrongly."""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import subprocess
import time
from typing import TYPE_CHECKING

import harness
import pytest
from check_kit import check

if TYPE_CHECKING:
    from pathlib import Path

    from check_kit import Checked

PUMP = b"intake pump firmware\n" * 50


@pytest.fixture
def root(tmp_path: Path) -> Path:
    (tmp_path / "tree").mkdir()
    return tmp_path / "tree"


def checked(root: Path, *options: str | Path) -> Checked:
    return check(root, root.parent / "state", *options)


def sums(files: dict[str, bytes]) -> bytes:
    lines = (f"{hashlib.sha256(data).hexdigest()}  {path}\n" for path, data in files.items())
    return "".join(lines).encode()


def lay(root: Path, files: dict[str, bytes]) -> None:
    for path, content in files.items():
        (root / path).write_bytes(content)


def test_what_stands_in_for_a_file_in_one_list_does_not_in_another(root: Path) -> None:
    index = b"Package: pump\nFilename: pump.deb\nSize: 1050\n\n"
    packed = gzip.compress(index, mtime=0)
    lay(root, {"pump.deb": PUMP, "Packages": index, "Packages.gz": packed})
    rows = "".join(
        f" {hashlib.sha256(data).hexdigest()} {len(data)} {name}\n"
        for name, data in (("Packages", index), ("Packages.gz", packed))
    )
    (root / "Release").write_text(f"Suite: plant\nSHA256:\n{rows}")
    release = (root / "Release").read_bytes()
    every = {"pump.deb": PUMP, "Packages": index, "Packages.gz": packed, "Release": release}
    (root / "SHA256SUMS").write_bytes(sums(every))
    assert checked(root).status == 0
    (root / "Packages.gz").unlink()
    assert checked(root).faults == {("missing", "Packages.gz")}
    # By the Release alone the other compression suffices.
    (root / "SHA256SUMS").write_bytes(sums({"pump.deb": PUMP, "Release": release}))
    assert checked(root).faults == set()


def test_a_second_name_of_a_file_does_not_take_its_fault_away(root: Path) -> None:
    lay(root, {"ok": PUMP, "SHA256SUMS": sums({"ok": PUMP}), "a.gz": b"this is no gzip at all\n"})
    os.link(root / "a.gz", root / "b.txt")
    time.sleep(2.2)  # what changed later is not remembered
    first = checked(root)
    assert first.faults == {("cut short or damaged", "a.gz")}
    assert checked(root).faults == first.faults


def test_a_catalog_that_was_named_counts_however_little_of_it_is_there(root: Path) -> None:
    files = {f"fw-{number}.bin": PUMP + bytes([number]) for number in range(20)}
    rows = [
        {"path": path, "size": len(data), "sha256": hashlib.sha256(data).hexdigest()}
        for path, data in files.items()
    ]
    (root / "catalog.json").write_text(json.dumps({"files": rows}))
    (root / "fw-0.bin").write_bytes(files["fw-0.bin"])
    found = checked(root)
    assert "catalog of other files" in found.kinds
    found = checked(root, "--expect", root / "catalog.json")
    assert len(found.faults) == 19
    assert {kind for kind, _ in found.faults} == {"missing"}


def test_keys_that_prove_nothing_are_never_fine(root: Path) -> None:
    lay(root, {"ok": PUMP, "SHA256SUMS": sums({"ok": PUMP})})
    assert checked(root).status == 0
    right = hashlib.sha256(PUMP).hexdigest()
    assert checked(root, "--digest", f"ok={right}").status == 0
    # Signatures were taken out of the tree along with what they were about.
    harness.need("gpg")
    keys = root.parent / "keys"
    keys.mkdir()
    home = root.parent / "gpg"
    home.mkdir(mode=0o700)
    gpg = ["gpg", "--homedir", home, "--batch", "--quiet", "--passphrase", ""]
    subprocess.run(
        [*gpg, "--pinentry-mode", "loopback", "--quick-generate-key", "vendor", "ed25519", "sign"],
        check=True,
        capture_output=True,
    )
    exported = subprocess.run([*gpg, "--export", "vendor"], check=True, capture_output=True)
    (keys / "vendor.gpg").write_bytes(exported.stdout)
    found = checked(root, "--keys", keys)
    assert (found.status, found.faults) == (1, set())


@pytest.mark.parametrize("target", ["sub/list.dat", "sub/SHA256SUMS"])
def test_a_list_behind_a_link_is_read_where_the_link_lies(root: Path, target: str) -> None:
    (root / "sub").mkdir()
    lay(root, {"a": PUMP, target: sums({"a": PUMP + b"x"})})
    (root / "SHA256SUMS").symlink_to(target)
    found = checked(root)
    assert ("digest differs", "a") in found.faults


def test_a_size_that_no_file_has_is_a_line_that_cannot_be_read(root: Path) -> None:
    lay(root, {"pump.deb": PUMP})
    digest = hashlib.sha256(PUMP).hexdigest()
    entry = f"Package: p\nFilename: pump.deb\nSize: 9999999999999999999\nSHA256: {digest}\n\n"
    (root / "Packages").write_text(entry)
    assert checked(root).faults == {("unreadable line of a list", "Packages")}
