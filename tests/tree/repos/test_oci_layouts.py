"""OCI image layouts, made by umoci and skopeo."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

import pytest
import repo_kit

from depotserve.tree.expectations.indexes import oci
from depotserve.tree.expectations.listed import Listed, NotAListError, Place, UnusableError

if TYPE_CHECKING:
    from pathlib import Path

INDEX_TYPE = "application/vnd.oci.image.index.v1+json"
MANIFEST_TYPE = "application/vnd.oci.image.manifest.v1+json"
LAYER_TYPE = "application/vnd.oci.image.layer.v1.tar+gzip"


class Layout:
    """A layout of a test's own making; what is put in is there, whatever names it."""

    def __init__(self) -> None:
        self.files = {b"oci-layout": b'{"imageLayoutVersion": "1.0.0"}'}

    def put(self, content: bytes | dict[str, Any], media_type: str) -> dict[str, Any]:
        """Put a blob in and give its descriptor."""
        raw = content if isinstance(content, bytes) else json.dumps(content).encode()
        digest = hashlib.sha256(raw).hexdigest()
        self.files[f"blobs/sha256/{digest}".encode()] = raw
        return {"mediaType": media_type, "digest": f"sha256:{digest}", "size": len(raw)}

    def image(self, *layers: bytes) -> dict[str, Any]:
        """Put an image in and give its manifest's descriptor."""
        config = self.put(b"{}", "application/vnd.oci.image.config.v1+json")
        each = [self.put(layer, LAYER_TYPE) for layer in layers]
        return self.put({"schemaVersion": 2, "config": config, "layers": each}, MANIFEST_TYPE)

    def read(self, *manifests: Any) -> repo_kit.Read:
        """Read it by an index that names `manifests`."""
        index = json.dumps({"schemaVersion": 2, "manifests": manifests}).encode()
        return self.read_raw(index)

    def read_raw(self, index: bytes) -> repo_kit.Read:
        """Read it by any index."""
        return repo_kit.read_bytes(oci.OCI, index, Place(b"index.json", self.files.get))


def paths(read: repo_kit.Read) -> set[bytes]:
    return {listed.path for listed in read.listed}


@pytest.fixture
def layout() -> Layout:
    return Layout()


def test_a_layout_lists_exactly_the_files_there(tmp_path: Path) -> None:
    repo_kit.make_oci(tmp_path / "image")
    path = b"image/index.json"
    read = repo_kit.read_list(tmp_path, path)
    found = repo_kit.found_at(tmp_path, path, read)
    files = {
        str(each.relative_to(tmp_path)).encode() for each in tmp_path.rglob("*") if each.is_file()
    }
    assert set(found) == files - {path}
    # oci-layout, a manifest, its configuration and two layers.
    assert len(found) == 5
    assert read.faults == []
    assert all(listed.digests for listed in found.values() if listed.path != b"oci-layout")
    repo_kit.assert_true_of(tmp_path, found)


def test_what_umoci_begins_with_is_empty_and_fine(tmp_path: Path) -> None:
    repo_kit.run("umoci", "init", "--layout", "image", cwd=tmp_path)
    assert repo_kit.read_list(tmp_path, b"image/index.json").items == [Listed(b"oci-layout", 1)]


def test_indexes_within_indexes_are_followed(layout: Layout) -> None:
    images = [layout.image(b"one", b"two"), layout.image(b"three")]
    inner = layout.put({"schemaVersion": 2, "manifests": images}, INDEX_TYPE)
    outer = layout.put({"schemaVersion": 2, "manifests": [inner]}, INDEX_TYPE)
    read = layout.read(outer, layout.image(b"four"))
    assert paths(read) == set(layout.files)
    assert read.faults == []


def test_a_missing_blob_is_listed_like_any_other(layout: Layout) -> None:
    image = layout.image(b"one", b"two")
    whole = layout.read(image)
    del layout.files[f"blobs/sha256/{hashlib.sha256(b'one').hexdigest()}".encode()]
    assert layout.read(image).items == whole.items
    manifest = f"blobs/{image['digest'].replace(':', '/')}".encode()
    del layout.files[manifest]
    assert paths(layout.read(image)) == {b"oci-layout", manifest}


def test_a_manifest_that_was_altered_is_listed_and_not_followed(layout: Layout) -> None:
    image = layout.image(b"one")
    manifest = f"blobs/{image['digest'].replace(':', '/')}".encode()
    layout.files[manifest] = layout.files[manifest].replace(b"sha256", b"sha255")
    read = layout.read(image)
    # Its digest differs, which whoever hashes the file says; here it would be said twice.
    assert paths(read) == {b"oci-layout", manifest}
    assert read.faults == []


@pytest.mark.parametrize(
    "content",
    [
        b"no JSON",
        b"[]",
        b'{"config": {}, "config": {}, "layers": []}',
        b"\xff\xfe",
        b"[" * 100_000,
        b'{"size": ' + b"9" * 5000 + b"}",
        b'{"schemaVersion": 2}',
    ],
)
def test_a_manifest_that_cannot_be_read_is_one_fault(layout: Layout, content: bytes) -> None:
    read = layout.read(layout.put(content, MANIFEST_TYPE), layout.image(b"one"))
    assert [fault.line for fault in read.faults] == [2]
    assert len(read.listed) == 5


def test_a_blob_of_an_unknown_type_is_listed_and_not_followed(layout: Layout) -> None:
    image = layout.image(b"one")
    read = layout.read({**image, "mediaType": "application/vnd.plant.recipe"})
    assert len(read.listed) == 2
    assert read.listed[1].size == image["size"]


@pytest.mark.parametrize("size", [True, -1, 1.5, "7", None, 10**30])
def test_a_size_that_is_none_leaves_the_digest(layout: Layout, size: Any) -> None:
    read = layout.read({**layout.put(b"x", LAYER_TYPE), "size": size})
    assert [fault.line for fault in read.faults] == [2]
    assert read.listed[1].size is None
    assert read.listed[1].digests == (("sha256", hashlib.sha256(b"x").digest()),)


@pytest.mark.parametrize(
    "digest",
    ["", "sha256", "sha256:", "../x:y", "sha256:../../x", "sha256:a/b", 7, None, [], "a" * 9999],
)
def test_a_digest_that_names_no_blob_is_one_fault(layout: Layout, digest: Any) -> None:
    bad = {"mediaType": LAYER_TYPE, "digest": digest, "size": 1}
    read = layout.read(bad, layout.image(b"one"))
    assert [fault.line for fault in read.faults] == [2]
    assert len(read.listed) == 4


def test_a_digest_of_an_unknown_kind_leaves_the_size(layout: Layout) -> None:
    bad = {"mediaType": LAYER_TYPE, "digest": "crc7:00", "size": 1}
    read = layout.read(bad, layout.image(b"one"))
    assert [fault.line for fault in read.faults] == [2]
    assert Listed(b"blobs/crc7/00", 2, 1) in read.items


def test_documents_that_name_each_other_for_ever_end(layout: Layout) -> None:
    # A digest that cannot be checked is followed; so a blob can name itself.
    own = {"mediaType": INDEX_TYPE, "digest": "crc7:00"}
    layout.files[b"blobs/crc7/00"] = json.dumps({"manifests": [own, own]}).encode()
    good = layout.image(b"one")
    assert len(layout.read(own, good).faults) < 10


def test_indexes_too_deep_are_a_fault(layout: Layout) -> None:
    deep = layout.image(b"one")
    for _ in range(9):
        deep = layout.put({"manifests": [deep]}, INDEX_TYPE)
    read = layout.read(deep)
    assert len(read.faults) == 1
    assert "within each other" in read.faults[0].why


def test_a_layout_file_that_is_gone_is_missed(layout: Layout) -> None:
    image = layout.image(b"one")
    del layout.files[b"oci-layout"]
    assert Listed(b"oci-layout", 1) in layout.read(image).items


@pytest.mark.parametrize("marker", [b"", b"[]", b'{"imageLayoutVersion": "1.0.1"}', b"{\xff}"])
def test_a_layout_file_that_was_altered_is_one_fault(layout: Layout, marker: bytes) -> None:
    image = layout.image(b"one")
    layout.files[b"oci-layout"] = marker
    assert len(layout.read(image).faults) == 1


@pytest.mark.parametrize("index", [b"[]", b"{}", b'{"manifests": {}}', b'{"manifests": [{}]}'])
def test_an_index_of_something_else_is_no_list(index: bytes) -> None:
    with pytest.raises(NotAListError):
        repo_kit.read_bytes(oci.OCI, index, Place(b"index.json"))


def test_an_index_that_cannot_be_read_says_so(layout: Layout) -> None:
    for index in (b'{"manifests": [', b"\xff", b'{"manifests": [{}, 7]}', b" " * (5 * 1024 * 1024)):
        with pytest.raises(UnusableError):
            layout.read_raw(index)
