"""Settings, accounts and certificate read again while the depot runs.

Accounts, certificate and authority are watched, and each counts by itself: a certificate that was
half changed must not keep a disabled user in. Settings are read on request only. What is bad is
refused in one logged line, and what was in force stays.
"""

from __future__ import annotations

import logging
import os
from functools import partial
from typing import TYPE_CHECKING, Any, Callable

import attrs

from depotserve import config
from depotserve.errors import CallerError, DepotError
from depotserve.http import find_trees
from depotserve.process.snapshot import (
    needs_certificate,
    read_accounts,
    read_anchors,
    read_credential,
)
from depotserve.process.watch import Watch, identify, observe
from depotserve.tls import PemPair, ServerContext

if TYPE_CHECKING:
    from pathlib import Path

    from depotserve.config import Settings
    from depotserve.home import Home
    from depotserve.process.snapshot import Snapshot
    from depotserve.process.watch import Identity

__all__ = ["Reloader", "founded_changes", "identify_all"]

_LOG = logging.getLogger(__name__)
_SAME = 600.0  # seconds; a slow start lies between the first look at the clock and the second

# Settings that sockets and processes were made by -> how to speak of them.
_FOUNDED = {
    "listeners": "listeners",
    "workers": "the number of workers",
    "access_log": "the access log",
}


@attrs.define
class _Group:
    """Files that are read together, for one field of the snapshot."""

    name: str  # as the log calls it
    field: str
    paths: tuple[Path, ...]
    read: Callable[[], Any]
    watch: Watch


class Reloader:
    """Holds the snapshot in force and puts better ones in its place."""

    def __init__(
        self, home: Home, snapshot: Snapshot, *, configured: Settings, before: dict[str, Identity]
    ) -> None:
        """Begin with what was read at the start of the depot.

        `configured` is what depot.yaml said; the snapshot's listeners are those really opened.
        `before` is what `identify_all` gave before reading, so that no change since is missed.
        Raises CallerError if the certificate cannot be used.
        """
        self.snapshot = snapshot
        # Made before the fork: see ServerContext. A worker that begins later inherits the newest.
        self.context = _context(snapshot)
        self._configured = configured
        self._home = home
        self._has_terms = os.path.lexists(home.terms)
        readers: dict[str, tuple[str, Callable[[], Any]]] = {
            "accounts": ("accounts", self._read_accounts),
            "certificate": ("credential", partial(read_credential, home)),
            "authority": ("anchors", self._read_anchors),
        }
        if not needs_certificate(snapshot.settings):
            del readers["certificate"]
        files = watched(home)
        self._groups = [
            _Group(name, field, files[name], read, Watch(before[name]))
            for name, (field, read) in readers.items()
        ]

    def poll(self, now: float) -> bool:
        """Look at the watched files; tell whether a new snapshot is in force.

        `now` is of the monotonic clock, in seconds. To be called about twice a second.
        """
        changed = [self._poll(group, now) for group in self._groups]  # none is left out
        return any(changed)

    def reload(self) -> bool:
        """Read everything again at once, settings too; tell whether a new snapshot is in force."""
        changed = [self._take_settings(), *(self._take(group) for group in self._groups)]
        return any(changed)

    def shift_clock(self, seconds: float) -> bool:
        """Go by a time so far from this machine's clock; tell whether that is another one."""
        if abs(seconds - self.snapshot.clock_shift) < _SAME:
            return False
        self.snapshot = attrs.evolve(self.snapshot, clock_shift=seconds)
        return True

    def _poll(self, group: _Group, now: float) -> bool:
        group.watch, due = observe(group.watch, identify(group.paths), now)
        return due and self._take(group)

    def _take(self, group: _Group) -> bool:
        """Read a group's files; what changes meanwhile is left for the next look."""
        before = identify(group.paths)
        try:
            found = group.read()
        except DepotError as error:
            if identify(group.paths) == before:
                group.watch = Watch(before)
                _refuse(group.name, error)
            return False
        if identify(group.paths) != before:
            return False
        group.watch = Watch(before)
        return self._put(group, found)

    def _put(self, group: _Group, found: object) -> bool:
        """Put one field's new value in force; tell whether it is another."""
        if found == getattr(self.snapshot, group.field):
            return False
        changed: dict[str, Any] = {group.field: found}
        self.snapshot = attrs.evolve(self.snapshot, **changed)
        if isinstance(found, PemPair) and self.context:
            self.context.replace(found.certificate, found.key)
        _LOG.info("%s read again", group.name)
        return True

    def _read_accounts(self) -> object:
        """Read the accounts; a file of terms that vanished would let disabled users in."""
        has_terms = os.path.lexists(self._home.terms)
        if self._has_terms and not has_terms:
            raise CallerError("is missing", where=self._home.terms.name, allowed="put it back")
        found = read_accounts(self._home)
        self._has_terms = has_terms
        return found

    def _read_anchors(self) -> object:
        return read_anchors(self._home, self.snapshot.settings)

    def _take_settings(self) -> bool:
        old = self.snapshot
        try:
            settings = config.load(self._home.root)
            trees = find_trees(settings.content, old.trees)
        except DepotError as error:
            _refuse("settings", error)
            return False
        for name in founded_changes(self._configured, settings):
            _LOG.warning("%s changed in depot.yaml; a restart puts that in force", name)
        settings = attrs.evolve(settings, listeners=old.settings.listeners)
        self.snapshot = attrs.evolve(old, settings=settings, trees=trees)
        _LOG.info("settings read again")
        return True


def watched(home: Home) -> dict[str, tuple[Path, ...]]:
    """Give the watched files by the name of their group."""
    certificate = (home.certificate, home.key)
    prepared = (home.next_certificate, home.next_key)
    roots = (home.authority, home.next_authority, home.old_authority, home.anchors)
    return {
        "accounts": (home.users, home.terms),
        "certificate": certificate,
        "authority": (*roots, *certificate, *prepared),  # whose roots are looked for
    }


def identify_all(home: Home) -> dict[str, Identity]:
    """Give the state of all watched files, by the name of their group."""
    return {name: identify(paths) for name, paths in watched(home).items()}


def founded_changes(configured: Settings, new: Settings) -> list[str]:
    """Name what differs between two settings and counts only after a restart."""
    return [
        name
        for field, name in _FOUNDED.items()
        if getattr(new, field) != getattr(configured, field)
    ]


def _context(snapshot: Snapshot) -> ServerContext | None:
    found = snapshot.credential
    kinds = {one.tls for one in snapshot.settings.listeners if one.is_secure}
    return ServerContext(found.certificate, found.key, kinds) if found else None


def _refuse(name: str, error: DepotError) -> None:
    _LOG.error("%s refused, the old stays in force: %s", name, error)
