"""Case A10: an archive arrives byte for byte, with the same type from every machine."""

from __future__ import annotations

import os
import shutil
import subprocess
from typing import TYPE_CHECKING

import case_tree
import harness
import pytest
import serving
from case_tree import ask

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

# RFC 9110 section 8.4: a coding is said only where the representation has one. An archive is the
# representation itself.
ARCHIVES = [
    *("x.tar.gz", "x.tgz", "x.gz", "x.json.gz", "x.svgz", "x.tar.bz2", "x.tar.xz", "x.tar.Z"),
    *("x.br", "x.zst"),
]
TYPES = {
    "x.iso": "application/octet-stream",
    "x.ova": "application/octet-stream",
    "x.sig": "application/octet-stream",
    "x.rpm": "application/x-rpm",
    "x.json": "application/json",
    "x": "application/octet-stream",
    "x.HTML": "text/html; charset=utf-8",
}
CONTENT = b"\x1f\x8b\x08\x00 no archive at all"


def content_of(name: str) -> bytes:
    return CONTENT + name.encode()


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = case_tree.make(tmp_path_factory.mktemp("types"))
    for name in [*ARCHIVES, *TYPES]:
        case_tree.put(root / name, content_of(name))
    return root


@pytest.fixture(scope="module")
def depot(root: Path) -> Iterator[harness.RunningDepot]:
    with serving.serving(root.parent, serving.mount("/", root)) as running:
        yield running


@pytest.mark.parametrize("coding", ["", "gzip, br, zstd", "identity;q=0, *"])
@pytest.mark.parametrize("name", ARCHIVES)
def test_an_archive_is_never_labelled_as_coded(
    depot: harness.RunningDepot, name: str, coding: str
) -> None:
    got = ask(depot, f"/{name}", *([f"Accept-Encoding: {coding}"] if coding else []))
    assert (got.status, got.body) == (200, content_of(name))
    assert got.get("content-encoding") is None
    assert got.get("content-type") not in {None, "application/json", "image/svg+xml"}
    assert got.get("x-content-type-options") == "nosniff"


@pytest.mark.parametrize("options", [[], ["--compressed"]])
@pytest.mark.parametrize("name", ARCHIVES)
def test_curl_stores_an_archive_as_it_is(
    depot: harness.RunningDepot, tmp_path: Path, name: str, options: list[str]
) -> None:
    config = tmp_path / "curlrc"
    config.write_text(f'user = "{harness.USER}:{harness.PASSPHRASE}"\nproxy = ""\n')
    curl = [harness.need("curl"), "--config", str(config), "--silent", "--fail", *options]
    subprocess.run(
        [*curl, "--output", str(tmp_path / "got"), f"{depot.url}{name}"], check=True, timeout=60
    )
    assert (tmp_path / "got").read_bytes() == content_of(name)


@pytest.mark.parametrize("name", TYPES)
def test_a_type_is_the_one_of_our_table(depot: harness.RunningDepot, name: str) -> None:
    assert ask(depot, f"/{name}").get("content-type") == TYPES[name]


def test_the_types_do_not_depend_on_the_machines_own_table(
    depot: harness.RunningDepot, root: Path, tmp_path: Path
) -> None:
    through = with_planted_types(tmp_path, "text/html iso ova sig rpm json gz tgz Z br zst\n")
    with serving.serving(tmp_path, serving.mount("/", root), through=through) as other:
        for name in [*ARCHIVES, *TYPES]:
            here, there = (
                [field for field in ask(one, f"/{name}").headers if field[0] != "date"]
                for one in (depot, other)
            )
            assert here == there


def with_planted_types(folder: Path, lines: str) -> list[str]:
    """Give what runs a command where /etc/mime.types holds `lines`, in a mount namespace."""
    if os.geteuid() != 0:
        pytest.skip("only root can make a mount namespace here")
    etc = folder / "etc"
    shutil.copytree("/etc", etc, symlinks=True, ignore_dangling_symlinks=True)
    (etc / "mime.types").unlink(missing_ok=True)
    (etc / "mime.types").write_text(lines)
    plant = f'mount --bind "{etc}" /etc && grep -q "text/html iso" /etc/mime.types && exec "$@"'
    return [harness.need("unshare"), "--mount", "sh", "-c", plant, "sh"]
