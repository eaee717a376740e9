"""`depotserve tree place`: put files that were fetched by hand where lists expect them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from depotserve.cli.printable import printable
from depotserve.cli.progress import Shown
from depotserve.tree.entry import shown
from depotserve.tree.placing import Outcome, placer

if TYPE_CHECKING:
    from depotserve.tree.placing import Placed

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
    """Copy each FILE to the place in TREE that a list expects it at.

    The place is found by the file's digest, or else by its name and size where a list gives no
    digest. The copy is verified before it takes its name. A file that is right is never replaced; a
    wrong one is. Exit status 1 if a file belongs nowhere, or nobody can tell where.
    """
    progress = Shown()
    progress.begin("reading", 0, 0)
    good = True
    with placer(tree, progress, expect=expect, rules=rules) as room:
        for file in files:
            placed = room.place(file)
            progress.end()
            click.echo(printable(_line(placed)))
            good &= placed.is_good
    context.exit(int(not good))


def _line(placed: Placed) -> str:
    places = ", ".join(map(shown, placed.places))
    detail = f" ({placed.detail})" if placed.detail else ""
    if placed.outcome is Outcome.PLACED:
        return f"{placed.file}: placed at {places}"
    return f"{placed.file}: {placed.outcome.value}{': ' if places else ''}{places}{detail}"
