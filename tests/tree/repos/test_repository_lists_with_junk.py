"""Whatever a list of a repository holds, its reader ends, and says only what it promises."""

from __future__ import annotations

import hashlib
import io
import itertools
import json

import attrs
import pytest
from changing import SCRIPT, changed
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from depotserve.tree.expectations.bases import BASES
from depotserve.tree.expectations.indexes import debian, metalink, oci, rpm_md, simple_index
from depotserve.tree.expectations.listed import (
    Dialect,
    Listed,
    NotAListError,
    Place,
    Unreadable,
    UnusableError,
    resolve,
)

HEX = hashlib.sha256(b"pump").hexdigest()
DIGEST = f"sha256:{HEX}"
SCHEMA = {"schemaVersion": 2, "mediaType": "application/vnd.oci.image.manifest.v1+json"}
BLOB = {"mediaType": "application/vnd.oci.image.layer.v1.tar", "digest": DIGEST, "size": 4}
MANIFEST = json.dumps({**SCHEMA, "config": BLOB, "layers": [BLOB, BLOB]}).encode()
RELEASE = f"Origin: Plant\nSHA256:\n {HEX} 4 main/Packages\n {HEX} 4 main/Packages.gz\n".encode()
ENOUGH = 100_000


@attrs.frozen
class Case:
    """A reader and a list that it reads well."""

    dialect: Dialect
    good: bytes
    path: bytes = b"a/b/list"


CASES = {
    "metalink": Case(
        metalink.METALINK,
        f'<metalink xmlns="urn:ietf:params:xml:ns:metalink"><file name="a/x"><size>4</size>'
        f'<hash type="sha-256">{HEX}</hash></file></metalink>'.encode(),
    ),
    "repomd": Case(
        rpm_md.REPOMD,
        f'<repomd xmlns="http://linux.duke.edu/metadata/repo"><data type="primary"><checksum '
        f'type="sha256">{HEX}</checksum><open-checksum type="sha256">{HEX}</open-checksum>'
        f'<location href="repodata/x.gz"/><size>4</size></data></repomd>'.encode(),
    ),
    "primary": Case(
        rpm_md.PRIMARY,
        f'<metadata xmlns="http://linux.duke.edu/metadata/common"><package><checksum type="sha256">'
        f'{HEX}</checksum><size package="4"/><location xml:base="b" href="x.rpm"/></package>'
        f"</metadata>".encode(),
    ),
    "release": Case(debian.RELEASE, RELEASE),
    "signed release": Case(
        debian.RELEASE,
        b"-----BEGIN PGP SIGNED MESSAGE-----\nHash: SHA256\n\n- -x: y\n"
        + RELEASE
        + b"-----BEGIN PGP SIGNATURE-----\n\nx\n-----END PGP SIGNATURE-----\n",
    ),
    "packages": Case(
        debian.PACKAGES,
        f"Package: x\nFilename: pool/x.deb\nSize: 4\nSHA256: {HEX}\n\n".encode() * 2,
        b"dists/x/Packages",
    ),
    "sources": Case(
        debian.SOURCES,
        f"Package: x\nDirectory: pool\nFiles:\n {HEX[:32]} 4 x.dsc\nChecksums-Sha256:\n {HEX} 4 "
        f"x.dsc\n\n".encode(),
        b"dists/x/Sources",
    ),
    "upload": Case(
        debian.UPLOAD,
        f"Format: 1.8\nFiles:\n {HEX[:32]} 4 misc optional x.dsc\nChecksums-Sha256:\n {HEX} 4 "
        f"x.dsc\n".encode(),
    ),
    "layout": Case(oci.OCI, json.dumps({"schemaVersion": 2, "manifests": [BLOB]}).encode()),
    "page": Case(
        simple_index.PAGE,
        f'<a href="x.whl#sha256={HEX}">x</a>\n<a href="../y.whl#md5={HEX[:32]}">y</a>'.encode(),
    ),
    "json page": Case(
        simple_index.JSON_PAGE,
        json.dumps({"files": [{"filename": "x", "hashes": {"sha256": HEX}, "size": 4}]}).encode(),
    ),
}
WORDS = [
    b"",
    b"\0",
    b"\n",
    b"\r",
    b"\n\n",
    b" ",
    b":",
    b"-",
    b"..",
    b"/../../",
    b"/",
    b"%2e%2e/",
    b"%00",
    b"<",
    b">",
    b"<![",
    b"<!--",
    b"<!DOCTYPE x>",
    b"&x;",
    b"&#x0;",
    b'"',
    b"[" * 3000,
    b"{",
    b"9" * 5000,
    b"\xef\xbc\x94",  # a digit of another script
    b"\\ud800",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"null",
    b"true",
    b"1e999",
    b"x" * 70_000,
    HEX.encode(),
    b"-----BEGIN PGP SIGNATURE-----\n",
]


def assert_kept(case: Case, content: bytes, place: Place) -> None:
    """Read it and hold what comes against what readers promise."""
    items = []
    try:
        for item in itertools.islice(case.dialect.read(io.BytesIO(content), place), ENOUGH):
            items.append(item)  # noqa: PERF402  # what came before an error counts
    except NotAListError:
        assert items == []
    except UnusableError:
        pass
    assert len(items) < ENOUGH
    assert all(isinstance(item, (Listed, Unreadable)) for item in items)
    for item in items:
        assert item.line >= 0
        if isinstance(item, Listed):
            assert_within(case, item)


def assert_within(case: Case, item: Listed) -> None:
    assert item.size is None or 0 <= item.size < 10**19
    assert all(len(value) == hashlib.new(name).digest_size for name, value in item.digests)
    for base in case.dialect.bases:
        folder = BASES[base](case.path)
        if folder is not None:
            resolved = resolve(folder, item.path)
            assert resolved is None or not (resolved + b"/").startswith((b"/", b"../"))
            assert resolved is None or b"/../" not in resolved + b"/"


@pytest.mark.parametrize("name", CASES)
def test_what_is_damaged_here_is_read_well_before(name: str) -> None:
    case = CASES[name]
    place = Place(case.path, {b"oci-layout": b'{"imageLayoutVersion": "1.0.0"}'}.get)
    items = list(case.dialect.read(io.BytesIO(case.good), place))
    assert items
    assert all(isinstance(item, Listed) for item in items)


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
@settings(max_examples=5000, deadline=None, suppress_health_check=list(HealthCheck))
@given(junk=SCRIPT, beside=st.none() | SCRIPT)
def test_junk_never_breaks_a_reader(name: str, junk: bytes, beside: bytes | None) -> None:
    case = CASES[name]
    content = changed(case.good, junk, WORDS)
    repomd = beside and changed(CASES["repomd"].good, beside, WORDS)
    assert_kept(case, content, Place(case.path, lambda _: repomd))


@pytest.mark.slow
@settings(max_examples=5000, deadline=None, suppress_health_check=list(HealthCheck))
@given(junk=SCRIPT, kind=st.sampled_from(["index", "manifest"]))
def test_junk_in_a_manifest_never_breaks_a_reader(junk: bytes, kind: str) -> None:
    content = changed(MANIFEST, junk, WORDS)
    digest = hashlib.sha256(content).hexdigest()
    media_type = f"application/vnd.oci.image.{kind}.v1+json"
    named = {"mediaType": media_type, "digest": f"sha256:{digest}", "size": len(content)}
    # Whatever it names is there, and is itself again.
    place = Place(b"index.json", lambda _: content)
    whole = json.dumps({"manifests": [named]}).encode()
    assert_kept(attrs.evolve(CASES["layout"], path=b"index.json"), whole, place)
