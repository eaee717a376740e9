"""Metalink 4 (RFC 5854)."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import pytest
import repo_kit

from depotserve.tree.expectations.indexes import metalink
from depotserve.tree.expectations.listed import Listed, Unreadable, UnusableError

if TYPE_CHECKING:
    from pathlib import Path

HEX = hashlib.sha256(b"pump").hexdigest()
DIGESTS = (("sha256", bytes.fromhex(HEX)),)
# RFC 5854 section 1.1, the second example, shortened; from memory and from copies of it in source
# texts, with its digests cut short as they are printed there.
EXAMPLE = b"""<?xml version="1.0" encoding="UTF-8"?>
<metalink xmlns="urn:ietf:params:xml:ns:metalink">
  <published>2009-05-15T12:23:23Z</published>
  <file name="example.ext">
    <size>14471447</size>
    <identity>Example</identity>
    <version>1.0</version>
    <language>en</language>
    <description>
    A description of the example file for download.
    </description>
    <hash type="sha-256">f0ad929cd259957e160ea442eb80986b5f01...</hash>
    <url location="de" priority="1">ftp://ftp.example.com/example.ext</url>
    <url location="fr" priority="1">http://example.com/example.ext</url>
    <metaurl mediatype="torrent" priority="2">http://example.com/example.ext.torrent</metaurl>
  </file>
  <file name="example2.ext">
    <size>14471447</size>
    <hash type="sha-256">2f548ce50c459a0270e85a7d63b2383c5523...</hash>
    <url location="de" priority="1">ftp://ftp.example.com/example2.ext</url>
  </file>
</metalink>
"""


def read(body: str) -> repo_kit.Read:
    content = f'<metalink xmlns="urn:ietf:params:xml:ns:metalink">{body}</metalink>'
    return repo_kit.read_bytes(metalink.METALINK, content.encode())


def test_a_metalink_lists_exactly_the_files_there(tmp_path: Path) -> None:
    repo_kit.make_metalink(tmp_path)
    got = repo_kit.read_list(tmp_path, b"plant.meta4")
    found = repo_kit.found_at(tmp_path, b"plant.meta4", got)
    assert set(found) == {b"intake & pump.img", b"controller/brine.img"}
    assert [[kind for kind, _ in each.digests] for each in got.listed] == [["sha256", "sha1"]] * 2
    assert got.faults == []
    repo_kit.assert_true_of(tmp_path, found)


def test_the_example_of_the_standard_gives_sizes_and_says_that_its_digests_are_cut() -> None:
    why = "the digest is not 64 hexadecimal digits"
    assert repo_kit.read_bytes(metalink.METALINK, EXAMPLE).items == [
        Unreadable(12, why),
        Listed(b"example.ext", 4, 14471447),
        Unreadable(19, why),
        Listed(b"example2.ext", 17, 14471447),
    ]


@pytest.mark.parametrize(
    "name",
    ["/x", "./x", "../x", "a/../x", "a/..", "..", ".", "", "a/"],
)
def test_a_name_that_leads_elsewhere_is_refused(name: str) -> None:
    # Section 4.1.2.1.
    file = f'<file name="{name}"><size>4</size></file>'
    got = read(f'{file}<file name="a/.../..b/x"><size>4</size></file>')
    assert [fault.line for fault in got.faults] == [1]
    assert got.listed == [Listed(b"a/.../..b/x", 1, 4)]


def test_a_file_without_size_and_digest_is_expected_all_the_same() -> None:
    # Section 4.1.2: both may be left out.
    assert read('<file name="x"><url>http://plant.example/x</url></file>').items == [
        Listed(b"x", 1)
    ]


def test_what_else_has_a_hash_says_nothing_of_the_file() -> None:
    pieces = f'<pieces type="sha-256" length="9"><hash>{"0" * 64}</hash></pieces>'
    foreign = f'<x:hash xmlns:x="urn:plant" type="sha-256">{"0" * 64}</x:hash>'
    got = read(f'<file name="x">{pieces}{foreign}<hash type="sha-256"> {HEX}\n</hash></file>')
    assert got.items == [Listed(b"x", 1, None, DIGESTS)]


def test_a_hash_of_an_unknown_type_matters_only_where_nothing_else_is_known() -> None:
    unknown = '<hash type="crc7">00</hash>'
    good = f'<hash type="sha-256">{HEX}</hash>'
    got = read(f'<file name="x">{unknown}{good}</file>\n<file name="y">{unknown}</file>')
    assert got.items == [
        Listed(b"x", 1, None, DIGESTS),
        Unreadable(2, "a digest of an unknown kind"),
    ]


@pytest.mark.parametrize("size", ["x", "", "-1", "1.0", "0x10", "४", "9" * 5000, "1 2"])
def test_a_damaged_size_leaves_the_digest(size: str) -> None:
    got = read(f'<file name="x"><size>{size}</size><hash type="sha-256">{HEX}</hash></file>')
    assert [fault.line for fault in got.faults] == [1]
    assert got.listed == [Listed(b"x", 1, None, DIGESTS)]


def test_two_digests_that_contradict_each_other_are_a_fault() -> None:
    one, other = (f'<hash type="sha-256">{value}</hash>' for value in (HEX, "0" * 64))
    got = read(f'<file name="x">{one}{other}</file>')
    assert len(got.faults) == 1
    assert read(f'<file name="x">{one}{one}</file>').faults == []


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"text",
        EXAMPLE[:-20],
        EXAMPLE.replace(b"ns:metalink", b"ns:metalonk"),
        b'<metalink xmlns="urn:ietf:params:xml:ns:metalink"/>',
        b'<!DOCTYPE metalink [<!ENTITY a "b">]>' + EXAMPLE.partition(b"\n")[2],
    ],
)
def test_what_is_no_whole_metalink_says_so(content: bytes) -> None:
    with pytest.raises(UnusableError):
        repo_kit.read_bytes(metalink.METALINK, content)
