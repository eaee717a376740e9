"""What tests of hashing and its cache share: one run over a tree, in this process or its own.

Run as a program it does the same: `engine_kit.py TREE [STATE]`; it prints how many files were read.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import harness

from depotserve.errors import DepotError
from depotserve.tree import cache
from depotserve.tree.entry import Entry, Kind
from depotserve.tree.hashing import Asked, Hashed, hash_files
from depotserve.tree.inventory import opened_inventory
from depotserve.tree.progress import Silent
from depotserve.tree.walk import folders, walk

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from depotserve.tree.inventory import Inventory

SETTLING = 2.2  # seconds; a file that changed later before a run is not remembered


def files(root: Path) -> list[Entry]:
    """Walk a tree and give its files."""
    return [one for one in walk(root) if isinstance(one, Entry) and one.kind is Kind.FILE]


def seen(path: Path) -> Entry:
    """Give a file as a walk of its folder sees it."""
    return next(one for one in files(path.parent) if one.path == os.fsencode(path.name))


def hashed(root: Path, asked: Iterable[Asked]) -> dict[bytes, Hashed]:
    """Hash files and give what came of each."""
    done = list(hash_files(root, asked, Silent()))
    by_path = {one.entry.path: one for one in done}
    assert len(by_path) == len(done), "a file was given twice"
    return by_path


def sha256(root: Path, entries: Iterable[Entry] | None = None) -> dict[bytes, Hashed]:
    """Hash files of a tree, all by default, with SHA-256."""
    found = files(root) if entries is None else entries
    return hashed(root, (Asked(entry, ("sha256",)) for entry in found))


def run(root: Path, state: Path | None) -> tuple[list[bytes], dict[bytes, bytes]]:
    """Do what a check does: give the paths that were read, and the SHA-256 of all files."""
    with contextlib.ExitStack() as exits:
        known = exits.enter_context(cache.opened(state, root)) if state else None
        inventory = exits.enter_context(opened_inventory(known))
        inventory.enter(folders(root))
        inventory.want()
        read = list(_read(root, inventory))
        return read, {
            one.path: inventory.facts(one.path).get("sha256", b"") for one in inventory.files()
        }


def _read(root: Path, inventory: Inventory) -> Iterator[bytes]:
    for done in hash_files(root, inventory.wanted(), Silent()):
        yield done.entry.path
        inventory.learn(done.entry.path, done.digests)


def truth(root: Path) -> dict[bytes, bytes]:
    """Give the SHA-256 of all files as hashlib has it."""
    return {
        one.path: hashlib.sha256((root / os.fsdecode(one.path)).read_bytes()).digest()
        for one in files(root)
    }


def environment() -> dict[str, str]:
    """Give the environment of a process that imports this kit."""
    given = harness.environment()
    folders = (str(Path(__file__).parent), str(Path(harness.__file__).parent))
    paths = filter(None, (*folders, given.get("PYTHONPATH", "")))
    return {**given, "PYTHONPATH": os.pathsep.join(paths)}


def ran(*arguments: Path, through: Sequence[str] = ()) -> tuple[int, str, str]:
    """Run once in a process of its own; give its status and what it said."""
    done = subprocess.run(
        [*through, sys.executable, __file__, *map(str, arguments)],
        env=environment(), capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr


def main() -> None:
    """Run once; errors are said as the command line says them."""
    root, *state = map(Path, sys.argv[1:])
    try:
        read, _ = run(root, state[0] if state else None)
    except DepotError as error:
        print(error)  # noqa: T201  # a program of its own
        sys.exit(error.exit_status)
    except KeyboardInterrupt:
        sys.exit(130)
    print(len(read))  # noqa: T201


if __name__ == "__main__":
    main()
