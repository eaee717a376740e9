"""Package index pages: PEP 503, PEP 691, PEP 700; pip agrees with what is made here."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Any

import pytest
import repo_kit

from depotserve.tree.expectations.indexes import simple_index
from depotserve.tree.expectations.listed import Listed, NotAListError, Place, UnusableError

if TYPE_CHECKING:
    from pathlib import Path

HEX = hashlib.sha256(b"pump").hexdigest()
DIGESTS = (("sha256", bytes.fromhex(HEX)),)


def page(*hrefs: str) -> repo_kit.Read:
    links = "\n".join(f'<a href="{href}">x</a>' for href in hrefs)
    return repo_kit.read_bytes(simple_index.PAGE, f"<!DOCTYPE html>\n{links}\n".encode())


def json_page(document: Any) -> repo_kit.Read:
    return repo_kit.read_bytes(simple_index.JSON_PAGE, json.dumps(document).encode())


def files(*each: Any) -> repo_kit.Read:
    return json_page({"meta": {"api-version": "1.1"}, "name": "pump", "files": list(each)})


def download(folder: Path, name: str, to: Path) -> subprocess.CompletedProcess[bytes]:
    """Get a package by pip, whose own check of the digest is what matters here."""
    pip = [sys.executable, "-m", "pip", "--isolated", "--disable-pip-version-check", "download"]
    options = ["--no-deps", "--no-cache-dir", "--index-url", folder.as_uri(), "--dest", str(to)]
    return subprocess.run([*pip, *options, name], capture_output=True, timeout=120, check=False)


def test_pages_list_exactly_the_files_there(tmp_path: Path) -> None:
    repo_kit.make_simple_index(tmp_path)
    for name in repo_kit.PACKAGES:
        path = f"{name}/index.html".encode()
        read = repo_kit.read_list(tmp_path, path)
        found = repo_kit.found_at(tmp_path, path, read)
        wheels = (tmp_path / name).glob("*.whl")
        assert set(found) == {str(each.relative_to(tmp_path)).encode() for each in wheels}
        assert len(read.items) == 1
        repo_kit.assert_true_of(tmp_path, found)
    # The page of all projects has no digest; a short page is seen whole.
    assert repo_kit.dialect_at(tmp_path, b"index.html") is None


@pytest.mark.slow
def test_pip_takes_a_file_by_the_same_page_and_refuses_it_altered(tmp_path: Path) -> None:
    index = tmp_path / "simple"
    repo_kit.make_simple_index(index)
    name = repo_kit.PACKAGES[0]
    done = download(index, name, tmp_path / "first")
    assert done.returncode == 0, done.stderr
    (wheel,) = (index / name).glob("*.whl")
    wheel.write_bytes(wheel.read_bytes() + b"\0")
    assert b"HASH" in download(index, name, tmp_path / "second").stderr


@pytest.mark.parametrize(
    ("href", "path"),
    [
        (f"pump-1.0.whl#sha256={HEX}", b"pump-1.0.whl"),
        (f"./pump%2B1.whl#sha256={HEX}", b"./pump+1.whl"),
        (f"../../files/pump.whl#sha256={HEX}", b"../../files/pump.whl"),
        (f"https://files.plant.example/ab/cd/pump%20x.whl#sha256={HEX}", b"pump x.whl"),
        (f"//files.plant.example/pump.whl#sha256={HEX}", b"pump.whl"),
        (f"/packages/pump.whl#sha256={HEX.upper()}", b"pump.whl"),
        (f"pump.whl?version=1#egg=pump&amp;sha256={HEX}", b"pump.whl"),
        (f"Entsalzung-S%C3%BCd.whl#sha256={HEX}", "Entsalzung-Süd.whl".encode()),
        (f"Entsalzung-Süd.whl#sha256={HEX}", "Entsalzung-Süd.whl".encode()),
        (f"not-%FF-text.whl#sha256={HEX}", b"not-\xff-text.whl"),
    ],
)
def test_a_link_is_read_as_the_standard_says(href: str, path: bytes) -> None:
    assert page(href).items == [Listed(path, 2, None, DIGESTS)]


def test_links_without_a_digest_are_passed_over() -> None:
    read = page("../", "other.whl", f"pump.whl#sha256={HEX}", "notes.html#section")
    assert [item.path for item in read.listed] == [b"pump.whl"]
    assert read.faults == []


@pytest.mark.parametrize(
    "bad",
    [
        f"a.whl#sha256={HEX[:-1]}",
        f"a.whl#sha256={HEX[:-1]}g",
        f"a/#sha256={HEX}",
        f"#sha256={HEX}",
        f"http://[/a.whl#sha256={HEX}",
    ],
)
def test_one_damaged_link_is_one_fault_with_its_line(bad: str) -> None:
    read = page(f"pump.whl#sha256={HEX}", bad, f"valve.whl#sha256={HEX}")
    assert [fault.line for fault in read.faults] == [3]
    assert [item.path for item in read.listed] == [b"pump.whl", b"valve.whl"]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"<html><body><p>Manual of the intake pump.</p></body></html>",
        b'<a href="pump.whl">x</a>',
        # Not in a link.
        b"<p>#sha256=" + HEX.encode() + b"</p>",
        b"<!-- <a href='pump.whl#sha256=" + HEX.encode() + b"'> -->",
    ],
)
def test_a_page_that_links_nothing_with_a_digest_is_no_list(content: bytes) -> None:
    with pytest.raises(NotAListError):
        repo_kit.read_bytes(simple_index.PAGE, content)


@pytest.mark.parametrize(
    "rest",
    [
        f'<a href="valve.whl#sha256={HEX}"',
        "<![bad[",
        "<!-- " + "x" * 200_000,
        "<script>" + "x" * 200_000,
        "<a " + "x" * 200_000,
        '<a href="&#' + "9" * 5000 + ';">',
    ],
)
def test_a_page_that_is_cut_or_no_html_ends_with_a_word_about_it(rest: str) -> None:
    content = f'<a href="pump.whl#sha256={HEX}">x</a>\n{rest}'.encode()
    items = simple_index.read_page(io.BytesIO(content), Place(b"index.html"))
    # What came before counts.
    assert next(items) == Listed(b"pump.whl", 1, None, DIGESTS)
    with pytest.raises(UnusableError, match="line 2"):
        list(items)


@pytest.mark.parametrize("text", ["<", "<a", "<!", "<!--", "</", "<![CDATA[", "&", "<a b='", "<?"])
def test_a_hostile_page_ends(text: str) -> None:
    content = f'<a href="pump.whl#sha256={HEX}">x</a>'.encode() + text.encode() * 200_000
    began = time.monotonic()
    with contextlib.suppress(UnusableError):
        repo_kit.read_bytes(simple_index.PAGE, content)
    assert time.monotonic() - began < 60


def test_a_page_longer_than_is_taken_says_so() -> None:
    content = f'<a href="pump.whl#sha256={HEX}">x</a>'.encode() + b" " * (17 * 1024 * 1024)
    with pytest.raises(UnusableError, match="longer"):
        repo_kit.read_bytes(simple_index.PAGE, content)


def test_the_example_of_pep_691_is_read() -> None:
    # PEP 691, "Project Detail", as far as it is said of files; the digests there are cut short.
    read = files(
        {
            "filename": "holygrail-1.0.tar.gz",
            "url": "https://example.com/files/holygrail-1.0.tar.gz",
            "hashes": {"sha256": "...", "blake2b": "..."},
            "requires-python": ">=3.7",
            "yanked": "Had a vulnerability",
        },
        {"filename": "pump.whl", "url": "pump%2B1.whl", "hashes": {"sha256": HEX}, "size": 4},
    )
    assert [fault.line for fault in read.faults] == [1, 1]
    assert read.listed == [Listed(b"pump+1.whl", 2, 4, DIGESTS)]


def test_a_file_of_a_json_page_may_have_fewer_facts() -> None:
    read = files(
        {"filename": "a.whl", "hashes": {}, "size": 4},
        {"filename": "b.whl", "hashes": {}},
        {"filename": "c.whl", "hashes": {"sha256": HEX, "crc7": "00"}},
    )
    assert read.items == [
        Listed(b"a.whl", 1, 4),
        Listed(b"b.whl", 2),
        Listed(b"c.whl", 3, None, DIGESTS),
    ]


@pytest.mark.parametrize(
    ("bad", "left"),
    [
        ({"filename": "a.whl", "hashes": {"sha256": HEX}, "size": True}, 2),
        ({"filename": "a.whl", "hashes": {"sha256": HEX}, "size": -1}, 2),
        ({"filename": "a.whl", "hashes": {"sha256": 7}, "size": 1}, 2),
        ({"filename": "a.whl", "hashes": "x", "size": 1}, 2),
        ({"filename": "a.whl", "hashes": {"sha256": HEX[:9]}}, 1),
        ({"filename": "\ud800", "hashes": {"sha256": HEX}}, 1),
        ({"filename": 7, "hashes": {"sha256": HEX}}, 1),
        ({"hashes": {"sha256": HEX}}, 1),
        (7, 1),
        (None, 1),
    ],
)
def test_one_damaged_entry_of_a_json_page_is_one_fault(bad: Any, left: int) -> None:
    read = files(bad, {"filename": "pump.whl", "hashes": {"sha256": HEX}})
    assert [fault.line for fault in read.faults] == [1]
    assert len(read.listed) == left


@pytest.mark.parametrize(
    "document",
    [
        [],
        {"meta": {"api-version": "1.0"}, "projects": [{"name": "pump"}]},
        {"meta": {"api-version": "1.0"}, "files": {}},
        {"files": [{"filename": "a.whl", "hashes": {}}]},
    ],
)
def test_json_without_files_and_their_facts_is_no_list(document: Any) -> None:
    with pytest.raises(NotAListError):
        json_page(document)


def test_a_project_without_files_is_fine() -> None:
    assert files().items == []


@pytest.mark.parametrize(
    "content", [b"", b"{", b'{"files": [], "files": []}', b"[" * 100_000, b'{"files": [NaN]}']
)
def test_a_json_page_that_cannot_be_read_says_so(content: bytes) -> None:
    with pytest.raises(UnusableError):
        repo_kit.read_bytes(simple_index.JSON_PAGE, content)
