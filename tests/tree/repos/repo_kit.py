"""Repositories as the trade's own tools make them, and a way to read all lists of a tree.

Each `make_` function lays a clean one into a folder that is empty or new; nothing comes from a
network. The content is invented: what a desalination plant's control network might carry.
"""

from __future__ import annotations

import bz2
import gzip
import hashlib
import io
import lzma
import os
import re
import shutil
import subprocess
import zipfile
from typing import TYPE_CHECKING, Callable
from xml.sax.saxutils import quoteattr

import attrs
import harness

from depotserve.tree import compression
from depotserve.tree.expectations.bases import BASES
from depotserve.tree.expectations.listed import BESIDE_MOST, Dialect, Item, Listed, Place, resolve
from depotserve.tree.expectations.recognise import recognise

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

PACKAGES = ("intake-pump", "membrane-control", "brine-valve")
MOST = 64 * 1024 * 1024


def run(*arguments: str | Path, cwd: Path, **more: str) -> bytes:
    """Run a tool, which must be installed and succeed; give what it printed."""
    harness.need(str(arguments[0]))
    done = subprocess.run(
        [*map(str, arguments)],
        cwd=cwd,
        capture_output=True,
        env={**os.environ, "LC_ALL": "C.UTF-8", **more},
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, (arguments, done.stderr.decode(errors="replace"))
    return done.stdout


def compress(content: bytes, kind: str) -> bytes:
    """Compress as a file with that extension is."""
    if kind == "zst":
        harness.need("zstd")
        return subprocess.run(
            ["zstd", "-q", "-c"], input=content, capture_output=True, check=True
        ).stdout
    return {"gz": gzip.compress, "xz": lzma.compress, "bz2": bz2.compress}[kind](content)


def sha256(path: Path) -> str:
    """Give a file's SHA-256 in hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def make_debs(folder: Path) -> None:
    """Build a small Debian package of each name into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    work = folder / "work"
    for name in PACKAGES:
        root = work / name
        (root / "DEBIAN").mkdir(parents=True)
        (root / "DEBIAN" / "control").write_text(
            f"Package: {name}\nVersion: 1:2.4+b1~rc1\nArchitecture: all\n"
            "Maintainer: Plant <plant@plant.example>\n"
            "Description: part of the plant\n Two lines.\n .\n After an empty one.\n"
        )
        (root / "usr" / "share" / name).mkdir(parents=True)
        (root / "usr" / "share" / name / "settings").write_text(f"{name}\n" * 40)
        run("dpkg-deb", "--root-owner-group", "--build", root, folder, cwd=work)
    shutil.rmtree(work)


def make_debian_flat(
    folder: Path, compressions: Sequence[str] = ("gz", "xz"), *, by: str = "apt-ftparchive"
) -> None:
    """Lay a flat Debian repository: packages, `Packages` as it is and compressed, `Release`."""
    make_debs(folder)
    if by == "apt-ftparchive":
        index = run("apt-ftparchive", "packages", ".", cwd=folder)
    else:
        index = run("dpkg-scanpackages", "--multiversion", ".", cwd=folder)
    (folder / "Packages").write_bytes(index)
    for kind in compressions:
        (folder / f"Packages.{kind}").write_bytes(compress(index, kind))
    (folder / "Release").write_bytes(run("apt-ftparchive", "release", ".", cwd=folder))


def make_debian_archive(folder: Path) -> None:
    """Lay a Debian archive: `pool/`, and `dists/stable/` with the index compressed alone."""
    make_debs(folder / "pool" / "main")
    index = run("apt-ftparchive", "packages", "pool", cwd=folder)
    binary = folder / "dists" / "stable" / "main" / "binary-all"
    binary.mkdir(parents=True)
    (binary / "Packages").write_bytes(index)
    (binary / "Packages.xz").write_bytes(compress(index, "xz"))
    release = run("apt-ftparchive", "release", "dists/stable", cwd=folder)
    (folder / "dists" / "stable" / "Release").write_bytes(release)
    # As archives are: listed plain, there compressed.
    (binary / "Packages").unlink()


def make_debian_source(folder: Path) -> None:
    """Lay a source package with its `.dsc` and `.changes`, and a `Sources` index."""
    source = folder / "work" / "intake-pump-2.4"
    (source / "debian" / "source").mkdir(parents=True)
    (source / "debian" / "source" / "format").write_text("3.0 (native)\n")
    (source / "debian" / "changelog").write_text(
        "intake-pump (2.4) stable; urgency=low\n\n  * First.\n\n"
        " -- Plant <plant@plant.example>  Mon, 01 Jan 2024 00:00:00 +0000\n"
    )
    (source / "debian" / "control").write_text(
        "Source: intake-pump\nMaintainer: Plant <plant@plant.example>\nSection: misc\n"
        "Priority: optional\nStandards-Version: 4.6.0\n\n"
        "Package: intake-pump\nArchitecture: all\nDescription: part of the plant\n"
    )
    (source / "pump.c").write_text("int main(void) { return 0; }\n")
    run("dpkg-source", "--build", source, cwd=source.parent)
    changes = run("dpkg-genchanges", "--build=source", cwd=source)
    shutil.rmtree(source)
    for made in source.parent.iterdir():
        made.rename(folder / made.name)
    source.parent.rmdir()
    (folder / "intake-pump_2.4_source.changes").write_bytes(changes)
    (folder / "Sources").write_bytes(run("dpkg-scansources", ".", cwd=folder))


def clear_sign(folder: Path, source: Path, target: Path) -> None:
    """Sign a file so that its text stays readable, by a key made for that alone in `folder`."""
    home = folder / "gnupg"
    home.mkdir(mode=0o700)
    quiet = ("gpg", "--homedir", home, "--batch", "--quiet")
    key = ("--passphrase", "", "--quick-generate-key", "plant@plant.example", "ed25519", "sign")
    run(*quiet, "--pinentry-mode", "loopback", *key, cwd=folder)
    run(*quiet, "--output", target, "--clear-sign", source, cwd=folder)
    subprocess.run(["gpgconf", "--homedir", home, "--kill", "all"], check=False)


_SPEC = """Name: {name}
Version: 2.4
Release: 1
Summary: part of the plant
License: MIT
BuildArch: noarch
%description
Part of the plant.
%install
mkdir -p %{{buildroot}}/usr/share/{name}
echo {name} > %{{buildroot}}/usr/share/{name}/settings
%files
/usr/share/{name}/settings
"""


def make_rpm_md(folder: Path, compression_type: str = "gz", *options: str) -> None:
    """Lay an rpm-md repository: packages under `packages/`, the indexes under `repodata/`."""
    work = folder / "work"
    work.mkdir(parents=True)
    for name in PACKAGES:
        (work / f"{name}.spec").write_text(_SPEC.format(name=name))
        defines = (
            f"_topdir {work / 'top'}",
            f"_rpmdir {work / 'rpms'}",
            "_rpmfilename %{NAME}.rpm",
        )
        flags = [word for define in defines for word in ("--define", define)]
        run("rpmbuild", "-bb", "--quiet", *flags, f"{name}.spec", cwd=work)
    (work / "rpms").rename(folder / "packages")
    shutil.rmtree(work)
    general = f"--general-compress-type={compression_type}"
    run("createrepo_c", "--quiet", general, *options, ".", cwd=folder)


def make_oci(folder: Path) -> None:
    """Lay an OCI image layout with one image of two layers."""
    folder.mkdir(parents=True, exist_ok=True)
    scratch = folder / "work"
    scratch.mkdir()
    (scratch / "settings").write_text("pump = 1\n")
    (scratch / "firmware.bin").write_bytes(bytes(range(256)) * 64)
    made, image = scratch / "made", f"{scratch / 'made'}:plant"
    run("umoci", "init", "--layout", made, cwd=scratch)
    run("umoci", "new", "--image", image, cwd=scratch)
    for name in ("settings", "firmware.bin"):
        run("umoci", "insert", "--rootless", "--image", image, name, f"/{name}", cwd=scratch)
    # Each step left its manifest behind; copying takes what the image has.
    run("skopeo", "copy", "--quiet", f"oci:{image}", f"oci:{scratch / 'copy'}:plant", cwd=scratch)
    for part in (scratch / "copy").iterdir():
        part.rename(folder / part.name)
    shutil.rmtree(scratch)


def make_simple_index(folder: Path) -> None:
    """Lay a PEP 503 index: the page of all projects, a folder with page and wheel for each."""
    projects = []
    for name in PACKAGES:
        project = folder / name
        project.mkdir(parents=True)
        wheel = project / f"{name.replace('-', '_')}-2.4+b1-py3-none-any.whl"
        _make_wheel(wheel, name)
        href = f"{wheel.name.replace('+', '%2B')}#sha256={sha256(wheel)}"
        _write_page(project / "index.html", [(href, wheel.name)])
        projects.append((f"{name}/", name))
    _write_page(folder / "index.html", projects)


def _make_wheel(path: Path, name: str) -> None:
    module = name.replace("-", "_")
    info = f"{module}-2.4+b1.dist-info"
    tags = "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n"
    metadata = f"Metadata-Version: 2.1\nName: {name}\nVersion: 2.4+b1\n"
    with zipfile.ZipFile(path, "w") as wheel:
        wheel.writestr(f"{module}.py", f"NAME = {name!r}\n")
        wheel.writestr(f"{info}/METADATA", metadata)
        wheel.writestr(f"{info}/WHEEL", tags)
        wheel.writestr(f"{info}/RECORD", "")


def _write_page(path: Path, links: list[tuple[str, str]]) -> None:
    lines = [f"<a href={quoteattr(href)}>{text}</a><br>" for href, text in links]
    page = ["<!DOCTYPE html>", "<html><head><title>Plant</title></head><body>", *lines]
    path.write_text("\n".join([*page, "</body></html>", ""]))


def make_metalink(folder: Path) -> None:
    """Lay files and a Metalink of them, written by hand as RFC 5854 section 4 says."""
    (folder / "controller").mkdir(parents=True)
    (folder / "intake & pump.img").write_bytes(b"intake pump\n" * 500)
    (folder / "controller" / "brine.img").write_bytes(b"brine valve\n" * 300)
    lines = ['<?xml version="1.0" encoding="UTF-8"?>']
    lines.append('<metalink xmlns="urn:ietf:params:xml:ns:metalink">')
    for path in sorted(path for path in folder.rglob("*.img")):
        content = path.read_bytes()
        lines += [
            f"  <file name={quoteattr(path.relative_to(folder).as_posix())}>",
            f"    <size>{len(content)}</size>",
            f'    <hash type="sha-256">{hashlib.sha256(content).hexdigest()}</hash>',
            f'    <hash type="sha-1">{hashlib.sha1(content).hexdigest()}</hash>',  # noqa: S324
            '    <pieces type="sha-1" length="4096">',
            f"      <hash>{hashlib.sha1(content[:4096]).hexdigest()}</hash>",  # noqa: S324
            f"      <hash>{hashlib.sha1(content[4096:]).hexdigest()}</hash>",  # noqa: S324
            "    </pieces>",
            '    <url location="de" priority="1">http://mirror.plant.example/x</url>',
            "  </file>",
        ]
    (folder / "plant.meta4").write_text("\n".join([*lines, "</metalink>", ""]))


@attrs.frozen
class Read:
    """What reading one list of a tree gave."""

    dialect: Dialect
    items: list[Item]

    @property
    def listed(self) -> list[Listed]:
        """Give what it lists."""
        return [item for item in self.items if isinstance(item, Listed)]

    @property
    def faults(self) -> list[Item]:
        """Give what of it was unreadable."""
        return [item for item in self.items if not isinstance(item, Listed)]


def beside(folder: Path) -> Callable[[bytes], bytes | None]:
    """Give the way of looking at files beside a list that lies in `folder`."""

    def look(path: bytes) -> bytes | None:
        file = folder / os.fsdecode(path)
        return file.read_bytes()[:BESIDE_MOST] if file.is_file() else None

    return look


def dialect_at(root: Path, path: bytes) -> Dialect | None:
    """Recognise one file of a tree."""
    with (root / os.fsdecode(path)).open("rb") as file:
        return recognise(path, lambda: compression.opened(file, most=MOST).read(4096))


def read_list(root: Path, path: bytes) -> Read:
    """Read one list of a tree, which must be one."""
    dialect = dialect_at(root, path)
    assert dialect is not None
    whole = root / os.fsdecode(path)
    with whole.open("rb") as file:
        opened = compression.opened(file, most=MOST)
        return Read(dialect, list(dialect.read(opened, Place(path, beside(whole.parent)))))


def read_bytes(dialect: Dialect, content: bytes, place: Place | None = None) -> Read:
    """Read a list that lies nowhere."""
    return Read(dialect, list(dialect.read(io.BytesIO(content), place or Place(b"list"))))


def found_at(root: Path, path: bytes, read: Read) -> dict[bytes, Listed]:
    """Find each listed file by the list's bases; give what is there by its path from the root."""
    there = {}
    for listed in read.listed:
        for base in map(BASES.__getitem__, read.dialect.bases):
            folder = base(path)
            resolved = None if folder is None else resolve(folder, listed.path)
            if resolved is not None and (root / os.fsdecode(resolved)).is_file():
                there[resolved] = listed
                break
    return there


def assert_true_of(root: Path, found: dict[bytes, Listed]) -> None:
    """Hold every size and digest against the files themselves."""
    for path, listed in found.items():
        content = (root / os.fsdecode(path)).read_bytes()
        assert listed.size in (None, len(content)), path
        for name, value in listed.digests:
            assert hashlib.new(name, content).digest() == value, (path, name)


def damage(content: bytes, pattern: bytes, replacement: bytes) -> bytes:
    """Change the first place that matches, which must be there."""
    changed, count = re.subn(pattern, replacement, content, count=1)
    assert count == 1, pattern
    return changed
