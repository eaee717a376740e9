"""What a file is taken for, by its name and its beginning; and where a list's paths begin."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from depotserve.tree.expectations.bases import BASES
from depotserve.tree.expectations.indexes import debian, metalink, oci, rpm_md, simple_index
from depotserve.tree.expectations.recognise import recognise

if TYPE_CHECKING:
    from depotserve.tree.expectations.listed import Dialect

NAMESPACE = b'<metalink xmlns="urn:ietf:params:xml:ns:metalink">'
ARMOUR = b"-----BEGIN PGP SIGNED MESSAGE-----\nHash: SHA256\n\n"
LINK = b'<a href="x.whl#sha256=00">x</a>'


@pytest.mark.parametrize(
    ("path", "head", "dialect"),
    [
        (b"a/plant.meta4", b"", metalink.METALINK),
        (b"plant.metalink", NAMESPACE, metalink.METALINK),
        (b"plant.metalink", b'<metalink version="3.0">', None),
        (b"a/repodata/repomd.xml", b"", rpm_md.REPOMD),
        (b"a/repodata/primary.xml", b"", rpm_md.PRIMARY),
        (b"a/repodata/0123abcd-primary.xml.zst", b"", rpm_md.PRIMARY),
        (b"a/repodata/0123abcd-primary.xml.bz2", b"", rpm_md.PRIMARY),
        (b"a/repodata/0123abcd-filelists.xml.gz", b"", None),
        (b"a/repodata/0123abcd-primary.sqlite.gz", b"", None),
        (b"dists/x/Release", b"Origin: Plant\n", debian.RELEASE),
        (b"dists/x/Release", ARMOUR, debian.RELEASE),
        (b"dists/x/InRelease", ARMOUR, debian.RELEASE),
        (b"x/Release", b"Notes of this release.\n", None),
        (b"x/Release", b"SHA256:\0", None),
        (b"x/release", b"Origin: Plant\n", None),
        (b"x/Packages", b"", debian.PACKAGES),
        (b"x/Packages.xz", b"Package: x\n", debian.PACKAGES),
        (b"var/lib/rpm/Packages", b"\0\0\0\0", None),
        (b"x/Packages.zip", b"Package: x\n", None),
        (b"x/Sources.gz", b"Package: x\n", debian.SOURCES),
        (b"x/pump_1.dsc", b"Format: 3.0\n", debian.UPLOAD),
        (b"x/pump_1.changes", ARMOUR, debian.UPLOAD),
        (b"x/pump.dsc", b"a description\n", None),
        (b"x/index.json", b'{"schemaVersion":2,"manifests":[', oci.OCI),
        (b"x/index.json", b'{"name": "x"}', None),
        (b"x/other.json", b'{"schemaVersion":2,"manifests":[', None),
        (b"x/index.html", LINK, simple_index.PAGE),
        (b"x/pump.HTM", LINK, simple_index.PAGE),
        (b"x/index.html", b"<p>short</p>", None),
        (b"x/index.html", b" " * 4096, simple_index.PAGE),
        (b"x/index.json", b'{"meta": {"api-version": "1.0"}', simple_index.JSON_PAGE),
        (b"x/pump.json", b'{"meta": {"api-version": "1.0"}', simple_index.JSON_PAGE),
    ],
)
def test_a_list_is_known_by_its_name_and_beginning(
    path: bytes, head: bytes, dialect: Dialect | None
) -> None:
    found = recognise(path, lambda: head)
    # Whatever is JSON may be a catalog; only reading it tells.
    assert (None if found and found.guessed else found) == dialect


@pytest.mark.parametrize(
    "path",
    [b"a/pump.rpm", b"Packages/pump.rpm", b"Release/x", b"index.json/x", b"x.html.gz", b"x\n"],
)
def test_the_beginning_of_a_file_of_another_name_is_never_read(path: bytes) -> None:
    def head() -> bytes:
        pytest.fail("read")

    assert recognise(path, head) is None


@pytest.mark.parametrize(
    ("base", "path", "folder"),
    [
        ("folder", b"a/b/list", b"a/b"),
        ("folder", b"list", b""),
        ("root", b"a/b/list", b""),
        ("parent", b"a/repodata/list", b"a"),
        ("parent", b"repodata/list", b""),
        ("parent", b"list", None),
        ("archive", b"debian/dists/stable/main/Packages", b"debian"),
        ("archive", b"dists/stable/main/Packages", b""),
        ("archive", b"dists/debian/dists/stable/Packages", b"dists/debian"),
        ("archive", b"flat/Packages", None),
        ("archive", b"my-dists/stable/Packages", None),
        ("name", b"a/b/list", None),
    ],
)
def test_a_base_is_found_from_a_lists_path(base: str, path: bytes, folder: bytes | None) -> None:
    assert BASES[base](path) == folder


def test_every_base_of_a_dialect_is_in_the_table() -> None:
    dialects = (
        metalink.METALINK,
        rpm_md.REPOMD,
        rpm_md.PRIMARY,
        debian.RELEASE,
        debian.PACKAGES,
        debian.SOURCES,
        debian.UPLOAD,
        oci.OCI,
        simple_index.PAGE,
        simple_index.JSON_PAGE,
    )
    assert all(set(dialect.bases) <= set(BASES) for dialect in dialects)
