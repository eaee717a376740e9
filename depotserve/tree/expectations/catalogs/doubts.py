"""What looks like a catalog in words that no table has: refused, never guessed."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Callable

from depotserve.tree.expectations.catalogs.columns import AmbiguousError, Table
from depotserve.tree.expectations.catalogs.evidence import names_files
from depotserve.tree.expectations.catalogs.facts import (
    claims,
    is_address,
    looks_like_digest,
    looks_like_file,
)
from depotserve.tree.expectations.catalogs.vocabulary import Role

if TYPE_CHECKING:
    from depotserve.tree.expectations.catalogs.evidence import Facts

__all__ = ["refuse_nameless_facts", "refuse_nameless_paths"]

# Keys of hexadecimal and base64 texts that are as long as digests and are none of a file.
_NO_DIGEST = re.compile("commit|rev|uuid|guid|sig|key|token|secret|etag|id$", re.IGNORECASE)
_FOR_HUMANS = re.compile("[0-9]+([.,][0-9]+)* ?([kKMGT]i?)?([bB]|bytes|Bytes)?")


def refuse_nameless_facts(table: Table) -> None:
    """Refuse objects that name files, beside a digest or size that cannot be read as it stands."""
    if len(table.things) < 2:
        return
    if names_files(table):
        _refuse_unreadable_facts(table)
    for key in table.keys:
        if (
            table.role(key) is Role.NONE
            and not _NO_DIGEST.search(key)
            and _all(table, key, _may_be_digest)
        ):
            _refuse_unclear_digest(table, key)


def _refuse_unreadable_facts(table: Table) -> None:
    for key in table.keys:
        role = table.role(key)
        unknown = table.digests(key).unknown if role is Role.DIGEST else ""
        if unknown:
            raise AmbiguousError(f"digests under `{key}` are of the unknown kind {unknown}")
        if role is Role.SIZE and _all(table, key, _is_for_humans):
            raise AmbiguousError(f"sizes under `{key}` are no whole numbers of bytes")


def _refuse_unclear_digest(table: Table, key: str) -> None:
    if names_files(table, Role.PATH, Role.NAME):
        raise AmbiguousError(f"what `{key}` says of the files named beside it is not clear")
    for other in table.keys:
        if _is_unheard_name(table, other, with_folder=True):
            raise AmbiguousError(
                f"whether `{other}` names files and `{key}` is theirs is not clear"
            )


def _all(table: Table, key: str, test: Callable[[str], bool]) -> bool:
    values = [thing.fields.get(key) for thing in table.things]
    return all(isinstance(value, str) and test(value) for value in values)


def _may_be_digest(text: str) -> bool:
    """Tell hexadecimal, or base64 with its padding, that is as long as a digest."""
    padded = text.endswith("=") and any(claim.value for claim in claims("digest", text))
    return looks_like_digest(text) or padded


def _is_for_humans(text: str) -> bool:
    return len(text) < 32 and _FOR_HUMANS.fullmatch(text) is not None


def refuse_nameless_paths(table: Table, facts: Facts) -> None:
    """Refuse objects with digests, and with what may be a file's name under a key unheard of."""
    if not facts.digests:
        return
    for key in table.keys:
        if _is_unheard_name(table, key):
            raise AmbiguousError(f"whether `{key}` names the file is not clear")


def _is_unheard_name(table: Table, key: str, *, with_folder: bool = False) -> bool:
    """Tell by what stands under it that a key that no table has may name files.

    Each is another one: names of groups, makers and namespaces have dots, too, and repeat.
    """
    values = [thing.fields.get(key) for thing in table.things]
    if table.role(key) is not Role.NONE or not all(isinstance(value, str) for value in values):
        return False
    texts = [str(value) for value in values]
    if len(texts) < 2 or len(set(texts)) < len(texts):
        return False
    files = [text for text in texts if looks_like_file(text) and not is_address(text)]
    folders = [text for text in texts if "/" in text]
    return 2 * len(files) >= len(texts) and (not with_folder or 2 * len(folders) >= len(texts))
