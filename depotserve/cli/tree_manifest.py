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
from depotserve.cli.remembering import not_remembered
from depotserve.errors import CallerError
from depotserve.tree import cache
from depotserve.tree.entry import Kind, shown
from depotserve.tree.hashing import hash_files
from depotserve.tree.held import FILE
from depotserve.tree.inventory import ALWAYS, opened_inventory
from depotserve.tree.litter import is_litter, within_litter
from depotserve.tree.manifest import replacing, write_manifest
from depotserve.tree.state import state_folder
from depotserve.tree.walk import folders

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from depotserve.tree.hashing import Hashed
    from depotserve.tree.inventory import Inventory
    from depotserve.tree.progress import Progress
    from depotserve.tree.walk import Folder, State

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
    forgotten: tuple[str, ...] = ()  # places of whose files nothing is remembered

    def fault(self, path: bytes, why: str) -> None:
        self.faults += 1
        self.note(path, why)

    def note(self, path: bytes, why: str) -> None:
        name = shown(path) if path else "."
        click.echo(f"depotserve: {printable(name)}: {printable(why)}", err=True)

    def end(self, count: int) -> None:
        for place in self.forgotten:
            click.echo(f"depotserve: {printable(not_remembered(place))}", err=True)
        said = f"{count} files" if count != 1 else "1 file"
        if self.faults:
            said += f"; the manifest is not complete: {self.faults} of the lines above say why"
        click.echo(f"depotserve: {said}", err=True)


def _digests(
    tree: Path, state: Path, told: _Told, progress: Progress, *, fresh: bool
) -> Iterator[tuple[bytes, bytes]]:
    """Yield path and SHA-256 of every file, sorted by path as bytes; tell of all else."""
    with contextlib.ExitStack() as exits:
        known = None if fresh else exits.enter_context(cache.opened(state, tree))
        inventory = exits.enter_context(opened_inventory(known))
        progress.begin("looking through the tree", 0, 0)
        inventory.enter(_folders(tree, told))
        progress.begin("reading files", *inventory.want())
        for done in hash_files(tree, inventory.wanted(), progress):
            _note(done, inventory, told)
        inventory.keep()
        told.forgotten = inventory.doubted
        yield from inventory.digests(ALWAYS)


def _note(done: Hashed, inventory: Inventory, told: _Told) -> None:
    if done.wrong or done.changed:
        told.fault(done.entry.path, done.wrong or "changed while it was read")
        return
    inventory.learn(done.entry.path, done.digests)


def _folders(tree: Path, told: _Told) -> Iterator[Folder]:
    """Yield all folders, with what goes into the manifest and with the folders within."""
    output = os.fstat(sys.stdout.fileno())
    own = (output.st_ino, output.st_dev)
    for folder in folders(tree):
        if _is_plain(folder, own):
            yield folder
        elif within_litter(folder.path) is None:
            yield folder._replace(states=dict(_kept(tree, folder, told, own)))


def _is_plain(folder: Folder, own: tuple[int, int]) -> bool:
    """Tell, in one go, a folder that holds nothing but files for the manifest, as most do."""
    if folder.troubles or within_litter(_joined(folder.path, folder.states)) is not None:
        return False
    return all(state[0] == FILE and state[4:] != own for state in folder.states.values())


def _joined(path: bytes, names: Iterable[bytes]) -> bytes:
    """Put names together as a path, to look for any that are litter: no name holds a `/`."""
    return b"/".join((path, *names))


def _kept(
    tree: Path, folder: Folder, told: _Told, own: tuple[int, int]
) -> Iterator[tuple[bytes, State]]:
    """Give the files and folders of a folder; tell of all else."""
    for trouble in folder.troubles:
        if within_litter(trouble.path) is None:
            told.fault(trouble.path, trouble.why)
    for name, state in folder.states.items():
        path = folder.prefix + name
        if is_litter(name):
            told.note(path, "system litter, left out")
        elif state[0] != Kind.FILE:
            _TOLD_OF[Kind(state[0])](tree, path, told)
            yield name, state
        elif state[4:] == own:
            told.note(path, "what standard output goes to, left out")
        else:
            yield name, state


def _tell_of_folder(tree: Path, path: bytes, told: _Told) -> None:
    # One that cannot be listed comes again as trouble.
    with contextlib.suppress(OSError), os.scandir(os.fsencode(tree) + b"/" + path) as inside:
        if next(inside, None) is None:
            told.note(path, "empty folder, which no manifest can hold")


def _tell_of_link(tree: Path, path: bytes, told: _Told) -> None:
    place = Path(os.fsdecode(os.path.join(os.fsencode(tree), path)))
    if not os.path.exists(place):
        told.fault(path, "link that leads to nothing")
    elif not config.is_within(place, tree):
        told.fault(path, "link that leads out of the tree, left out")
    else:
        told.note(path, "link within the tree, left out")


def _tell_of_special(_tree: Path, path: bytes, told: _Told) -> None:
    told.fault(path, "neither file, folder nor link")


_TOLD_OF: dict[Kind, Callable[[Path, bytes, _Told], None]] = {
    Kind.FOLDER: _tell_of_folder,
    Kind.LINK: _tell_of_link,
    Kind.SPECIAL: _tell_of_special,
}
