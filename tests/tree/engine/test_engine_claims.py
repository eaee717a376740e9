"""What lists say beside what is there: the same as a plain model, whatever is where."""

from __future__ import annotations

import collections
import hashlib
import random
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import attrs
import engine_kit as kit
import pytest

from depotserve.tree import chunks, inventory
from depotserve.tree.claims import Claims
from depotserve.tree.digests import is_weak, name_at, rank
from depotserve.tree.finding import Finding, Kind
from depotserve.tree.findings import Findings
from depotserve.tree.held import split
from depotserve.tree.inventory import Inventory
from depotserve.tree.walk import Folder

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from depotserve.tree.claims import Row

# `-`, `.` and a blank come before `/` in the order of bytes, `0` behind it; and the two forms of
# one letter (UAX #15).
NAMES = (b"a", b"a-b", b"a.", b"a b", b"a0", b"\xff", b"a\n", b"\xc3\xa9", b"e\xcc\x81", b"A")
ALGORITHMS = ("md5", "sha256", "sha512", "blake2b-256")
FILE, FOLDER, LINK = 1, 2, 3


@attrs.frozen
class Said:
    """A claim by its whole path."""

    number: int
    path: bytes
    size: int | None
    algorithm: str | None
    digest: bytes | None
    head: int


@attrs.frozen
class Plant:
    """A tree, facts of its files and what lists say of them, as plain values; made by chance."""

    chance: random.Random
    kinds: dict[bytes, int]
    facts: dict[bytes, dict[str, bytes]]
    said: list[Said] = attrs.field(factory=list)

    @property
    def files(self) -> list[bytes]:
        """Give the files in the order of whole paths."""
        return sorted(path for path, kind in self.kinds.items() if kind == FILE)

    def folders(self) -> Iterator[Folder]:
        """Give the folders as a walk does."""
        waiting = [b""]
        while waiting:
            here = waiting.pop()
            inside = sorted(path for path in self.kinds if split(path)[0] == here)
            states = {split(one)[1]: (self.kinds[one], len(one), 1, 1, 1, 1) for one in inside}
            yield Folder(here, states, [])
            waiting += [one for one in inside if self.kinds[one] == FOLDER]

    def rows(self, number: int) -> Iterator[Row]:
        """Say something of many paths in any order, as a list does, and keep it."""
        paths = [*self.files, *self.kinds, *(one + b"x" for one in self.kinds), b"a/q/r"]
        self.chance.shuffle(paths)
        main = self.chance.choice(ALGORITHMS)
        for line, path in enumerate(paths[: self.chance.randrange(len(paths) + 1)]):
            several = self.chance.random() < 0.1
            names = self.chance.sample(ALGORITHMS, self.chance.randrange(3)) if several else [main]
            size = len(path) + (self.chance.random() < 0.05) if several else None
            for head, algorithm in enumerate(names or [None]):
                wrong = self.chance.random() < 0.05
                digest = None if algorithm is None else digest_of(path, algorithm, wrong=wrong)
                self.said.append(Said(number, path, size, algorithm, digest, not head))
                folder, name = split(path)
                yield folder, (name, line, size, algorithm, digest, b"", int(not head))

    def holds(self, one: Said) -> bool:
        """Tell whether a claim holds of what is there."""
        return (
            self.kinds.get(one.path) == FILE
            and one.size in (None, len(one.path))
            and (one.digest is None or self.facts[one.path].get(one.algorithm or "") == one.digest)
        )


def digest_of(path: bytes, algorithm: str, *, wrong: bool = False) -> bytes:
    return hashlib.blake2b(path + algorithm.encode() + b"!" * wrong, digest_size=16).digest()


def made(seed: int) -> Plant:
    """Make a tree of some folders in each other, and files, folders and links within."""
    chance = random.Random(seed)  # noqa: S311  # no secret
    kinds: dict[bytes, int] = {}
    folders = [b""]
    for _ in range(40):
        folder, name = chance.choice(folders), chance.choice(NAMES)
        path = folder + b"/" + name if folder else name
        if path not in kinds:
            kinds[path] = chance.choice((FILE, FILE, FILE, FOLDER, LINK))
            folders += [path] * (kinds[path] == FOLDER)
    facts = {
        path: {one: digest_of(path, one) for one in ALGORITHMS if chance.random() < 0.97}
        for path in kinds
    }
    return Plant(chance, kinds, facts)


def mark_of(said: list[Said], signed: list[int]) -> tuple[str, str | None, str | None]:
    """Give mark, weakest and strongest digest of a file of which all this is said and holds."""
    ranks = [rank(one.algorithm) for one in said if one.algorithm]
    if not ranks:
        return "unknown", None, None
    strong = [one.number for one in said if one.algorithm and not is_weak(one.algorithm)]
    mark = "authenticated" if set(strong) & set(signed) else "self-consistent only"
    return mark, name_at(min(ranks)), name_at(max(ranks))


# Some facts are known before lists are read, as on a second run, some come later; a list is in any
# order, and kept in rows of any size.
@pytest.mark.parametrize("seed", range(120))
def test_claims_come_to_what_a_model_of_whole_paths_comes_to(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant = made(seed)
    monkeypatch.setattr(chunks, "_MOST", plant.chance.choice((1, 3, 4096)))
    monkeypatch.setattr(chunks, "_WAITING", plant.chance.choice((1, 5, 4096)))
    monkeypatch.setattr(inventory, "_NEAR", plant.chance.choice((1, 8)))
    room = Inventory()
    room.enter(plant.folders())
    for path in plant.files if seed % 2 else ():
        room.learn(path, plant.facts[path])
    claims = Claims(room)
    for number in range(1, plant.chance.randrange(1, 4)):
        _enter(plant, claims, number)
    claims.complete()
    for path in plant.files:
        room.learn(path, plant.facts[path])
    claims.comparison.make()
    claims.marks.trust({})
    claims.marks.weigh()
    _compare(plant, room, claims)
    room.close()


def _enter(plant: Plant, claims: Claims, number: int) -> None:
    assert claims.lists.begin(b"list", "list", guessed=False, within=False) == number
    after = claims.mark()
    claims.enter(number, plant.rows(number))
    entries = [one for one in plant.said if one.number == number and one.head]
    there = [one for one in entries if plant.kinds.get(one.path) == FILE]
    agreeing = [one for one in there if one.size in (None, len(one.path))]
    assert claims.measure(after) == (len(entries), len(there), len(agreeing))
    if plant.chance.random() < 0.5:
        claims.lists.vouch_for(number, "vendor")


def _compare(plant: Plant, room: Inventory, claims: Claims) -> None:
    signed = [one.number for one in claims.lists.all() if one.signer]
    said = collections.defaultdict(list)
    for one in plant.said:
        said[one.path].append(one)
    wrong = {path for path, some in said.items() if not all(map(plant.holds, some))}
    marks = {
        path: mark_of([] if path in wrong else said.get(path, []), signed) for path in plant.files
    }
    counted = collections.Counter(mark for mark, *_ in marks.values())
    weakest = collections.Counter(weak for _, weak, _ in marks.values() if weak)
    unnamed = [path for path in plant.files if path not in said]
    assert sorted(claims.comparison.deviating()) == sorted(wrong)
    assert [
        (one.path, (one.mark, one.weakest, one.strongest)) for one in claims.marks.all()
    ] == list(marks.items())
    assert {mark: count for mark, count in claims.marks.counts().items() if count} == counted
    assert claims.marks.vouched() == weakest
    assert sorted(claims.extras()) == [(path, len(path)) for path in unnamed]
    assert [one[0] for one in room.digests("sha256")] == [
        path for path in plant.files if "sha256" in plant.facts[path]
    ]
    for path, some in said.items():
        assert sorted((one.algorithm or "", one.digest or b"") for one in claims.of(path)) == (
            sorted((one.algorithm or "", one.digest or b"") for one in some)
        )


@pytest.fixture
def room() -> Iterator[Inventory]:
    """Give an empty inventory."""
    found = Inventory()
    yield found
    found.close()


def _folder(path: bytes, names: list[bytes], kind: int = FILE) -> Folder:
    return Folder(path, dict.fromkeys(names, (kind, 0, 1, 1, 1, 1)), [])


# A row looks up its folder, which takes as long as the folder is wide.
def test_a_list_in_any_order_makes_one_row_for_a_folder(room: Inventory) -> None:
    names = [b"%04d" % number for number in range(500)]
    folders = [b"%d" % number for number in range(20)]
    room.enter(_folder(path, names) for path in folders)
    claims = Claims(room)
    number = claims.lists.begin(b"list", "list", guessed=False, within=False)
    rows = [(path, (name, 1, None, None, None, b"", 1)) for name in names for path in folders]
    claims.enter(number, iter(rows))
    assert claims.measure(0) == (10_000, 10_000, 10_000)
    assert room.database.execute("SELECT count(*) FROM chunks").fetchone() == (20,)


def test_of_a_long_list_few_claims_wait(room: Inventory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chunks, "_WAITING", 10)
    claims = Claims(room)
    number = claims.lists.begin(b"list", "list", guessed=False, within=False)

    def rows() -> Iterator[Row]:
        for line in range(200):
            (kept,) = room.database.execute(
                "SELECT coalesce(sum(listed), 0) FROM chunks"
            ).fetchone()
            assert line - kept <= 11
            yield b"%d" % (line % 7), (b"%d" % line, line, None, None, None, b"", 1)

    claims.enter(number, rows())
    assert claims.measure(0).listed == 200


def test_an_entry_whose_digests_lie_in_two_rows_counts_once(
    room: Inventory, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(chunks, "_MOST", 1)
    room.enter([_folder(b"", [b"a"])])
    room.learn(b"a", {"sha256": b"1", "sha512": b"2"})
    claims = Claims(room)
    number = claims.lists.begin(b"list", "list", guessed=False, within=False)
    claims.enter(
        number,
        [
            (b"", (b"a", 1, None, "sha256", b"1", b"", 1)),
            (b"", (b"a", 1, None, "sha512", b"2", b"", 0)),
        ],
    )
    assert claims.measure(0) == (1, 1, 1)


def test_what_is_said_of_a_link_counts_for_the_file_behind_it(room: Inventory) -> None:
    names = [b"%04d" % number for number in range(5000)]
    room.enter([_folder(b"", [b"latest"], LINK), _folder(b"v5", names)])
    claims = Claims(room)
    number = claims.lists.begin(b"list", "list", guessed=False, within=False)
    claims.enter(number, ((b"latest", (one, 1, None, "sha256", one, one, 1)) for one in names))
    claims.complete()
    claims.follow(lambda path: path.replace(b"latest/", b"v5/") if path != b"latest/0007" else None)
    for name in names:
        room.learn(b"v5/" + name, {"sha256": name})
    claims.comparison.make()
    assert list(claims.comparison.deviating()) == [b"latest/0007"]
    assert list(claims.extras()) == [(b"v5/0007", 0)]
    assert [one.digest for one in claims.of(b"v5/0008")] == [b"0008"]
    assert claims.of(b"latest/0008") == []
    # 5000 claims are two rows, before and behind the link.
    assert room.database.execute("SELECT count(*) FROM chunks").fetchone() == (4,)


# A sidecar beside each file, all in one signed list; and a list that nobody vouches for.
def test_trust_goes_from_one_list_to_thousands_soon(room: Inventory) -> None:
    files = [b"%05d" % number for number in range(20_000)]
    room.enter([_folder(b"", sorted([*files, *(one + b".sha256" for one in files)]))])
    claims = Claims(room)
    names = [b"ALL", b"other", *(one + b".sha256" for one in files)]
    numbers = [claims.lists.begin(one, "list", guessed=False, within=True) for one in names]
    claims.enter(numbers[0], ((b"", (one, 1, None, "sha256", one, b"", 1)) for one in names[2:]))
    for name, number in zip(files, numbers[2:]):
        claims.enter(number, [(b"", (name, 1, None, "sha256", name, b"", 1))])
    for name in (*files, *names[2:]):
        room.learn(name, {"sha256": name})
    claims.complete()
    claims.comparison.make()
    begun = time.monotonic()
    claims.marks.trust({b"ALL": "vendor"})
    claims.marks.weigh()
    assert time.monotonic() - begun < 20
    assert [one.path for one in claims.lists.all() if one.signer is None] == [b"other"]
    assert claims.marks.counts()["authenticated"] == 40_000


# The order of whole paths comes back to a folder after each of those within it.
def test_in_the_order_of_whole_paths_each_folder_is_looked_up_once(room: Inventory) -> None:
    pages = [b"page-%02d" % number for number in range(50)]
    folders = [_folder(b"", [name for page in pages for name in (page, page + b"-files")])]
    for page in pages:
        parts = [page + b"-files/%d" % number for number in range(20)]
        folders.append(_folder(page + b"-files", []))
        folders += [_folder(part, [b"x"]) for part in parts]
    room.enter(folders)
    paths = sorted(one.prefix + name for one in folders for name in one.states)
    asked: list[str] = []
    room.database.set_trace_callback(asked.append)
    for path in paths:
        assert room.entry(path) is not None
        room.learn(path, {"sha256": path})
    room.database.set_trace_callback(None)
    looked_up = [one for one in asked if one.startswith("SELECT")]
    assert len(looked_up) == len({split(path)[0] for path in paths})


# setrlimit(2): a write beyond it fails, as on a disk that is full. The database spills early here.
def test_a_disk_without_room_for_the_run_is_one_clear_line(tmp_path: Path) -> None:
    root = tmp_path / "plant"
    root.mkdir()
    for number in range(600):
        (root / f"{number:0250}").touch()
    script = (
        "import resource, engine_kit as kit\n"
        "from depotserve.tree import database\n"
        "database._CACHE_KIB = 16\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (65536, 65536))\n"
        "kit.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(root)],
        env=kit.environment(), capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (2, "")
    assert "the temporary files of this run do not go into this folder: " in done.stdout
    assert done.stdout.endswith("make room there, or name another folder by TMPDIR\n")
    assert done.stdout.count("\n") == 1


def test_a_rule_that_fits_many_findings_accepts_them_soon(room: Inventory) -> None:
    findings = Findings(room)
    paths = [b"docs/%06d" % number for number in range(40_000)]
    findings.note(Finding(Kind.NAME, path, "too long") for path in paths)
    begun = time.monotonic()
    assert findings.accept(1, Kind.NAME, findings.paths(Kind.NAME)) == len(paths)
    assert time.monotonic() - begun < 20
    assert findings.paths(Kind.NAME) == []
