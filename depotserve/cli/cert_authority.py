"""`depotserve cert authority`: one authority follows another."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from depotserve import clock, tls
from depotserve import home as homes
from depotserve.cli.options import home_option, next_command, read_passphrase
from depotserve.errors import DepotError
from depotserve.home import locked
from depotserve.tls import custody, rollover

if TYPE_CHECKING:
    from depotserve.home import Home

__all__ = ["authority"]

_WORD_PATH = click.Path(path_type=Path, readable=False, allow_dash=True)


@click.group(no_args_is_help=False)
def authority() -> None:
    """Let a new authority follow the home's own.

    First `new`: from then on `cert trust` gives clients both. When every client has them: `use`,
    then `cert issue`. When none needs the old one any more: `retire`. The key of the one that
    signs is named by `cert issue --authority-key` if it is kept elsewhere.
    """


@authority.command()
@click.option(
    "--key", type=click.Choice(["ecdsa", "rsa"]), default="ecdsa", show_default=True, help="Kind."
)
@click.option(
    "--passphrase-file",
    type=_WORD_PATH,
    metavar="FILE",
    help="Encrypt its key with this file's first line; - is standard input.",
)
@home_option
def new(key: str, passphrase_file: Path | None, home: Path | None) -> None:
    """Make an authority beside the one that stands; nothing changes for clients yet."""
    place = homes.find(home)
    word = None if passphrase_file is None else read_passphrase(passphrase_file)
    moment = clock.require(place)
    with locked(place.lock("tls")):
        rollover.finish(place)
        rollover.begin(place, _main_name(place), tls.KeyKind(key), word, moment)
    click.echo("A new authority is made. Next, give every client both:")
    click.echo(f"  {next_command('cert trust --for CLIENT --out FILE', place)}")
    click.echo(f"Then: {next_command('cert authority use', place)}")


@authority.command()
@home_option
def use(home: Path | None) -> None:
    """Let the new authority sign from now on; the old one's key is removed."""
    place = homes.find(home)
    with locked(place.lock("tls")):
        rollover.finish(place)
        rollover.switch(place)
    click.echo(f"The new authority signs from now on. Next: {next_command('cert issue', place)}")
    click.echo("When no client needs the old one any more:")
    click.echo(f"  {next_command('cert authority retire', place)}")


@authority.command()
@home_option
def retire(home: Path | None) -> None:
    """Take the old authority out of what clients are given."""
    place = homes.find(home)
    with locked(place.lock("tls")):
        rollover.retire(place)
    click.echo("The old authority is retired. Take it off clients when there is time for that.")
    _count(place)


def _main_name(home: Home) -> str:
    """Give the name that people tell authorities apart by, where the certificate says one."""
    try:
        names = tls.describe(custody.read_live(home).certificate).names
    except DepotError:
        names = ()
    return names[0] if names else "depot"


def _count(home: Home) -> None:
    try:
        count = len(custody.anchors(home))
    except DepotError:  # the root of another authority's certificate is not known here
        return
    ending = "" if count == 1 else "s"
    click.echo(f"depotserve cert trust now gives {count} authority certificate{ending}.")
