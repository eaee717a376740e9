"""Debian's lists, made by dpkg-scanpackages, dpkg-scansources, apt-ftparchive and dpkg-source."""

from __future__ import annotations

import gzip
import io
import tracemalloc
from pathlib import Path

import pytest
import repo_kit

from depotserve.tree import compression
from depotserve.tree.expectations.indexes import debian
from depotserve.tree.expectations.listed import (
    LONGEST_LINE,
    Listed,
    NotAListError,
    Place,
    Unreadable,
    UnusableError,
)

COMPRESSIONS = ("gz", "xz", "bz2", "zst")
PARAGRAPH = (
    b"Package: intake-pump\nFilename: pool/intake-pump.deb\nSize: 744\n"
    b"MD5sum: 16769e0564748df6765b6649d2d8887c\n"
    b"SHA256: 369c0eec510f5d4d7c75c250d1d49aad7668ac6934a42d5d8c1a8f5f92fb72dc\n"
)
SECOND = PARAGRAPH.replace(b"intake-pump", b"brine-valve")
DIGESTS = (
    ("md5", bytes.fromhex("16769e0564748df6765b6649d2d8887c")),
    ("sha256", bytes.fromhex("369c0eec510f5d4d7c75c250d1d49aad7668ac6934a42d5d8c1a8f5f92fb72dc")),
)


def packages(content: bytes) -> repo_kit.Read:
    return repo_kit.read_bytes(debian.PACKAGES, content)


def release(content: bytes) -> repo_kit.Read:
    return repo_kit.read_bytes(debian.RELEASE, content)


@pytest.fixture(scope="module")
def flat(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("flat") / "repository"
    repo_kit.make_debian_flat(folder, COMPRESSIONS)
    return folder


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("source")
    repo_kit.make_debian_source(folder)
    return folder


def debs(folder: Path) -> set[bytes]:
    return {str(path.relative_to(folder)).encode() for path in folder.rglob("*.deb")}


@pytest.mark.parametrize("name", [b"Packages", *(f"Packages.{x}".encode() for x in COMPRESSIONS)])
def test_an_index_lists_exactly_the_packages_there_however_compressed(
    flat: Path, name: bytes
) -> None:
    read = repo_kit.read_list(flat, name)
    found = repo_kit.found_at(flat, name, read)
    assert set(found) == debs(flat)
    assert len(read.items) == len(repo_kit.PACKAGES)
    assert {kind for listed in read.listed for kind, _ in listed.digests} >= {"md5", "sha256"}
    repo_kit.assert_true_of(flat, found)


def test_what_dpkg_scanpackages_writes_is_read_alike(tmp_path: Path) -> None:
    repo_kit.make_debian_flat(tmp_path, (), by="dpkg-scanpackages")
    read = repo_kit.read_list(tmp_path, b"Packages")
    found = repo_kit.found_at(tmp_path, b"Packages", read)
    assert set(found) == debs(tmp_path)
    assert read.faults == []
    repo_kit.assert_true_of(tmp_path, found)


def test_a_release_file_lists_each_form_of_the_index_four_times(flat: Path) -> None:
    read = repo_kit.read_list(flat, b"Release")
    found = repo_kit.found_at(flat, b"Release", read)
    # apt-ftparchive leaves out compressions that it does not make itself.
    assert {b"Packages", b"Packages.gz", b"Packages.xz", b"Packages.bz2"} <= set(found)
    assert {listed.group for listed in read.listed} == {b"Packages"}
    assert {kind for listed in read.listed for kind, _ in listed.digests} == {
        "md5",
        "sha1",
        "sha256",
        "sha512",
    }
    assert read.faults == []
    for listed in read.listed:
        repo_kit.assert_true_of(flat, {listed.path: listed})


def test_a_release_file_that_lists_its_own_beginning_is_not_held_to_it(flat: Path) -> None:
    # `apt-ftparchive release . > Release`, as everybody writes it, lists an empty Release.
    content = repo_kit.run("apt-ftparchive", "release", ".", cwd=flat)
    assert b" Release\n" in content
    read = release(content)
    assert b"Release" not in {listed.path for listed in read.listed}


def test_packages_of_an_archive_lie_before_its_dists(tmp_path: Path) -> None:
    archive = tmp_path / "debian"
    repo_kit.make_debian_archive(archive)
    path = b"debian/dists/stable/main/binary-all/Packages.xz"
    read = repo_kit.read_list(tmp_path, path)
    found = repo_kit.found_at(tmp_path, path, read)
    assert set(found) == debs(tmp_path)
    repo_kit.assert_true_of(tmp_path, found)


def test_of_an_index_that_is_there_compressed_alone_all_forms_are_one_group(tmp_path: Path) -> None:
    repo_kit.make_debian_archive(tmp_path)
    read = repo_kit.read_list(tmp_path, b"dists/stable/Release")
    found = repo_kit.found_at(tmp_path, b"dists/stable/Release", read)
    assert set(found) == {b"dists/stable/main/binary-all/Packages.xz"}
    assert {listed.path for listed in read.listed} == {
        b"main/binary-all/Packages",
        b"main/binary-all/Packages.xz",
    }
    assert {listed.group for listed in read.listed} == {b"main/binary-all/Packages"}


def test_a_signed_release_file_reads_as_the_plain_one(flat: Path, tmp_path: Path) -> None:
    signed = tmp_path / "InRelease"
    text = tmp_path / "Release"
    # A line that begins with a dash is escaped by whoever signs.
    text.write_bytes(b"-Remark: pumps\n" + (flat / "Release").read_bytes())
    repo_kit.clear_sign(tmp_path, text, signed)
    assert b"\n- -Remark: pumps\n" in signed.read_bytes()
    plain = release(text.read_bytes())
    read = repo_kit.read_list(tmp_path, b"InRelease")
    assert [item._replace(line=0) for item in read.items] == [
        item._replace(line=0) for item in plain.items
    ]
    # Line numbers are those of the file, with the armour and its header before the text.
    lines = signed.read_bytes().splitlines()
    assert all(listed.path in lines[listed.line - 1] for listed in read.listed)


def test_a_signed_text_that_is_cut_is_not_taken_for_the_whole(flat: Path, tmp_path: Path) -> None:
    repo_kit.clear_sign(tmp_path, flat / "Release", tmp_path / "InRelease")
    cut = (tmp_path / "InRelease").read_bytes().partition(b"SHA256:")[0]
    with pytest.raises(UnusableError, match="cut short"):
        release(cut)


def test_what_a_signature_is_not_about_is_refused(flat: Path, tmp_path: Path) -> None:
    repo_kit.clear_sign(tmp_path, flat / "Release", tmp_path / "InRelease")
    signed = (tmp_path / "InRelease").read_bytes()
    assert release(signed + b"\n").items == release(signed).items
    field = b"SHA256:\n " + b"0" * 64 + b" 1 main/added\n"
    with pytest.raises(UnusableError, match="outside"):
        release(signed + field)
    with pytest.raises(UnusableError, match="line 3 is no header"):
        release(signed.replace(b"\n\n", b"\n" + field + b"\n", 1))
    with pytest.raises(UnusableError, match="cut short"):
        release(signed.rpartition(b"-----END")[0])


def test_sources_list_the_files_of_source_packages(source: Path) -> None:
    read = repo_kit.read_list(source, b"Sources")
    found = repo_kit.found_at(source, b"Sources", read)
    assert set(found) == {b"intake-pump_2.4.dsc", b"intake-pump_2.4.tar.xz"}
    assert [len(listed.digests) for listed in read.listed] == [3, 3]
    assert read.faults == []
    repo_kit.assert_true_of(source, found)


def test_apt_ftparchive_writes_sources_that_read_alike(source: Path) -> None:
    by_dpkg = repo_kit.read_list(source, b"Sources")
    content = repo_kit.run("apt-ftparchive", "sources", ".", cwd=source)
    by_apt = repo_kit.read_bytes(debian.SOURCES, content)
    assert len(by_apt.listed) == 2
    for one, other in zip(sorted(by_apt.listed), sorted(by_dpkg.listed)):
        assert Path(one.path.decode()) == Path(other.path.decode())
        assert one.size == other.size
        assert set(other.digests) <= set(one.digests)


@pytest.mark.parametrize(
    ("name", "files"),
    [
        (b"intake-pump_2.4.dsc", {b"intake-pump_2.4.tar.xz"}),
        (b"intake-pump_2.4_source.changes", {b"intake-pump_2.4.tar.xz", b"intake-pump_2.4.dsc"}),
    ],
)
def test_an_upload_lists_the_files_beside_it(source: Path, name: bytes, files: set[bytes]) -> None:
    read = repo_kit.read_list(source, name)
    found = repo_kit.found_at(source, name, read)
    assert set(found) == files
    assert read.faults == []
    assert all(
        {kind for kind, _ in each.digests} == {"md5", "sha1", "sha256"} for each in read.listed
    )
    repo_kit.assert_true_of(source, found)


@pytest.mark.parametrize(
    ("field", "damaged", "line", "left"),
    [
        (b"Size: 744", b"Size: 7x4", 3, Listed(b"pool/intake-pump.deb", 1, None, DIGESTS)),
        (b"Size: 744", b"Size: -744", 3, Listed(b"pool/intake-pump.deb", 1, None, DIGESTS)),
        (b"Size: 744", b"Size: 744.0", 3, Listed(b"pool/intake-pump.deb", 1, None, DIGESTS)),
        (b"Size: 744", "Size: ७४४".encode(), 3, Listed(b"pool/intake-pump.deb", 1, None, DIGESTS)),
        (
            b"Size: 744",
            b"Size: " + b"7" * 5000,
            3,
            Listed(b"pool/intake-pump.deb", 1, None, DIGESTS),
        ),
        (
            b"Size: 744",
            b"Size: " + b"7" * 2 * LONGEST_LINE,
            3,
            Listed(b"pool/intake-pump.deb", 1, None, DIGESTS),
        ),
        (b"SHA256: 36", b"SHA256: 3g", 5, Listed(b"pool/intake-pump.deb", 1, 744, DIGESTS[:1])),
        (b"SHA256: 36", b"SHA256: 3", 5, Listed(b"pool/intake-pump.deb", 1, 744, DIGESTS[:1])),
        (b"Package: int", b"Package int", 1, Listed(b"pool/intake-pump.deb", 1, 744, DIGESTS)),
        (b"Filename: p", b"Filename  p", 2, None),
        (b"Filename: p", b"Filenema: p", 1, None),
    ],
)
def test_one_damaged_field_is_one_fault_with_its_line(
    field: bytes, damaged: bytes, line: int, left: Listed | None
) -> None:
    content = PARAGRAPH.replace(field, damaged) + b"\n" + SECOND
    read = packages(content)
    second = Listed(b"pool/brine-valve.deb", 7, 744, DIGESTS)
    assert read.listed == ([left] if left else []) + [second]
    if damaged == b"Filename  p":
        # The line itself, and that the package has no name now.
        assert [fault.line for fault in read.faults] == [2, 1]
    else:
        assert [fault.line for fault in read.faults] == [line]


def test_a_bad_line_takes_those_that_continue_it_along() -> None:
    read = packages(PARAGRAPH + b"Description pumps\n one\n .\n two\n")
    assert [fault.line for fault in read.faults] == [6]
    assert len(read.listed) == 1


def test_two_paragraphs_that_run_together_are_one_fault() -> None:
    read = packages(PARAGRAPH + SECOND)
    assert [(type(item), item.line) for item in read.items] == [(Unreadable, 7), (Listed, 1)]


def test_a_damaged_line_of_a_release_file_is_one_fault(flat: Path) -> None:
    content = (flat / "Release").read_bytes()
    whole = release(content)
    read = release(repo_kit.damage(content, rb"\n ([0-9a-f]{63})[0-9a-f] ", rb"\n \1x "))
    assert len(read.faults) == 1
    # The size of the damaged line still counts.
    assert [item.path for item in read.listed] == [item.path for item in whole.listed]
    gone = release(repo_kit.damage(content, rb"\n [0-9a-f]{64} +[0-9]+ ", b"\n "))
    assert len(gone.faults) == 1
    assert len(gone.listed) == len(whole.listed) - 1


def test_a_digest_field_by_an_unknown_name_is_one_fault(flat: Path) -> None:
    content = (flat / "Release").read_bytes()
    read = release(content.replace(b"SHA256:", b"SHA2X6:"))
    assert [fault.why for fault in read.faults] == ["in a field of no known digest"]
    assert {kind for listed in read.listed for kind, _ in listed.digests} == {
        "md5",
        "sha1",
        "sha512",
    }


def test_a_line_of_a_source_package_that_is_damaged_leaves_the_others(source: Path) -> None:
    content = (source / "Sources").read_bytes()
    whole = repo_kit.read_bytes(debian.SOURCES, content)
    read = repo_kit.read_bytes(
        debian.SOURCES, repo_kit.damage(content, rb"\n [0-9a-f]{64} ", b"\n ")
    )
    assert len(read.faults) == 1
    assert [len(each.digests) for each in read.listed] in ([2, 3], [3, 2])
    assert len(read.listed) == len(whole.listed)


def test_files_of_a_source_package_have_no_folder() -> None:
    digest = b"0" * 64
    content = b"Directory: pool\nChecksums-Sha256:\n %s 1 ../../x\n %s 1 y\n" % (digest, digest)
    read = repo_kit.read_bytes(debian.SOURCES, content)
    assert [listed.path for listed in read.listed] == [b"pool/y"]
    assert [fault.line for fault in read.faults] == [3]


@pytest.mark.parametrize("content", [b"", b"\n\n", b"# nothing yet\n"])
def test_an_index_of_nothing_is_fine(content: bytes) -> None:
    assert packages(content).items == []
    assert repo_kit.read_bytes(debian.SOURCES, content).items == []


def test_what_apt_ftparchive_writes_of_an_empty_folder_is_fine(tmp_path: Path) -> None:
    assert packages(repo_kit.run("apt-ftparchive", "packages", ".", cwd=tmp_path)).items == []
    assert release(repo_kit.run("apt-ftparchive", "release", ".", cwd=tmp_path)).items == []


@pytest.mark.parametrize("content", [b"no field\n", b"\x89PNG\r\n", b"Size: x\n", b"a\rb\rc\r"])
def test_an_index_of_which_nothing_can_be_read_says_so(content: bytes) -> None:
    items = debian.read_packages(io.BytesIO(content), Place(b"Packages"))
    with pytest.raises(UnusableError):
        list(items)


def test_a_release_file_without_digests_is_no_list() -> None:
    # As it lies in each folder of an index.
    with pytest.raises(NotAListError):
        release(b"Archive: stable\nComponent: main\nArchitecture: amd64\nno field\n")


def test_line_ends_of_another_system_change_nothing() -> None:
    assert packages(PARAGRAPH.replace(b"\n", b"\r\n")).items == packages(PARAGRAPH).items
    assert packages(b"\xef\xbb\xbf" + PARAGRAPH).items == packages(PARAGRAPH).items


def test_a_long_line_that_nobody_asks_for_is_no_fault() -> None:
    long = b"Binary: " + b"intake-pump, " * 20000 + b"\n"
    assert packages(PARAGRAPH + long).items == packages(PARAGRAPH).items


def test_a_paragraph_has_a_bound() -> None:
    digest = b"0" * 64
    line = b" %s 1 file-%07d\n"
    content = b"Directory: pool\nChecksums-Sha256:\n" + b"".join(
        line % (digest, number) for number in range(20000)
    )
    read = repo_kit.read_bytes(debian.SOURCES, content)
    assert [fault.why for fault in read.faults] == ["the paragraph is too long from here on"]
    assert 5000 < len(read.listed) < 20000


def peak_of(stream: io.BufferedIOBase) -> tuple[int, type[BaseException] | None]:
    """Read an index to its end or failure; give the most memory that took, in bytes."""
    tracemalloc.start()
    raised = None
    try:
        for _ in debian.read_packages(stream, Place(b"Packages")):
            pass
    except (UnusableError, compression.TooLargeError) as error:
        raised = type(error)
    finally:
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    return peak, raised


class Many(io.RawIOBase):
    """A stream of the same paragraph many times over."""

    def __init__(self, count: int) -> None:
        self._left = iter([PARAGRAPH + b"\n"] * count)

    def readable(self) -> bool:
        """Say that this can be read, as the base class wants it."""
        return True

    def readinto(self, buffer: bytearray) -> int:  # type: ignore[override]
        """Give the next paragraph."""
        piece = next(self._left, b"")
        buffer[: len(piece)] = piece
        return len(piece)


@pytest.mark.slow
def test_memory_does_not_grow_with_an_index() -> None:
    few, _ = peak_of(io.BufferedReader(Many(600)))
    many, _ = peak_of(io.BufferedReader(Many(60_000)))
    assert many < few + 1024 * 1024


@pytest.mark.slow
def test_a_bomb_ends_early_and_takes_no_memory() -> None:
    # 10 GiB of zeros, as members that follow each other.
    bomb = gzip.compress(bytes(64 * 1024 * 1024)) * 160
    stream = compression.opened(io.BytesIO(bomb), most=512 * 1024 * 1024)
    peak, raised = peak_of(stream)
    assert raised is compression.TooLargeError
    assert peak < 8 * 1024 * 1024
