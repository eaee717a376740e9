"""`depotserve user`: who may sign in, and until when."""

from __future__ import annotations

import json
import time
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import TYPE_CHECKING, Callable

import click

from depotserve import config
from depotserve import home as homes
from depotserve.accounts import changes, files, hashes, moments, passphrase, policy, users_file
from depotserve.accounts.examine import examine
from depotserve.accounts.model import Work
from depotserve.cli import user_shown
from depotserve.cli.options import (
    ask_passphrase,
    home_option,
    json_option,
    passphrase_file_option,
)
from depotserve.errors import CallerError, ContentError, DepotError

if TYPE_CHECKING:
    from depotserve.accounts.hashes import Hash
    from depotserve.accounts.model import Accounts
    from depotserve.config import Settings
    from depotserve.home import Home

__all__ = ["user"]

_NEW_WORD = "give --passphrase-file PATH (- is standard input), or --generate"
_LONGEST_KEEP = timedelta(days=366)
_MOST_FAULTS = 100  # lines named before the rest is only counted
_TAKEN = "A running depot takes this within 3 s."
_PATH = click.Path(path_type=Path)
_Command = Callable[..., None]

_name = click.argument("name")
_expires_option: Callable[[_Command], _Command] = click.option(
    "--expires",
    metavar="DATE",
    help="Last day (in UTC) or RFC 3339 moment; never takes an expiry away.",
)
_generate_option: Callable[[_Command], _Command] = click.option(
    "--generate", is_flag=True, help="Make a passphrase and print it once."
)


@click.group(no_args_is_help=False)
def user() -> None:
    """Say who may sign in, and until when.

    A passphrase is asked for on the terminal, or comes from --passphrase-file; never from an
    argument. Whether it leaked elsewhere is not checked.
    """


@user.command()
@_name
@_expires_option
@_generate_option
@passphrase_file_option
@home_option
def add(
    name: str,
    expires: str | None,
    passphrase_file: Path | None,
    home: Path | None,
    *,
    generate: bool,
) -> None:
    """Add a user."""
    place = homes.find(home)
    settings = config.load(place.root)
    until = _expiry(expires, otherwise=None)
    canonic = changes.require_new(files.read(place), name)
    fresh, generated = _new_hash(settings, canonic, passphrase_file, generate=generate)
    files.change(place, lambda accounts: changes.add(accounts, canonic, fresh, until))
    click.echo(f"User {canonic} is added{_until(until)}.")
    _tell(generated)
    _hint_at_mounts(settings, canonic)
    click.echo(_TAKEN)


@user.command()
@_name
@click.option(
    "--keep-old", metavar="SPAN", help="Let the old passphrase count as well, as for 14d or 2w."
)
@_expires_option
@_generate_option
@passphrase_file_option
@home_option
def passwd(
    name: str,
    keep_old: str | None,
    expires: str | None,
    passphrase_file: Path | None,
    home: Path | None,
    *,
    generate: bool,
) -> None:
    """Set another passphrase.

    With --keep-old both count until then, so that many clients can be changed one by one; user
    list and the log say who still uses the old one.
    """
    place = homes.find(home)
    settings = config.load(place.root)
    keep_until, until = _keep_until(keep_old), _expiry(expires, otherwise=changes.KEEP)
    canonic = changes.account_of(files.read(place), name).name
    fresh, generated = _new_hash(settings, canonic, passphrase_file, generate=generate)
    after = files.change(
        place, lambda accounts: changes.renew(accounts, canonic, fresh, keep_until, until)
    )
    click.echo(f"User {canonic} has another passphrase.")
    if keep_until:
        click.echo(f"The old one counts as well until {moments.show(keep_until)}.")
    _tell(generated)
    _tell_if_closed(after, canonic)
    click.echo(_TAKEN)


@user.command()
@_name
@home_option
def disable(name: str, home: Path | None) -> None:
    """Keep a user out until enabled again."""
    after = files.change(
        homes.find(home), lambda accounts: changes.switch(accounts, name, disabled=True)
    )
    click.echo(f"User {changes.account_of(after, name).name} is disabled.")
    click.echo(f"{_TAKEN} A transfer under way goes on to its end.")


@user.command()
@_name
@_expires_option
@home_option
def enable(name: str, expires: str | None, home: Path | None) -> None:
    """Let a disabled user in again."""
    until = _expiry(expires, otherwise=changes.KEEP)
    after = files.change(
        homes.find(home),
        lambda accounts: changes.switch(accounts, name, disabled=False, expires=until),
    )
    canonic = changes.account_of(after, name).name
    click.echo(f"User {canonic} is enabled.")
    _tell_if_closed(after, canonic)
    click.echo(_TAKEN)


@user.command()
@_name
@home_option
def remove(name: str, home: Path | None) -> None:
    """Remove a user and all terms."""
    place = homes.find(home)
    canonic = changes.account_of(files.read(place), name).name
    after = files.change(place, lambda accounts: changes.remove(accounts, canonic))
    click.echo(f"User {canonic} is removed.")
    _warn_of_mentions(place, canonic)
    if not after.users:
        _warn("no user is left, so nobody can sign in")
    click.echo(f"{_TAKEN} A transfer under way goes on to its end.")


@user.command("list")
@json_option
@home_option
def list_(home: Path | None, *, as_json: bool) -> None:
    """List users, their terms, and who still uses a previous passphrase."""
    place = homes.find(home)
    accounts = files.read(place)
    rows = user_shown.rows(accounts, place.state, time.time())
    if as_json:
        document = {"users": rows, "warnings": list(accounts.warnings)}
        click.echo(json.dumps(document, ensure_ascii=False))
        return
    click.echo(user_shown.table(rows))
    for warning in accounts.warnings:
        _warn(warning)


@user.command()
@_name
@passphrase_file_option
@json_option
@home_option
@click.pass_context
def test(
    context: click.Context,
    name: str,
    passphrase_file: Path | None,
    home: Path | None,
    *,
    as_json: bool,
) -> None:
    """Say whether a passphrase is the user's: status 0 if it lets the user in, else 1.

    Whether the user may read any content is not checked.
    """
    accounts = files.read(homes.find(home))
    account = changes.account_of(accounts, name)
    offered = ask_passphrase("Passphrase", passphrase_file).encode("utf-8", "surrogateescape")
    now = time.time()
    matched = examine(offered, account.in_force(now), Work())
    found = user_shown.Trial.of(account, matched, now)
    if as_json:
        click.echo(json.dumps(found.document(), ensure_ascii=False))
        context.exit(0 if found.lets_in else 1)
    if not found.lets_in:
        raise ContentError(found.sentence())
    click.echo(found.sentence())


@user.command("import")
@click.argument("file", type=_PATH)
@click.option("--replace", is_flag=True, help="Take the file's hash for users who exist.")
@home_option
def import_(file: Path, home: Path | None, *, replace: bool) -> None:
    """Take users in from another file with name:hash lines, all or none.

    bcrypt and APR1 hashes are taken. How good the passphrases are cannot be seen from them.
    """
    place = homes.find(home)
    entries, faults = users_file.read(homes.read_bounded(file, users_file.LIMIT))
    before = files.read(place)
    existing = [] if replace else changes.collisions(before, entries)
    _report(file, sorted([*faults, *existing], key=lambda fault: fault.line))
    if not entries:
        raise ContentError("holds no user", where=str(file), allowed="name:hash lines are expected")
    after = files.change(
        place, lambda accounts: changes.take_in(accounts, entries, replace=replace)
    )
    replaced = sum(entry.name in before.users for entry in entries)
    click.echo(
        f"{len(entries)} users taken in: {len(entries) - replaced} new, {replaced} replaced."
    )
    for warning in after.warnings:
        _warn(warning)
    click.echo(_TAKEN)


def _report(file: Path, faults: list[users_file.Fault]) -> None:
    """Name every line at fault. Raises ContentError if there is one."""
    if not faults:
        return
    for fault in faults[:_MOST_FAULTS]:
        click.echo(str(fault.error(str(file))), err=True)
    lines = "1 line is" if len(faults) == 1 else f"{len(faults)} lines are"
    raise ContentError(f"{lines} at fault, so nothing was taken in", where=str(file))


def _new_hash(
    settings: Settings, name: str, file: Path | None, *, generate: bool
) -> tuple[Hash, str | None]:
    """Get a passphrase that may be set; give its hash, and itself if it was made here."""
    if generate and file is not None:
        raise CallerError("--generate and --passphrase-file exclude each other")
    made = passphrase.generate() if generate else None
    chosen = made or ask_passphrase("Passphrase", file, otherwise=_NEW_WORD, confirm=True)
    fit = policy.check(chosen, user=name, minimum=settings.passphrase_minimum)
    return hashes.make(fit, settings.bcrypt_cost), made


def _expiry(text: str | None, *, otherwise: changes.Expiry) -> changes.Expiry:
    if text is None or text == "never":
        return otherwise if text is None else None
    moment = moments.read_moment(text)
    if moment is None:
        allowed = "a day, 2027-03-31, a moment, 2027-03-31T12:00:00Z, or never"
        raise CallerError(f"--expires: {text!a} is no date", allowed=allowed)
    if moment <= _now():
        raise CallerError(f"--expires: {text} is past", allowed="user disable keeps a user out")
    return moment


def _keep_until(text: str | None) -> datetime | None:
    if text is None:
        return None
    span = moments.read_span(text)
    if span is None or span > _LONGEST_KEEP:
        allowed = "hours, days or weeks, as in 36h, 14d or 2w, up to 366d"
        raise CallerError(f"--keep-old: {text!a} is no span", allowed=allowed)
    return (_now() + span).replace(microsecond=0)


def _now() -> datetime:
    return datetime.now(timezone.utc)


def _until(expires: changes.Expiry) -> str:
    return f" until {moments.show(expires)}" if isinstance(expires, datetime) else ""


def _tell(generated: str | None) -> None:
    if generated:
        click.echo(f"Passphrase, shown this once: {generated}")
        click.echo(f"To read it aloud (without the blanks): {passphrase.grouped(generated)}")


def _tell_if_closed(accounts: Accounts, name: str) -> None:
    account = changes.account_of(accounts, name)
    if not account.is_open(time.time()):
        _warn(f"user {name} {user_shown.why_closed(account)}, so still cannot sign in")


def _hint_at_mounts(settings: Settings, name: str) -> None:
    """Say so if no content lets a user in who was just added."""
    lists = [mount.users for mount in settings.content]
    if all(not isinstance(users, str) and name not in users for users in lists):
        click.echo(f"No content lets {name} in yet: add the name to users in depot.yaml.")


def _warn_of_mentions(place: Home, name: str) -> None:
    try:
        settings = config.load(place.root)
    except DepotError:  # whoever is to be kept out is, whatever state the settings are in
        return
    named = [f"content {mount.url}" for mount in settings.content if name in _names(mount.users)]
    named += ["operators"] if name in settings.operators else []
    if named:
        _warn(f"depot.yaml still names {name} under {', '.join(named)}; take the name out there")


def _names(users: str | tuple[str, ...]) -> tuple[str, ...]:
    return () if isinstance(users, str) else users


def _warn(sentence: str) -> None:
    click.echo(f"warning: {sentence}", err=True)
