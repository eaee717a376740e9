"""`depotserve tree`: is a tree complete, undamaged, genuine and clean, before it crosses."""

from __future__ import annotations

import importlib

import click

from depotserve.cli.stopping import end_as_interrupted

__all__ = ["tree"]

# Command -> its module and function; imported when it is asked for.
_COMMANDS = {
    "check": ("tree_check", "tree_check"),
    "place": ("tree_place", "tree_place"),
    "manifest": ("tree_manifest", "tree_manifest"),
    "scan": ("tree_scan", "tree_scan"),
}


class _Commands(click.Group):
    """The commands of the table above."""

    def list_commands(self, _context: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        if name not in _COMMANDS:
            return super().get_command(context, name)
        module, function = _COMMANDS[name]
        command: click.Command = getattr(
            importlib.import_module(f"depotserve.cli.{module}"), function
        )
        return command


@click.group(cls=_Commands, no_args_is_help=False)
def tree() -> None:
    """Check a folder of vendor software before it crosses.

    Nothing is written into it but the files that `place` puts there. What is remembered of
    unchanged files lies in the user's state folder or --state DIR.
    """
    end_as_interrupted()
