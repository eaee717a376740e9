"""`depotserve tree manifest`: the SHA-256 of every file of a tree."""

from __future__ import annotations

import contextlib
import os
import stat
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Callable

import attrs
import click

from depotserve import config
from depotserve.cli.printable import printable
from depotserve.cli.progress import Shown
from depotserve.errors import CallerError
from depotserve.tree import cache
from depotserve.tree.entry import Entry, Kind, shown
from depotserve.tree.hashing import hash_files
from depotserve.tree.inventory import ALWAYS, Inventory
from depotserve.tree.litter import within_litter
from depotserve.tree.manifest import replacing, write_manifest
from depotserve.tree.state import state_folder
from depotserve.tree.walk import Trouble, walk

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.tree.cache import Cache
    from depotserve.tree.hashing import Hashed
    from depotserve.tree.progress import Progress

__all__ = ["tree_manifest"]


@click.command("manifest")
@click.argument("tree", type=click.Path(path_type=Path, readable=False))
@click.option(
    "--out",
    type=click.Path(path_type=Path, readable=False),
    metavar="FILE",
    help="File to write, outside the tree; else standard output.",
)
@click.option(
    "--state",
    type=click.Path(path_type=Path, readable=False),
    metavar="DIR",
    help="Folder for what is remembered of files; else the user's own state folder.",
)
@click.option("--fresh", is_flag=True, help="Read every file, whatever is remembered of it.")
@click.pass_context
def tree_manifest(
    context: click.Context, tree: Path, out: Path | None, state: Path | None, *, fresh: bool
) -> None:
    """Write the SHA-256 of every file in TREE, as `sha256sum -c` reads it, sorted by path.

    What operating systems leave behind is left out, and so are links; each is named on standard
    error. Exit status 1 if the manifest is not complete, since something could not be read, is
    neither file, folder nor link, or is a link that leads to nothing or out of the tree, or if
    there is no file. Nothing is checked against what the tree's own lists say.
    """
    if out is not None:
        _check_out(out, tree)
    folder = state_folder(state, tree=tree)
    told = _Told()
    progress = Shown()
    rows = _digests(tree, folder, told, progress, fresh=fresh)
    try:
        if out is None:
            count = write_manifest(sys.stdout.buffer, rows)
        else:
            with replacing(out) as stream:
                count = write_manifest(stream, rows)
    finally:
        progress.end()
    told.end(count)
    context.exit(int(told.faults > 0 or not count))


def _check_out(out: Path, tree: Path) -> None:
    if config.is_within(out, tree):
        raise CallerError(
            "lies in the tree, which is never written to",
            where=str(out),
            allowed="name another file",
        )
    if os.path.lexists(out) and not stat.S_ISREG(os.lstat(out).st_mode):
        raise CallerError(
            "is there and no regular file", where=str(out), allowed="name another file"
        )


@attrs.define
class _Told:
    """What standard error was told is not in the manifest."""

    faults: int = 0

    def fault(self, path: bytes, why: str) -> None:
        self.faults += 1
        self.note(path, why)

    def note(self, path: bytes, why: str) -> None:
        name = shown(path) if path else "."
        click.echo(f"depotserve: {printable(name)}: {printable(why)}", err=True)

    def end(self, count: int) -> None:
        said = f"{count} files" if count != 1 else "1 file"
        if self.faults:
            said += f"; the manifest is not complete: {self.faults} of the lines above say why"
        click.echo(f"depotserve: {said}", err=True)


def _digests(
    tree: Path, state: Path, told: _Told, progress: Progress, *, fresh: bool
) -> Iterator[tuple[bytes, bytes]]:
    """Yield path and SHA-256 of every file, sorted by path as bytes; tell of all else."""
    with contextlib.ExitStack() as exits:
        inventory = Inventory()
        exits.callback(inventory.close)
        known = None if fresh else exits.enter_context(cache.opened(state, tree))
        progress.begin("looking through the tree", 0, 0)
        inventory.enter(_files(tree, told))
        inventory.recall(known)
        progress.begin("reading files", *inventory.want())
        for done in hash_files(tree, inventory.wanted(), progress):
            _note(done, inventory, known, told)
        for entry in inventory.files():
            digest = inventory.facts(entry.path).get(ALWAYS)
            if digest is not None:
                yield entry.path, digest


def _note(done: Hashed, inventory: Inventory, known: Cache | None, told: _Told) -> None:
    if done.wrong or done.changed:
        told.fault(done.entry.path, done.wrong or "changed while it was read")
        return
    inventory.learn(done.entry.path, done.digests)
    if known is not None:
        known.remember(done.entry, done.digests)


def _files(tree: Path, told: _Told) -> Iterator[Entry]:
    output = os.fstat(sys.stdout.fileno())
    for found in walk(tree):
        litter = within_litter(found.path)
        if litter is not None:
            if litter == found.path and isinstance(found, Entry):
                told.note(litter, "system litter, left out")
        elif isinstance(found, Trouble):
            told.fault(found.path, found.why)
        elif found.kind is not Kind.FILE:
            _TOLD_OF[found.kind](tree, found, told)
        elif (found.device, found.inode) == (output.st_dev, output.st_ino):
            told.note(found.path, "what standard output goes to, left out")
        else:
            yield found


def _tell_of_folder(tree: Path, found: Entry, told: _Told) -> None:
    # One that cannot be listed comes again as trouble.
    with contextlib.suppress(OSError), os.scandir(os.fsencode(tree) + b"/" + found.path) as inside:
        if next(inside, None) is None:
            told.note(found.path, "empty folder, which no manifest can hold")


def _tell_of_link(tree: Path, found: Entry, told: _Told) -> None:
    path = Path(os.fsdecode(os.path.join(os.fsencode(tree), found.path)))
    if not os.path.exists(path):
        told.fault(found.path, "link that leads to nothing")
    elif not config.is_within(path, tree):
        told.fault(found.path, "link that leads out of the tree, left out")
    else:
        told.note(found.path, "link within the tree, left out")


def _tell_of_special(_tree: Path, found: Entry, told: _Told) -> None:
    told.fault(found.path, "neither file, folder nor link")


_TOLD_OF: dict[Kind, Callable[[Path, Entry, _Told], None]] = {
    Kind.FOLDER: _tell_of_folder,
    Kind.LINK: _tell_of_link,
    Kind.SPECIAL: _tell_of_special,
}
