"""`depotserve cert`: the server's certificate, and what clients need to trust it."""

from __future__ import annotations

import click

from depotserve.cli.cert_authority import authority
from depotserve.cli.cert_install import cert_install
from depotserve.cli.cert_issue import issue
from depotserve.cli.cert_request import cert_request
from depotserve.cli.cert_show import show
from depotserve.cli.cert_trust import trust_command

__all__ = ["cert"]


@click.group(no_args_is_help=False)
def cert() -> None:
    """Make, take in, renew and show the server's certificate, and let clients trust it."""


_COMMANDS: tuple[click.Command, ...] = (
    issue,
    cert_request,
    cert_install,
    show,
    trust_command,
    authority,
)
for _command in _COMMANDS:
    cert.add_command(_command)
