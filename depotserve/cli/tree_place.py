"""`depotserve tree place`: put files that were fetched by hand where lists expect them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from depotserve.cli.printable import printable
from depotserve.cli.progress import Shown
from depotserve.tree.entry import shown
from depotserve.tree.placing import placer

if TYPE_CHECKING:
    from depotserve.tree.placing import Placed, Placer

__all__ = ["tree_place"]

_PATH = click.Path(path_type=Path, readable=False)


@click.command("place")
@click.argument("tree", type=_PATH)
@click.argument("files", type=_PATH, nargs=-1, required=True, metavar="FILE...")
@click.option(
    "--expect",
    type=_PATH,
    multiple=True,
    metavar="LIST",
    help="As of `tree check`; can be given often.",
)
@click.option("--rules", type=_PATH, metavar="FILE", help="How catalogs are read: conf/rules.yaml.")
@click.pass_context
def tree_place(
    context: click.Context,
    tree: Path,
    files: tuple[Path, ...],
    *,
    expect: tuple[Path, ...],
    rules: Path | None,
) -> None:
    """Copy each FILE to the place in TREE that a list expects it at; FILE itself stays.

    The place is found by the file's digest, whatever the file is called, and each place that
    expects this content gets it. Where lists state no digest, name and size must both be as they
    say: give a file back its name, such as `x.iso` for `x (1).iso` or `x.iso.part`. An empty file
    is found by its name alone.

    The copy is verified before it takes its name, and gets the owner and mode of its folder. A file
    that is right is never replaced; a wrong one is.

    Exit status 1 if a file belongs nowhere, if nobody can tell where, or if something else is in
    its place; 2 if one could not be read or written. The others are placed all the same.

    Not checked: anything else in TREE, and who made the lists; `tree check` does both.
    """
    progress = Shown()
    try:
        with placer(tree, progress, expect=expect, rules=rules) as room:
            _say_what_is_missing(room, progress)
            status = max([_place(room, file, progress) for file in files])
    finally:
        progress.end()
    context.exit(status)


def _say_what_is_missing(room: Placer, progress: Shown) -> None:
    progress.end()
    for finding in room.unusable():
        _warn(f"{shown(finding.path)}: this list cannot be used: {finding.detail}")
    if not room.claims.lists.all():
        _warn("no list of expected files was found: give one with --expect")


def _place(room: Placer, file: Path, progress: Shown) -> int:
    """Place one file and say what came of it; give the exit status that this means."""
    all_placed = room.place(file)
    progress.end()
    for placed in all_placed:
        line = f"{file}: {_words(placed)}"
        if placed.outcome.status == 2:
            _warn(line)
        else:
            click.echo(printable(line))
    return max(placed.outcome.status for placed in all_placed)


def _words(placed: Placed) -> str:
    detail = f" ({placed.detail})" if placed.detail else ""
    places = f": {', '.join(map(shown, placed.places))}" if placed.places else ""
    return f"{placed.outcome.words}{detail}{places}"


def _warn(line: str) -> None:
    click.echo(f"depotserve: {printable(line)}", err=True)
