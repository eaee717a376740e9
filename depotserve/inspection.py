"""Look a home over: what serves well, what protects less than it could, what is wrong."""

from __future__ import annotations

import os
import stat
from datetime import datetime, timezone
from enum import Enum
from typing import TYPE_CHECKING, Callable

import attrs

from depotserve import accounts, config, filesystem, tls
from depotserve.errors import DepotError
from depotserve.home import read_bounded
from depotserve.process.cautions import cautions, overdue
from depotserve.process.snapshot import needs_certificate, read_credential
from depotserve.survey import survey

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from depotserve.accounts import Accounts
    from depotserve.config import Settings
    from depotserve.home import Home

__all__ = ["Finding", "Grade", "inspect"]

RENEW_DAYS = 30  # what a change window in an isolated plant takes to arrange
_DAY = 86400.0
_MOST_PEM = 1 << 20


class Grade(Enum):
    """How a finding counts."""

    FINE = "fine"
    CAUTION = "caution"  # works, and protects less than it could
    FAULT = "fault"  # does not work, or lets somebody in who should not be


@attrs.frozen
class Finding:
    """One thing that was looked at."""

    grade: Grade
    topic: str
    text: str


def inspect(home: Home, *, now: float) -> list[Finding]:
    """Look over all of a home at the time `now` (seconds since 1970) and give every finding.

    Raises nothing for what is wrong in the home: that is a finding.
    """
    findings = [*_file_system(home), *_secrecy(home)]
    try:
        settings = config.load(home.root)
    except DepotError as error:
        return [*findings, Finding(Grade.FAULT, "settings", str(error))]
    findings.append(Finding(Grade.FINE, "settings", f"{home.settings} reads well"))
    for look in _LOOKS:
        findings += _or_fault(look, home, settings, now)
    return findings


Look = Callable[["Home", "Settings", float], "Iterable[Finding]"]


def _or_fault(look: Look, home: Home, settings: Settings, now: float) -> list[Finding]:
    try:
        return list(look(home, settings, now))
    except DepotError as error:
        return [Finding(Grade.FAULT, look.__name__.strip("_"), str(error))]


def _file_system(home: Home) -> Iterator[Finding]:
    topic = "file system"
    try:
        lacks = filesystem.shortcomings(home.state)
    except OSError as error:
        yield Finding(Grade.CAUTION, topic, f"not tried: {home.state}: {error.strerror}")
        return
    for lack in lacks:
        yield Finding(Grade.FAULT, topic, f"cannot {lack}")
    if not lacks:
        yield Finding(Grade.FINE, topic, "keeps modes, renames, locks and syncs")


def _secrecy(home: Home) -> Iterator[Finding]:
    """Look at who may read the secrets and who may change what the depot goes by."""
    secrets = (home.users, home.terms, home.key, home.authority_key)
    guarded = (home.root, home.settings, home.users.parent, home.key.parent, home.certificate)
    loose = [
        *((path, mode) for path in secrets if (mode := _mode(path)) & 0o077),
        *((path, mode) for path in guarded if (mode := _mode(path)) & 0o022),
    ]
    for path, mode in loose:
        # A service that only reads its accounts may do so through its group.
        grade = Grade.FAULT if mode & 0o027 else Grade.CAUTION
        yield Finding(grade, "modes", f"{path} has mode {mode:04o}, so others can get at it")
    if not loose:
        yield Finding(Grade.FINE, "modes", "secrets are readable to their owner only")


def _mode(path: Path) -> int:
    try:
        return stat.S_IMODE(os.stat(path).st_mode)
    except OSError:
        return 0


def _accounts(home: Home, settings: Settings, now: float) -> Iterator[Finding]:
    known = accounts.read(home)
    users = [user for user in map(known.get, known.names) if user]
    closed = sum(not user.is_open(now) for user in users)
    text = f"users: {len(users)}, of them disabled or expired: {closed}"
    if users or not config.asks_for_passwords(settings):
        yield Finding(Grade.FINE, "accounts", text)
    else:
        yield Finding(Grade.FAULT, "accounts", "no user is known, so nobody can sign in")
    yield from _strangers(settings, known)


def _strangers(settings: Settings, known: Accounts) -> Iterator[Finding]:
    """Name users whom the settings let in and the accounts do not know."""
    named = {mount.url: mount.users for mount in settings.content if mount.users != config.ANY}
    groups = {**named, "operators": settings.operators}
    for place, names in groups.items():
        for name in names if isinstance(names, tuple) else ():
            if name not in known.names:
                yield Finding(Grade.FAULT, "accounts", f"{place} names {name}, who is no user")


def _certificate(home: Home, settings: Settings, now: float) -> Iterator[Finding]:
    if not needs_certificate(settings):
        return
    credential = read_credential(home)
    described = tls.describe(credential.certificate)
    yield _validity("certificate", described, now, f" for {', '.join(described.names)}")
    if home.authority.exists():
        authority = tls.describe(read_bounded(home.authority, _MOST_PEM), name="authority.pem")
        yield _validity("authority", authority, now, "")


def _validity(topic: str, described: tls.Description, now: float, said: str) -> Finding:
    if now < described.not_before.timestamp():
        clock = datetime.fromtimestamp(now, timezone.utc)
        text = f"not valid before {described.not_before:%Y-%m-%d}; the clock says {clock:%Y-%m-%d}"
        return Finding(Grade.FAULT, topic, text)
    days = int((described.not_after.timestamp() - now) // _DAY)
    until = f"{described.not_after:%Y-%m-%d}{said}"
    if days < 0:
        return Finding(Grade.FAULT, topic, f"ended on {until}")
    grade = Grade.CAUTION if days < RENEW_DAYS else Grade.FINE
    return Finding(grade, topic, f"good for {days} days, until {until}")


def _content(_home: Home, settings: Settings, _now: float) -> Iterator[Finding]:
    for mount in settings.content:
        reason = config.why_unlistable(mount.path)
        if reason:
            yield Finding(Grade.FAULT, "content", f"{mount.url}: {mount.path}: {reason}")
            continue
        yield Finding(Grade.FINE, "content", f"{mount.url}: {mount.path}")
        yield from _suspects(mount.path, settings.never_serve)


def _suspects(path: Path, never_serve: tuple[str, ...]) -> Iterator[Finding]:
    found = survey(path, never_serve)
    for item in found.named:
        grade = Grade.CAUTION if item.served else Grade.FINE
        fate = "readers can get it" if item.served else "never served"
        text = f"{path}/{item.path} looks like a password or key; {fate}"
        yield Finding(grade, "content", text)
    more = found.served + found.hidden - len(found.named)
    if more:
        text = f"{more} more names in {path} look like passwords or keys"
        yield Finding(Grade.CAUTION, "content", text)
    if found.unreadable:
        text = f"{found.unreadable} folders in {path} cannot be listed, so readers cannot either"
        yield Finding(Grade.FAULT, "content", text)


def _protection(home: Home, settings: Settings, now: float) -> Iterator[Finding]:
    for line in overdue(settings.listeners, datetime.fromtimestamp(now, timezone.utc).date()):
        yield Finding(Grade.FAULT, "protection", line)
    apr1 = accounts.read(home).apr1_users
    for line in cautions(settings, settings.listeners, apr1):
        yield Finding(Grade.CAUTION, "protection", line)


def _never_serve(_home: Home, settings: Settings, _now: float) -> Iterator[Finding]:
    """Name defaults that a list in the settings, which replaces them, leaves out."""
    missing = [p for p in config.DEFAULT_NEVER_SERVE if p not in settings.never_serve]
    if missing:
        text = f"leaves out of the defaults: {', '.join(missing)}"
        yield Finding(Grade.CAUTION, "never_serve", text)


_LOOKS: tuple[Look, ...] = (_accounts, _certificate, _content, _protection, _never_serve)
