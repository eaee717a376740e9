"""`depotserve init`: make a home."""

from __future__ import annotations

import json
import os
import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Any

import attrs
import click

from depotserve import accounts, config, tls
from depotserve.cli.options import json_option, passphrase_file_option, read_passphrase
from depotserve.cli.printable import printable
from depotserve.cli.stopping import end_as_interrupted
from depotserve.errors import CallerError
from depotserve.setup import Plan, set_up
from depotserve.survey import Survey, survey

if TYPE_CHECKING:
    from depotserve.home import Home

__all__ = ["init"]

# Whether it can be read is found out where it is used, in the words of this program.
_PATH = click.Path(path_type=Path, readable=False)


@click.command()
@click.option("--home", type=_PATH, help="Folder to make; else the variable DEPOT_HOME counts.")
@click.option("--content", type=_PATH, required=True, help="Folder to serve, as it is.")
@click.option(
    "--host",
    "hosts",
    multiple=True,
    metavar="NAME-OR-IP",
    help="Name or address that clients use; may be repeated. Default: this machine's own.",
)
@click.option("--user", default="reader", show_default=True, help="First user's name.")
@passphrase_file_option
@click.option(
    "--port", type=click.IntRange(0, 65535), default=8443, show_default=True, help="0: any free."
)
@json_option
def init(  # noqa: PLR0913  # one for each option
    home: Path | None,
    content: Path,
    hosts: tuple[str, ...],
    user: str,
    passphrase_file: Path | None,
    port: int,
    *,
    as_json: bool,
) -> None:
    """Make a home for a depot: settings, one user, an authority and a certificate.

    Nothing is written into the content folder. Content is not checked for malware or
    completeness.
    """
    given = None if passphrase_file is None else read_passphrase(passphrase_file)
    plan = Plan(
        home=_home(home),
        content=Path(os.path.abspath(content)),
        hosts=tuple(hosts or tls.local_names()),
        user=user,
        passphrase=accounts.passphrase.generate() if given is None else given,
        port=port,
    )
    end_as_interrupted()
    made = set_up(plan)
    found = survey(plan.content, config.load(made.root).never_serve)
    shown = _Shown(plan, made, found, guessed=not hosts, generated=given is None)
    click.echo(json.dumps(shown.document()) if as_json else shown.text())


def _home(option: Path | None) -> Path:
    named = option or os.environ.get("DEPOT_HOME")
    if not named:
        raise CallerError("no home is named", allowed="give --home DIR or set DEPOT_HOME")
    return Path(os.path.abspath(named))


@attrs.frozen
class _Shown:
    """What init says when it is done."""

    plan: Plan
    home: Home
    found: Survey
    guessed: bool
    generated: bool

    def document(self) -> dict[str, Any]:
        return {
            "home": str(self.home.root),
            "content": str(self.plan.content),
            "names": list(self.plan.hosts),
            "user": self.plan.user,
            "passphrase": self.plan.passphrase if self.generated else None,
            "authority": str(self.home.authority),
            "suspect": {
                "served": self.found.served,
                "hidden": self.found.hidden,
                "named": [attrs.asdict(item) for item in self.found.named],
            },
        }

    def text(self) -> str:
        return "\n".join(
            [*self._facts(), *self._reading_aid(), "", *self._cautions(), *self._next()]
        )

    def _facts(self) -> list[str]:
        names = ", ".join(self.plan.hosts) + (" (found on this machine)" if self.guessed else "")
        facts = {
            "home": self.home.root,
            "content": self.plan.content,
            "names": names,
            "authority": self.home.authority,
            "user": self.plan.user,
            "passphrase": self.plan.passphrase if self.generated else "as given",
        }
        return [f"{key:<12}{printable(str(value))}" for key, value in facts.items()]

    def _reading_aid(self) -> list[str]:
        if not self.generated:
            return []
        grouped = accounts.passphrase.grouped(self.plan.passphrase)
        return [
            f"{'':<12}{grouped}   (the same, to be read out; without the blanks)",
            "The passphrase is shown this once; the depot keeps only its hash.",
        ]

    def _cautions(self) -> list[str]:
        if not self.found.named:
            return []
        count = self.found.served + self.found.hidden
        lines = [f"The tree holds {count} names that look like passwords or keys:"]
        lines += [f"  {printable(item.path)} ({_FATE[item.served]})" for item in self.found.named]
        more = count - len(self.found.named)
        return [*lines, *([f"  and {more} more"] if more else []), ""]

    def _next(self) -> list[str]:
        host, port = self.plan.hosts[0], self.plan.port
        url = f"https://{f'[{host}]' if ':' in host else host}:{port}/"
        return [
            "Next, serve it:",
            f"  depotserve serve --home {shlex.quote(str(self.home.root))}",
            "and fetch from it, with a copy of the authority file on the client:",
            f"  curl --cacert authority.pem --user {self.plan.user} {url}",
        ]


_FATE = {True: "readers can get it", False: "never served"}
