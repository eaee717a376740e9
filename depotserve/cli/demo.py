"""`depotserve demo`: a sample depot that is built and served at once."""

from __future__ import annotations

import os
import shlex
from pathlib import Path

import click

from depotserve import process
from depotserve.demo import USER, Demo, build

__all__ = ["demo"]


@click.command()
@click.option(
    "--dir",
    "folder",
    type=click.Path(path_type=Path, readable=False),
    default=Path("demo"),
    show_default=True,
    help="Where to build it; an earlier demo there is replaced.",
)
@click.option(
    "--port", type=click.IntRange(1, 65535), help="Default: 8443, or any free one if it is taken."
)
def demo(folder: Path, port: int | None) -> None:
    """Build a sample depot from invented data and serve it on this machine over TLS.

    Ends with Ctrl-C.
    """
    built = build(Path(os.path.abspath(folder)), port=port)
    click.echo(_text(built))
    process.serve(built.home, workers=None)


def _text(built: Demo) -> str:
    url, digest = built.sample
    home, authority = built.home.root, built.home.authority
    curl = ["curl", "--fail", "--cacert", str(authority), "--config", str(built.curl_settings)]
    line = shlex.join([*curl, "--output", "gateway.img", url])
    facts = {
        "depot": f"{home} ({'made anew' if built.remade else 'made'})",
        "content": built.content,
        "URL": built.url,
        "user": USER,
        "passphrase": built.passphrase,
        "authority": authority,
    }
    return "\n".join(
        [
            *(f"{name:<12}{value}" for name, value in facts.items()),
            "",
            "Fetch a file from another terminal, with the depot's certificate verified:",
            "",
            line,
            "",
            f"Its SHA-256 is {digest}.",
            "Ctrl-C ends the demo.",
        ]
    )
