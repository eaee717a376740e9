"""Package index pages: PEP 503 (HTML) and PEP 691 (JSON), as far as they give digests."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from typing import TYPE_CHECKING, Any, BinaryIO, NamedTuple
from urllib.parse import unquote_to_bytes, urlsplit

from depotserve.tree.digests import named
from depotserve.tree.expectations.bases import NAME
from depotserve.tree.expectations.file_facts import Facts, insist
from depotserve.tree.expectations.indexes.strict_json import BadJsonError, parse, read_whole
from depotserve.tree.expectations.listed import (
    Dialect,
    Item,
    Listed,
    NotAListError,
    Place,
    Unreadable,
    UnusableError,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["JSON_PAGE", "PAGE", "dialect_of", "read_json_page", "read_page"]

# Bytes; the pages of projects with the most files have some 10 MB.
_MOST = 16 * 1024 * 1024
_PIECE = 16 * 1024
# Bytes of one tag, comment or script. The library's parser looks at an unfinished one again and
# again, so that its time is the square of this.
_LONGEST_TAG = 64 * 1024
# Nothing else is parsed: most HTML in a tree is documentation, and parsing takes 100 times as long.
_HASHED = re.compile(rb"[#&;](?:md5|sha[0-9_]+|blake2[bs])=", re.IGNORECASE)


class _Link(NamedTuple):
    line: int
    href: str


class _Links(HTMLParser):
    """Collects the links of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[_Link] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        href = dict(attrs).get("href") if tag == "a" else None
        if href:
            self.found.append(_Link(self.getpos()[0], href))


def read_page(stream: BinaryIO, place: Place) -> Iterator[Item]:
    """Yield each file that a PEP 503 page links with a digest.

    A link to another host, or from the root of its own, is known by its last component alone,
    unless files are looked for by their names, where those before it help.
    Raises NotAListError for a page that has no such link.
    """
    content = stream.read(_MOST + 1)
    if not _HASHED.search(content):
        raise NotAListError("a page that links nothing with a digest")
    if len(content) > _MOST:
        raise UnusableError(f"longer than {_MOST} bytes")
    yield from insist(_linked(content.decode("utf-8", "surrogateescape"), place))


def _linked(content: str, place: Place) -> Iterator[Item]:
    found = False
    for link in _links(content):
        for item in _one_link(link, place):
            found = True
            yield item
    if not found:
        raise NotAListError("a page that links nothing with a digest")


def _links(content: str) -> Iterator[_Link]:
    parser = _Links()
    for start in range(0, len(content), _PIECE):
        why = _fed(parser, content[start : start + _PIECE])
        yield from parser.found
        parser.found.clear()
        if why:
            raise UnusableError(f"line {parser.getpos()[0]}: {why}")
    if parser.rawdata.startswith("<"):
        raise UnusableError(f"line {parser.getpos()[0]}: the page ends within a tag")


def _fed(parser: _Links, piece: str) -> str:
    """Give a parser its next piece, and say why it can go no further, if it cannot."""
    try:
        parser.feed(piece)
    # What the library's parser is known to raise for markup that it gives up on.
    except (AssertionError, NotImplementedError, ValueError, IndexError):
        return "no HTML"
    return "a tag or script is too long" if len(parser.rawdata) > _LONGEST_TAG else ""


def _one_link(link: _Link, place: Place) -> Iterator[Item]:
    kind, value = _digest_of(link.href)
    if not kind:
        return
    path = _path(link.href, place)
    if not path:
        yield Unreadable(link.line, "a link that names no file")
        return
    facts = Facts(link.line)
    facts.take_digest(kind, value, link.line)
    yield from facts.items(path)


def _digest_of(href: str) -> tuple[str, str]:
    """Give the kind of digest that a link's fragment names, and the digest; both empty if none."""
    for pair in href.partition("#")[2].split("&"):
        kind, equals, value = pair.partition("=")
        if equals and named(kind):
            return kind, value
    return "", ""


def _path(href: str, place: Place) -> bytes | None:
    """Give the path of a link relative to its page, unescaped (RFC 3986 sections 2.1 and 4.2)."""
    try:
        url = urlsplit(href)
        path = unquote_to_bytes(url.path.encode("utf-8", "surrogateescape"))
    except ValueError:  # no address, or surrogates that stand for no byte
        return None
    if url.scheme or url.netloc or path.startswith(b"/"):
        path = path.lstrip(b"/") if place.base == NAME else path.rpartition(b"/")[2]
    return path if path and not path.endswith(b"/") else None


def read_json_page(stream: BinaryIO, place: Place) -> Iterator[Item]:
    """Yield each file of a PEP 691 page, with its size (PEP 700); `line` counts files.

    Raises NotAListError for a page of projects, and for one that gives neither sizes nor digests.
    """
    try:
        page = parse(read_whole(stream, _MOST))
    except BadJsonError as error:
        raise UnusableError(str(error)) from error
    files = page.get("files") if isinstance(page, dict) else None
    if not isinstance(files, list):
        raise NotAListError("no page of a project's files")
    if files and not any(isinstance(each, dict) and _vouches(each) for each in files):
        raise NotAListError("a page without sizes and digests")
    numbered = enumerate(files, 1)
    yield from insist(item for number, each in numbered for item in _one(number, each, place))


def _vouches(file: dict[str, Any]) -> bool:
    return bool(file.get("hashes")) or file.get("size") is not None


def _one(number: int, file: Any, place: Place) -> Iterator[Item]:  # noqa: ANN401
    where = (file.get("url") or file.get("filename")) if isinstance(file, dict) else None
    path = _path(where, place) if isinstance(where, str) else None
    if not path:
        yield Unreadable(number, "an entry that names no file")
        return
    if not _vouches(file):
        yield Listed(path, number)
        return
    facts = Facts(number)
    if file.get("size") is not None:
        size = file["size"]
        facts.take_size(str(size) if type(size) is int else "", number)
    hashes = file.get("hashes")
    for kind, value in hashes.items() if isinstance(hashes, dict) else [("", hashes)]:
        facts.take_digest(kind, value if isinstance(value, str) else "", number)
    yield from facts.items(path)


PAGE = Dialect("package index page", read_page, ("folder", NAME))
JSON_PAGE = Dialect("package index page", read_json_page, ("folder", NAME))


def dialect_of(name: bytes, head: bytes) -> Dialect | None:
    """Tell a page by its name and what its beginning has; whether it is one, its reader says.

    `name` is a file name, `head` the first 4096 bytes.
    """
    if name.lower().endswith((b".html", b".htm")):
        # A short page is seen whole.
        return PAGE if len(head) >= 4096 or _HASHED.search(head) else None
    is_page = name.lower().endswith(b".json") and b'"api-version"' in head
    return JSON_PAGE if is_page else None
