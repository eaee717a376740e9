"""The check of the listing, which finds a file for the checks that follow."""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs

from depotserve.probe.digests import decoded
from depotserve.probe.exchange import KEPT
from depotserve.probe.finding import Finding, Trouble, Where, fault, passed, unknown
from depotserve.probe.listings import choose, parse_listing
from depotserve.probe.message import coding_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.probe.exchange import Answer
    from depotserve.probe.listings import Entry
    from depotserve.probe.visit import Visit

__all__ = ["listing"]

_MOST_FOLDERS = 16  # that are looked into for a file
# JSON tells sizes; HTML can be read in part, and where the JSON is of another form.
_FORMS = ("application/json, text/html;q=0.9, */*;q=0.1", "text/html, */*;q=0.1")


def listing(visit: Visit) -> Finding:
    """Read the base folder's listing and look in it, then below, for a folder with a file."""
    wish = visit.wish
    try:
        target, got, entries = _asked(visit, wish.address.base)
    except Trouble as trouble:  # it keeps nobody from a file that is named
        return attrs.evolve(trouble.finding, stops=wish.file is None)
    if got.status != 200:
        return _no_listing(visit, got)
    if entries is None:
        finding = unknown(
            "the base address is no listing that the probe reads; --file names a file"
        )
        return attrs.evolve(finding, stops=wish.file is None)
    if wish.file is None:
        visit.listed = _folder_with_file(visit, target, entries)
    folders = sum(one.is_folder for one in entries)
    more = "" if got.is_whole else ", as far as it came in time"
    return passed(f"{len(entries) - folders} files, {folders} folders{more}")


def _asked(visit: Visit, folder: str) -> tuple[str, Answer, list[Entry] | None]:
    """Ask for a listing in each form that is read here, until one can be read.

    Gives target, answer, and entries, if there are any to be read.
    """
    for form in _FORMS:
        target, got = visit.ask(folder, fields={"Accept": form}, most=KEPT)
        body = decoded(got.body, coding_of(got.head), KEPT)
        media = got.head.get("content-type") or ""
        entries = parse_listing(body, media, target, visit.wish.address.origin)
        if got.status != 200 or entries is not None:
            break
    return target, got, entries


def _no_listing(visit: Visit, got: Answer) -> Finding:
    address = visit.wish.address
    if visit.wish.file is not None and got.status in {403, 404}:
        return unknown(f"none ({got.status}), and none is needed, since --file names a file")
    if got.status == 403:
        return fault(
            "listing off: 403 for the base folder",
            cause="the depot lists no folders, or not to this user",
            advice="name a file of the depot: --file PATH",
            where=Where.CLIENT,
        )
    if got.status == 404:
        return fault(
            f"404 for {address.base}",
            cause="the depot's folder has another path, or its listings are off",
            advice=f"check the path in the address: {address.origin}{address.base}",
            where=Where.CLIENT,
        )
    return fault(
        f"{got.status} for {address.base}",
        cause="the depot does not take a plain GET of its folder",
        advice="look in the depot's log at this time for the reason",
        where=Where.DEPOT,
    )


def _folder_with_file(
    visit: Visit, target: str, entries: list[Entry]
) -> tuple[str, tuple[Entry, ...]] | None:
    """Give the first folder, going breadth first, that holds a file to ask for."""
    waiting = [(target, entries)]
    for place, found in _folders(visit, waiting):
        if choose(found):
            return place, tuple(found)
        waiting += [(one.target, []) for one in found if one.is_folder]
    return None


def _folders(
    visit: Visit, waiting: list[tuple[str, list[Entry]]]
) -> Iterator[tuple[str, list[Entry]]]:
    for _ in range(_MOST_FOLDERS):
        if not waiting:
            return
        target, entries = waiting.pop(0)
        yield target, entries or _listed(visit, target)


def _listed(visit: Visit, folder: str) -> list[Entry]:
    _, got, entries = _asked(visit, folder)
    return (entries or []) if got.status == 200 else []
