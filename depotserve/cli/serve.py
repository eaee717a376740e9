"""`depotserve serve`: serve a home."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from depotserve import process
from depotserve.cli.options import home_option
from depotserve.home import find

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["serve"]


@click.command()
@home_option
@click.option(
    "--workers",
    type=click.IntRange(1, 256),
    help="Processes that answer requests. Default: what depot.yaml says, else the cores.",
)
def serve(home: Path | None, workers: int | None) -> None:
    """Serve a home until SIGTERM or Ctrl-C; both let transfers under way finish.

    Changed accounts and certificates count within 3 seconds. SIGHUP reads depot.yaml again too,
    SIGUSR1 opens the access log anew, a second SIGTERM cuts transfers short.

    What is served is not checked for malware or completeness.
    """
    process.serve(find(home), workers=workers)
