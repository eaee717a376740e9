"""Make a new home: settings, accounts, authority and certificate, or nothing at all."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import socket
from typing import TYPE_CHECKING

import attrs
import yaml

from depotserve import accounts, clock, config, filesystem, tls
from depotserve.errors import CallerError, SurroundingsError
from depotserve.home import SETTINGS_NAME, Home, sync_folder, write_file

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from depotserve.config import Settings

__all__ = ["Plan", "listening_addresses", "set_up"]

_FOLDERS = {"accounts": 0o700, "tls": 0o700, "state": 0o700, "log": 0o750}
_LOOPBACK = {"localhost": "127.0.0.1", "127.0.0.1": "127.0.0.1", "::1": "::1"}
_EVERYWHERE = ("0.0.0.0", "::")  # noqa: S104  # clients are other machines: that is the job
_HOME_MODE, _SETTINGS_MODE = 0o750, 0o640

_SETTINGS = """\
# The settings of this depot. Every setting, its default and its reason stand in
# conf/depot.yaml of depotserve's source; `depotserve inspect` checks this file.
format: 1
content:
  - url: /
    path: {path}
    users: any
listeners:
{listeners}"""
_LISTENER = """\
  - address: "{address}"
    port: {port}
"""


@attrs.frozen
class Plan:
    """What a new home shall be."""

    home: Path  # absolute; absent, or an empty folder
    content: Path  # absolute; an existing folder
    hosts: tuple[str, ...]  # DNS names and IP addresses for the certificate
    user: str
    passphrase: str = attrs.field(repr=False)
    port: int


def set_up(plan: Plan) -> Home:
    """Make the home of `plan` and give it.

    The home is built aside and put in place as the last step, so that an interruption leaves
    nothing behind. Raises CallerError for a home that exists, content that cannot be served from
    it, a host, user or passphrase that cannot be; SurroundingsError for a folder or file system
    that cannot hold a home.
    """
    settings = _check(plan)
    with _staged(plan.home) as staging:
        _require_capable(staging)
        _fill(Home(staging), plan, settings)
        _settle(staging, plan.home)
    return Home(plan.home)


def _check(plan: Plan) -> Settings:
    """Check all that can be known before anything is written; give the settings to be."""
    wrong = clock.judge(clock.now(), None)
    if wrong:
        raise SurroundingsError(f"{wrong}; certificates would be useless", allowed="set it first")
    if config.is_within(plan.home, plan.content):
        raise CallerError("a home cannot lie inside the content tree", where=str(plan.home))
    if config.is_within(plan.content, plan.home):
        raise CallerError("content cannot lie inside the home", where=str(plan.content))
    if not _is_free(plan.home):
        allowed = "a new or empty folder is expected"
        raise CallerError("exists already", where=str(plan.home), allowed=allowed)
    reason = config.why_unlistable(plan.content)
    if reason:
        raise SurroundingsError(reason, where=str(plan.content))
    return config.parse(_settings(plan), home=plan.home, name=SETTINGS_NAME)


def _is_free(home: Path) -> bool:
    """Tell whether there is nothing yet, or an empty folder, made perhaps for a service."""
    if not os.path.lexists(home):
        return True
    try:
        return not os.path.islink(home) and not os.listdir(home)
    except OSError:
        return False


def _settings(plan: Plan) -> bytes:
    listeners = (
        _LISTENER.format(address=address, port=plan.port)
        for address in listening_addresses(plan.hosts)
    )
    path = _quoted(plan.content)
    return _SETTINGS.format(path=path, listeners="".join(listeners)).encode()


def _quoted(path: Path) -> str:
    try:
        str(path).encode()
    except UnicodeEncodeError as error:
        wrong = "the path is not UTF-8, so the settings cannot name it"
        raise CallerError(wrong, where=ascii(str(path))) from error
    text = yaml.safe_dump(str(path), default_style='"', allow_unicode=True, width=1 << 16)
    return str(text).strip()


def listening_addresses(hosts: tuple[str, ...]) -> tuple[str, ...]:
    """Choose the addresses to listen on: loopback alone where no host is anything else."""
    if all(host in _LOOPBACK for host in hosts):
        return tuple(dict.fromkeys(_LOOPBACK[host] for host in hosts))
    return _EVERYWHERE if _has_ipv6() else _EVERYWHERE[:1]


def _has_ipv6() -> bool:
    try:
        with socket.socket(socket.AF_INET6, socket.SOCK_STREAM) as trial:
            trial.bind(("::", 0))
    except OSError:
        return False
    return True


@contextlib.contextmanager
def _staged(home: Path) -> Iterator[Path]:
    """Give a folder to build in, on the home's own file system; it is gone afterwards."""
    parent = home if home.exists() else home.parent
    staging = parent / f".{home.name}.{secrets.token_hex(8)}.new"
    try:
        _make_folder(staging, _HOME_MODE)
    except OSError as error:
        raise SurroundingsError(error.strerror or "", where=str(parent)) from error
    try:
        yield staging
    except OSError as error:
        raise SurroundingsError(error.strerror or "", where=str(home)) from error
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def _make_folder(folder: Path, mode: int) -> None:
    """Make a folder with the owner of the one around it, where the caller may give it away."""
    os.mkdir(folder, 0o700)
    around = os.stat(folder.parent)
    with contextlib.suppress(PermissionError):
        os.chown(folder, around.st_uid, around.st_gid)
    os.chmod(folder, mode)


def _require_capable(folder: Path) -> None:
    lacks = filesystem.shortcomings(folder)
    if lacks:
        wrong = f"its file system cannot {', nor '.join(lacks)}"
        allowed = "a home needs a file system of this machine's own kind"
        raise SurroundingsError(wrong, where=str(folder.parent), allowed=allowed)


def _fill(home: Home, plan: Plan, settings: Settings) -> None:
    for name, mode in _FOLDERS.items():
        _make_folder(home.root / name, mode)
    tls.establish(home, plan.hosts)
    accounts.create(
        home, plan.user, plan.passphrase, settings.bcrypt_cost, minimum=settings.passphrase_minimum
    )
    clock.accept(home, clock.now())
    write_file(home.settings, _settings(plan), mode=_SETTINGS_MODE)


def _settle(staging: Path, home: Path) -> None:
    """Put the finished home in its place; what makes it a home, its settings, come last."""
    if staging.parent != home:
        os.rename(staging, home)
        sync_folder(home.parent)
        return
    try:
        for name in (*_FOLDERS, SETTINGS_NAME):
            os.rename(staging / name, home / name)
        os.chmod(home, _HOME_MODE)
        sync_folder(home)
    except BaseException:
        for name in (*_FOLDERS, SETTINGS_NAME):
            _remove(home / name)
        raise


def _remove(path: Path) -> None:
    shutil.rmtree(path, ignore_errors=True)
    with contextlib.suppress(OSError):
        os.unlink(path)
