"""Checksum lists in their forms; GNU coreutils 9.1 manual, "md5sum invocation"."""

from __future__ import annotations

import hashlib
import io

import pytest
from list_kit import H, X, dialect_of, one_path, read

from depotserve.tree.expectations.listed import (
    LONGEST_LINE,
    Listed,
    NotAListError,
    Place,
    UnusableError,
)
from depotserve.tree.expectations.lists.checksum_lines import read as read_lines

MD5, SHA1 = (hashlib.new(name, X).hexdigest().encode() for name in ("md5", "sha1"))
SHORT = hashlib.blake2b(X, digest_size=20).hexdigest().encode()
SHA3 = hashlib.sha3_256(X).hexdigest().encode()
BEGIN, END = b"-----BEGIN PGP SIGNED MESSAGE-----", b"-----END PGP SIGNATURE-----"
SIGNATURE = b"-----BEGIN PGP SIGNATURE-----\n\niQIzBAEBCgAd\n=abcd\n" + END + b"\n"


def signed(text: bytes, headers: bytes = b"Hash: SHA512\n") -> bytes:
    return BEGIN + b"\n" + headers + b"\n" + text + SIGNATURE


@pytest.mark.parametrize(
    ("text", "name"),
    [
        (H + b"  x", b"x"),
        (H + b" *x\r\n", b"x"),
        (H + b"\tx\n", b"x"),
        (b"\n\r\n# digests of the basin\n# of 2026\n" + H + b"  x\n\n", b"x"),
        (b"\xef\xbb\xbf" + H + b"  x\n", b"x"),
        (H + b"  caf\xe9\n", b"caf\xe9"),
        (H + b"  a\\nb\n", b"a\\nb"),
        (H + b"  a\rb\n", b"a\rb"),
        (H + b"  " + b"x" * 60000 + b"\n", b"x" * 60000),
        (b"\\" + H + b"  \\\\\\n\\r\n", b"\\\n\r"),
        (b"SHA2-256(x)= " + H, b"x"),
        (b"sha-256 (x) = " + H, b"x"),
        (b"\\SHA256 (a\\nb) = " + H, b"a\nb"),
        (b"SHA256 ( x ) = " + H, b" x "),
        (H + b"  dir/x\n", b"dir/x"),
        (H + b"  ../up\n", b"../up"),
    ],
)
def test_a_line_names_its_file(text: bytes, name: bytes) -> None:
    assert one_path(text) == name


def test_a_list_of_carriage_returns_alone_is_one_line() -> None:
    assert one_path(H + b"  x\r" + H + b"  y\r") == b"x\r" + H + b"  y"


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (H[:-1] + b"  y", "63 digits are no digest"),
        (H + b"0  y", "65 digits are no digest"),
        (SHA1 + b"  y", "40 digits are no digest"),
        (MD5 + b"  y", "32 digits are no digest"),
        (H, "no digest and name"),
        (H + b" ", "no digest and name"),
        (H + b"y", "no digest and name"),
        (b"SHA256 (y) = " + MD5, "32 digits are no digest SHA256"),
        (b"WHIRL (y) = " + H, "WHIRL is no digest"),
        (b"SHA256 () = " + H, "no digest and name"),
        (H + b"  y\0z", "NUL"),
        (b"\\" + H + b"  \\t", "escapes nothing"),
        (b"\\" + H + b"  y\\", "escapes nothing"),
        (H + b" y", "one blank before the name"),
        (H + b"  " + b"y" * LONGEST_LINE, "longer than"),
        (b"\xff\xfe\x00", "NUL"),
        ("\uff15".encode() * 64 + b"  y", "no digest and name"),
    ],
)
def test_a_line_that_says_nothing_is_named_among_good_ones(line: bytes, why: str) -> None:
    found = read(H + b"  x\n" + line + b"\n" + H + b"  z\n")
    assert (found.paths, found.unusable) == ([b"x", b"z"], "")
    (refused,) = found.refused
    assert refused.line == 2
    assert why in refused.why


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (b"", "holds no entry"),
        (b"\xef\xbb\xbf", "holds no entry"),
        (b"\xff\xfe", "holds no entry"),
        (b"\n\n", "holds no entry"),
        (b"# only this\n", "holds no entry"),
        (b"words\nand more\n", "no line could be read"),
        (SHA1 + b"  x\n", "no line could be read"),
        (b"\0" * 100, "no line could be read"),
        (b"words\n" * 2000, "none of its first 1001 lines"),
        (b"x" * 10_000_000, "no line could be read"),
        (b"\xff\xfea", "is not the UTF-16-LE text"),
        (b"\xff\xfe\x00\xd8\x41\x00", "is not the UTF-16-LE text"),
        (b"\xff\xfe\x00\x00\xff", "is not the UTF-32-LE text"),
    ],
)
def test_a_list_of_which_nothing_can_be_checked_is_unusable(text: bytes, why: str) -> None:
    found = read(text)
    assert found.listed == []
    assert why in found.unusable


def test_of_a_file_of_another_kind_only_the_beginning_is_read() -> None:
    stream = io.BytesIO(b"words\n" * 1_000_000)
    with pytest.raises(UnusableError):
        list(read_lines(stream, Place(b"SHA256SUMS")))
    assert stream.tell() < 1_000_000


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be", "utf-32-le", "utf-32-be"])
def test_a_list_in_utf_16_or_32_with_its_mark_is_read(encoding: str) -> None:
    text = f"\ufeff{H.decode()}  \u00fc\U0001f4a7\r\n# \u20ac\r\n{H.decode()}  y\r\n"
    found = read(text.encode(encoding))
    assert found.paths == ["\u00fc\U0001f4a7".encode(), b"y"]
    assert [entry.line for entry in found.listed] == [1, 3]


def test_lines_are_numbered_as_the_file_has_them() -> None:
    found = read(b"#\n\n" + H + b"  x\r\n\r\njunk\n" + H + b"  y")
    assert [item.line for item in found.items] == [3, 5, 6]


def test_each_line_may_have_a_digest_of_its_own_where_the_name_says_none() -> None:
    found = read(b"\n".join((MD5 + b"  x", SHA1 + b"  x", H + b"  x")), b"CHECKSUMS")
    assert [entry.digests[0][0] for entry in found.listed] == ["md5", "sha1", "sha256"]


@pytest.mark.parametrize(
    ("name", "digest", "algorithm"),
    [
        (b"B2SUMS", SHORT, "blake2b-160"),
        (b"BLAKE2SUMS", SHORT, "blake2b-160"),
        (b"x.b2", H, "blake2b-256"),
        (b"BLAKE2b-256SUMS", H, "blake2b-256"),
        (b"SHA3-256SUMS", SHA3, "sha3_256"),
        (b"sm3sum.txt", H, "sm3"),
        (b"sums.blake2s", H, "blake2s"),
        (b"SHA2-256SUMS", H, "sha256"),
        (b"CHECKSUM.SHA256-basin-2.1", H, "sha256"),
        (b"basin_2.1_checksums.txt", H, "sha256"),
        (b"manifest-sha256.txt", H, "sha256"),
    ],
)
def test_the_lists_name_says_of_which_algorithm_its_digests_are(
    name: bytes, digest: bytes, algorithm: str
) -> None:
    (entry,) = read(digest + b"  x\n", name).items
    assert isinstance(entry, Listed)
    assert entry.digests == ((algorithm, bytes.fromhex(digest.decode())),)


def test_a_tag_goes_before_what_the_lists_name_says() -> None:
    found = read(b"MD5 (x) = " + MD5 + b"\nBLAKE2b-160 (x) = " + SHORT)
    assert [entry.digests[0][0] for entry in found.listed] == ["md5", "blake2b-160"]


# coreutils' rule, "to minimize security issues with attackers renaming files with leading spaces".
def test_in_a_list_with_single_blanks_a_second_belongs_to_the_name() -> None:
    assert read(H + b" x\n" + H + b"  y\n" + H + b" *z\n").paths == [b"x", b" y", b"*z"]


def test_a_name_of_one_letter_after_one_blank_shows_a_list_of_single_blanks() -> None:
    assert read(H + b" *\n" + H + b"  y\n").paths == [b"*", b" y"]


# Sidecars.


def test_a_digest_alone_is_of_the_file_that_its_sidecar_stands_beside() -> None:
    for text in (H, H + b"\n", H + b" \r\n", b"# of the image\n" + H.upper() + b"\n"):
        for name in (b"x.iso.sha256", b"x.iso.SHA256SUM", b"x.iso.sha256.txt", b"x.iso.sha256.asc"):
            assert one_path(text, name) == b"x.iso"
    assert one_path(H + b"  -\n", b"x.iso.sha256") == b"x.iso"
    assert read(H).unusable == "no line could be read"


def test_a_sidecar_that_names_another_file_is_found_and_that_file_is_listed() -> None:
    found = read(H + b"  y.iso\n", b"x.iso.sha256", {b"x.iso": b""})
    assert found.paths == [b"y.iso"]
    assert [item.line for item in found.refused] == [1]
    assert found.refused[0].why == "names y.iso, not x.iso, which it stands beside"
    assert found.unusable == ""


def test_a_sidecar_that_names_its_file_among_others_or_in_a_folder_is_fine() -> None:
    for text in (H + b"  x.iso\n", H + b"  y\n" + H + b"  ./x.iso\n", H + b"  out/x.iso\n"):
        assert read(text, b"x.iso.sha256", {b"x.iso": b""}).refused == []


def test_a_list_that_stands_beside_no_file_of_its_name_may_name_any() -> None:
    assert read(H + b"  y.iso\n", b"sums.sha256").refused == []


# NUL-terminated records.


def test_records_that_end_in_nul_hold_any_name() -> None:
    found = read(H + b"  a\nb\0" + H + b" *\\n\0SHA256 (c\r) = " + H + b"\0")
    assert found.paths == [b"a\nb", b"\\n", b"c\r"]
    assert [item.line for item in found.items] == [1, 2, 3]


def test_a_record_that_ends_in_nul_is_not_escaped() -> None:
    found = read(H + b"  a\0" + H + b"  b\0\\" + H + b"  c\0")
    assert found.paths == [b"a", b"b"]
    assert len(found.refused) == 1


def test_a_nul_in_a_list_of_lines_does_not_hide_what_follows_it() -> None:
    found = read(H + b"  x\n" + H + b"  y\0z\n" + H + b"  w\n")
    assert (found.paths, len(found.refused)) == ([b"x", b"w"], 1)
    found = read(H + b"  x\n\0")
    assert (found.paths, len(found.refused)) == ([b"x"], 1)


# Clear-signed text (RFC 9580 section 7).


def test_signed_text_is_read_with_the_files_line_numbers() -> None:
    found = read(signed(H + b"  x\n- " + H + b"  -y\n- -----\n# no\n"))
    assert (found.paths, [item.line for item in found.listed]) == ([b"x", b"-y"], [4, 5])
    assert [item.line for item in found.refused] == [6]


def test_signed_text_may_lie_in_a_file_of_armour() -> None:
    assert one_path(signed(H + b"  x\n").replace(b"\n", b"\r\n"), b"SHA256SUMS.asc") == b"x"


def test_blanks_at_a_lines_end_which_no_signature_is_about_are_no_part_of_a_name() -> None:
    assert one_path(signed(H + b"  x \t\n")) == b"x"


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (H + b"  y\n" + signed(H + b"  x\n"), "lines stand before the signed text"),
        (signed(H + b"  x\n") + H + b"  y\n", "stands outside the signed text"),
        (signed(H + b"  x\n") + signed(H + b"  y\n"), "stands outside the signed text"),
        (signed(H + b"  x\n")[: -len(END) - 2], "the signature is cut short"),
        (
            signed(H + b"  x\n").split(b"-----BEGIN PGP SIGNATURE")[0],
            "the signed text is cut short",
        ),
        (signed(H + b"  x\n", b"Comment: " + H + b"  y\n"), "line 2 is no header"),
        (signed(b""), "holds no entry"),
    ],
)
def test_text_that_the_signature_is_not_about_makes_the_list_unusable(
    text: bytes, why: str
) -> None:
    assert why in read(text).unusable


def test_a_signature_alone_is_no_list() -> None:
    with pytest.raises(NotAListError):
        list(read_lines(io.BytesIO(SIGNATURE), Place(b"SHA256SUMS.asc")))
    assert read(SIGNATURE, b"SHA256SUMS").unusable == "no line could be read"


# Which files are lists.


@pytest.mark.parametrize("name", [b"md5sum", b"sha256", b"SHA256SUM", b"digest.txt", b"hashes"])
def test_a_program_or_a_text_that_has_a_lists_name_is_none(name: bytes) -> None:
    for text in (b"\x7fELF\2\1\1\0" * 5000, b"The digest of the basin's year\n", b""):
        with pytest.raises(NotAListError):
            next(read_lines(io.BytesIO(text), Place(name)))
    found = read(b"junk\nSHA256 (x) = " + H, name)
    assert [item.line for item in found.items] == [1, 2]


@pytest.mark.parametrize(
    "name",
    [
        *("SHA256SUMS", "sha256sums", "SHA256SUMS.txt", "sha256sum.txt", "sha256sum", "SHA256"),
        *("MD5SUMS", "md5sums", "md5sum.txt", "CHECKSUMS", "checksums.txt", "checksum.txt"),
        *("CHECKSUM", "basin-2.1-CHECKSUM", "basin_2.1_SHA256SUMS", "SHA256SUMS-basin"),
        *("x.iso.sha256", "x.iso.sha256sum", "x.md5", "x.sha1", "x.sha384", "x.SHA512", "x.b2"),
        *("x.iso.sha512.txt", "x.sm3", "x.sha3-256", "x.blake2b", "x.iso.DIGESTS", "x.checksum"),
        *("sums.sha224", "CHECKSUM.SHA512", "CHECKSUM.SHA512-basin-2.1", "B2SUMS", "b2sums.txt"),
        *("SHA256SUMS.asc", "x.iso.sha256.asc", "sha512.txt", "basin-sha256.txt", "hashes.txt"),
        *("manifest-sha256.txt", "tagmanifest-md5.txt", "fetch.txt", "sha-256sums", "shasums"),
        *("SHASUMS256.txt", "checksums.lst", "sha256sums.list", "hashsum.txt", "basin.sum"),
    ],
)
def test_a_file_of_a_common_name_is_taken_for_a_list(name: str) -> None:
    assert dialect_of(name.encode()) is not None


@pytest.mark.parametrize(
    "name",
    [
        *("SHA256SUMS.sig", "SHA256SUMS.gpg", "SHA256SUMS.sign", "x.iso.sha256.sig", "x.iso.asc"),
        *("md5.c", "sha256.h", "libmd5.so", "sha256sum.exe", "checksums.json", "checksum.py"),
        *("x.zip", "README.txt", "sums", "b2", "summary.txt", "hash", "x.hash", ""),
        *("bagit.txt", "bag-info.txt", "manifest.txt", "x.shape", "tool-sha256", "SHA256SUMS.d/x"),
    ],
)
def test_a_file_of_another_name_is_not(name: str) -> None:
    assert dialect_of(name.encode()) is None
