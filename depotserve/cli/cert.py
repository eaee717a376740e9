"""`depotserve cert`: the server's certificate, and what clients need to trust it."""

from __future__ import annotations

import click

from depotserve.cli.cert_install import cert_install
from depotserve.cli.cert_request import cert_request

__all__ = ["cert"]


@click.group()
def cert() -> None:
    """Make, take in, renew and show the server's certificate, and let clients trust it."""


_COMMANDS: tuple[click.Command, ...] = (cert_request, cert_install)
for _command in _COMMANDS:
    cert.add_command(_command)
