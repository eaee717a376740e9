"""`depotserve home`: a home as a whole."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from depotserve import clock
from depotserve import home as homes
from depotserve.cli.options import home_option

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["home"]


@click.group(no_args_is_help=False)
def home() -> None:
    """Look after a home as a whole."""


@home.command("accept-clock")
@home_option
def accept_clock(home: Path | None) -> None:
    """Say that this machine's clock is right, whatever time its home has seen before.

    Certificates are issued, and users expire, by it from then on. Whether it is right is not
    checked.
    """
    place = homes.find(home)
    before = clock.read(place)
    clock.accept(place, before.now)
    known = "nothing" if before.highest is None else f"{before.highest:%Y-%m-%d %H:%M} UTC"
    click.echo(f"The clock counts: {before.now:%Y-%m-%d %H:%M} UTC. On record was {known}.")
    click.echo("A running depot goes by it within a minute.")
