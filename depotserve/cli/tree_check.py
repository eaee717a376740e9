"""`depotserve tree check`: what is missing, damaged, unfinished, or vouched for by nobody."""

from __future__ import annotations

from pathlib import Path

import click

from depotserve.cli.options import json_option
from depotserve.cli.progress import Shown
from depotserve.cli.tree_report import print_json, print_text
from depotserve.tree.check import Wish, check
from depotserve.tree.state import state_folder

__all__ = ["tree_check"]

_PATH = click.Path(path_type=Path, readable=False)


@click.command("check")
@click.argument("tree", type=_PATH)
@click.option(
    "--expect",
    type=_PATH,
    multiple=True,
    metavar="LIST",
    help="A list of expected files that came by another way, or one in the tree that is not "
    "recognised. Can be given often.",
)
@click.option("--rules", type=_PATH, metavar="FILE", help="How catalogs are read: conf/rules.yaml.")
@click.option(
    "--keys",
    type=_PATH,
    metavar="FOLDER",
    help="Keys that you trust: FOLDER/VENDOR.asc (OpenPGP), FOLDER/VENDOR.pem (X.509).",
)
@click.option(
    "--digest",
    "typed",
    multiple=True,
    metavar="FILE=DIGEST",
    help="A digest from another channel, such as the vendor's page. Can be given often.",
)
@click.option(
    "--accept", type=_PATH, metavar="FILE", help="Findings that are accepted: conf/accept.yaml."
)
@click.option("--state", type=_PATH, metavar="DIR", help="Where digests are remembered.")
@click.option("--fresh", is_flag=True, help="Read every file, whatever is remembered of it.")
@json_option
@click.pass_context
def tree_check(  # noqa: PLR0913  # one for each option
    context: click.Context,
    tree: Path,
    *,
    expect: tuple[Path, ...],
    rules: Path | None,
    keys: Path | None,
    typed: tuple[str, ...],
    accept: Path | None,
    state: Path | None,
    fresh: bool,
    as_json: bool,
) -> None:
    """Check the folder TREE against the lists that it carries, and against those you give.

    Read are checksum lists and files beside a file that hold its digest, BagIt manifests, Metalink,
    indexes of rpm and Debian repositories, OCI image layouts, simple package indexes, and, by
    guessing, catalogs in JSON or XML. What no digest vouches for is looked into: archives are
    walked to their end.

    A list that came with the files proves only that both fit each other: files count as
    authenticated where a signature by a key in --keys, or a --digest, vouches for them.

    Exit status 1 if there is a fault that no rule accepts, or if nothing vouches for any file.

    Not checked: malware (tree scan), what is inside of archives that a digest vouches for, whether
    the vendor has withdrawn or replaced a file, and whether a list names everything that you need.
    """
    wish = Wish(
        root=tree,
        state=state_folder(state, tree=tree),
        expect=expect,
        rules=rules,
        keys=keys,
        typed=typed,
        accept=accept,
        fresh=fresh,
    )
    shown = Shown()
    try:
        with check(wish, shown) as report:
            shown.end()
            if as_json:
                print_json(report)
            else:
                print_text(report)
            status = report.status
    finally:
        shown.end()
    context.exit(status)
