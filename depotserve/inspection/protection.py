"""What serves and protects less than it could."""

from __future__ import annotations

import contextlib
import re
from typing import TYPE_CHECKING

from depotserve import accounts, config
from depotserve.errors import DepotError
from depotserve.inspection.finding import caution
from depotserve.process.cautions import cautions

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.inspection.finding import Finding
    from depotserve.inspection.scene import Scene

__all__ = ["look", "look_at_hidden_names"]

# What a caution of the start speaks of -> what to do; of several, the first counts.
_ADVICE = (
    (re.compile(r"user (\S+) has an APR1 hash"), r"depotserve user passwd \1"),
    (re.compile(r"(passphrase_minimum) is"), r"set \1: 15 in depot.yaml, and new passphrases"),
    (re.compile(r"(\S+) \(.*\) is served to everybody"), r"set users: any for \1 in depot.yaml"),
    (re.compile(r"(\S+ port \d+) "), r"set tls: modern for \1 in depot.yaml"),
    (re.compile(r"()"), r"change that in depot.yaml"),
)


def look(scene: Scene) -> Iterator[Finding]:
    """Give what the depot warns of at each start."""
    apr1: tuple[str, ...] = ()
    with contextlib.suppress(DepotError):  # which the look at the accounts has named
        apr1 = tuple(accounts.read(scene.home).apr1_users)
    for line in cautions(scene.settings, scene.settings.listeners, apr1):
        yield caution("protection", line, _advice(line))


def _advice(line: str) -> str:
    found = ((pattern.match(line), advice) for pattern, advice in _ADVICE)
    return next(match.expand(advice) for match, advice in found if match)


def look_at_hidden_names(scene: Scene) -> Iterator[Finding]:
    """Name defaults that a list in the settings, which replaces them, leaves out."""
    hidden = scene.settings.never_serve
    missing = [name for name in config.DEFAULT_NEVER_SERVE if name not in hidden]
    if missing:
        text = f"leaves out of the defaults: {', '.join(missing)}"
        yield caution("never_serve", text, "add them to never_serve in depot.yaml")
