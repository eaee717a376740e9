"""Is a tree complete, undamaged and genuine: everything that is looked at, in order."""

from __future__ import annotations

import contextlib
import os
from datetime import date, datetime, timezone
from typing import TYPE_CHECKING

import attrs

from depotserve.errors import CallerError
from depotserve.tree import acceptance, cache, soundness
from depotserve.tree.authenticity.keys import load_keys
from depotserve.tree.authenticity.signatures import check_signatures
from depotserve.tree.authenticity.typed import parse_typed
from depotserve.tree.authenticity.verdict import State
from depotserve.tree.claims import Claims
from depotserve.tree.entry import Kind as EntryKind
from depotserve.tree.entry import shown
from depotserve.tree.expectations.catalogs import load_rules
from depotserve.tree.expected import Expected
from depotserve.tree.finder import Finder
from depotserve.tree.finding import Finding, Kind
from depotserve.tree.findings import Findings
from depotserve.tree.given import signer_of
from depotserve.tree.hashing import hash_files
from depotserve.tree.held import split
from depotserve.tree.inventory import opened_inventory
from depotserve.tree.judge import judge, source_of
from depotserve.tree.litter import within_litter
from depotserve.tree.report import Report

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator
    from pathlib import Path

    from depotserve.tree.authenticity.keys import Keys
    from depotserve.tree.authenticity.signatures import Checked
    from depotserve.tree.expectations.catalogs import Rules
    from depotserve.tree.given import Given
    from depotserve.tree.inventory import Inventory
    from depotserve.tree.progress import Progress

__all__ = ["Wish", "check"]

TYPED = "digest typed in"
# Fewer guessed digests that do not hold may well be so many damaged files.
_MISFITS = 3


@attrs.frozen(kw_only=True)
class Wish:
    """What is to be checked, and against what."""

    root: Path
    state: Path  # the folder for what is remembered
    expect: tuple[Path, ...] = ()  # lists that came by another way
    rules: Path | None = None  # how to read catalogs
    keys: Path | None = None  # the folder of pinned keys
    typed: tuple[str, ...] = ()  # FILE=DIGEST
    accept: Path | None = None
    fresh: bool = False  # read everything, whatever is remembered


@contextlib.contextmanager
def check(wish: Wish, progress: Progress) -> Iterator[Report]:
    """Look a whole tree over and give what was found; the report is gone with the context.

    Nothing is written into the tree. Raises CallerError for a wish that means nothing or files of
    the caller's that cannot be read as what they are, SurroundingsError for a root that cannot be
    listed, a damaged cache, a program that is missing, or a full folder for temporary files.
    """
    settings = _Settings.of(wish)
    with contextlib.ExitStack() as exits:
        known = None if wish.fresh else exits.enter_context(cache.opened(wish.state, wish.root))
        inventory = exits.enter_context(opened_inventory(known))
        yield _Run(wish, settings, progress, inventory).report()


@attrs.frozen
class _Settings:
    """The caller's own files, read before anything long begins."""

    rules: Rules | None
    keys: Keys | None
    accepted: tuple[acceptance.Rule, ...]
    today: date

    @classmethod
    def of(cls, wish: Wish) -> _Settings:
        for file in filter(None, (*wish.expect, wish.rules, wish.accept)):
            if not os.path.isfile(file):
                raise CallerError("no such file", where=str(file))
        today = datetime.now(tz=timezone.utc).date()
        return cls(
            load_rules(wish.rules) if wish.rules else None,
            load_keys(wish.keys, tree=wish.root) if wish.keys else None,
            acceptance.load_rules(wish.accept, today) if wish.accept else (),
            today,
        )


class _Run:
    """One run through all that is looked at."""

    def __init__(
        self, wish: Wish, settings: _Settings, progress: Progress, inventory: Inventory
    ) -> None:
        self._wish, self._settings, self._progress = wish, settings, progress
        self._inventory = inventory
        self._claims = Claims(inventory)
        self._findings, self._finder = Findings(inventory), Finder(inventory)
        self._tellers: list[bytes] = []
        self._given: dict[int, Given] = {}

    def report(self) -> Report:
        """Do everything, in the order in which one thing builds on another."""
        self._read_lists()
        self._hash()
        self._doubt_guesses()
        self._claims.comparison.make()
        signatures = self._check_signatures()
        self._doubt_signed_catalogs()
        self._say_what_deviates()
        self._trust_digests_more_than_names()
        self._look_into_the_rest()
        self._say_what_no_list_names()
        self._inventory.keep()
        accepted = acceptance.accept(
            self._settings.accepted, self._findings, self._inventory, self._settings.today
        )
        return Report(
            root=self._wish.root,
            inventory=self._inventory,
            claims=self._claims,
            findings=self._findings,
            signatures=tuple(signatures),
            rules=tuple((rule, accepted[at]) for at, rule in enumerate(self._settings.accepted)),
            forgotten=self._inventory.doubted,
            wants_proof=bool(self._wish.keys or self._wish.typed),
            unchecked=tuple(_unchecked(self._wish, self._given.values(), signatures)),
        )

    # What is there, and what lists say.

    def _read_lists(self) -> None:
        expected = Expected(
            self._wish.root, self._inventory, self._claims, self._findings, self._progress
        )
        expected.walk(rules=self._settings.rules)
        expected.read(self._wish.expect, self._finder)
        self._enter_typed()
        expected.complete()
        self._tellers, self._given = expected.tellers, expected.given

    def _enter_typed(self) -> None:
        if not self._wish.typed:
            return
        typed = [parse_typed(text, self._wish.root) for text in self._wish.typed]
        number = self._claims.lists.begin(TYPED.encode(), TYPED, guessed=False, within=False)
        after = self._claims.mark()
        self._claims.enter(
            number,
            (
                (folder, (name, 0, None, one.algorithm.name, one.value, b"", 1))
                for one in typed
                for folder, name in (split(one.path),)
            ),
        )
        self._claims.lists.end(number, "root", self._claims.measure(after))
        self._claims.lists.vouch_for(number, TYPED)

    # What the files are.

    def _hash(self) -> None:
        files, size = self._inventory.want(self._claims.wanted())
        self._progress.begin("reading files", files, size)
        for done in hash_files(self._wish.root, self._inventory.wanted(), self._progress):
            path = done.entry.path
            if done.wrong:
                self._findings.note([Finding(Kind.UNREADABLE, path, done.wrong)])
            elif done.grown:
                self._findings.note([Finding(Kind.UNFINISHED, path, "it is still growing")])
            elif done.changed:
                self._findings.note([Finding(Kind.CHANGED, path)])
            else:
                self._inventory.learn(path, done.digests)

    def _doubt_guesses(self) -> None:
        for one in self._claims.misfits(_MISFITS):
            self._claims.drop(one)
            detail = (
                f"none of the {one.digests} {one.algorithm} digests that were found in it is that "
                "of its file: they are something else, which --rules can state, or all these "
                "files are other ones"
            )
            self._findings.note([Finding(Kind.LIST, one.path, detail)])

    # Who vouches for them.

    def _check_signatures(self) -> list[Checked]:
        keys = self._settings.keys
        lists = {one.path for one in self._claims.lists.all() if one.within}
        root, paths = self._wish.root, sorted({*self._tellers, *lists})
        checked = list(check_signatures(root, paths, keys, self._progress, lists=lists))
        self._claims.set_aside(one.signature for one in checked if one.signature != one.signed)
        signed = dict(self._signed(checked))
        checked += self._check_given(keys)
        for one in checked:
            self._findings.note(_of_signature(one))
        self._claims.marks.trust(signed)
        self._claims.marks.weigh()
        return checked

    def _signed(self, checked: list[Checked]) -> Iterator[tuple[bytes, str]]:
        """Give the files that are as they were signed, and who signed them."""
        of: dict[bytes, list[Checked]] = {}
        for one in checked:
            of.setdefault(one.signed, []).append(one)
        for path, some in of.items():
            signer = signer_of(some, self._inventory.facts(path).get("sha256"))
            if signer is not None:
                yield path, signer

    def _check_given(self, keys: Keys | None) -> Iterator[Checked]:
        """Check the signatures over lists from elsewhere, whose signers vouch for these lists."""
        for number, given in self._given.items():
            checked = given.check(keys, self._progress)
            signer = signer_of(checked, given.sha256)
            if signer is not None:
                self._claims.lists.vouch_for(number, signer)
            yield from checked

    def _doubt_signed_catalogs(self) -> None:
        """Say that a catalog is about this tree, whatever it names, if its vendor signed it."""
        foreign = set(self._findings.paths(Kind.FOREIGN))
        self._findings.note(
            Finding(
                Kind.LIST,
                one.path,
                f"{one.signer} vouches for it, but of the {one.listed} files that it names "
                f"{one.there} are here; --expect holds the tree against it",
            )
            for one in self._claims.lists.all()
            if one.signer is not None and one.path in foreign
        )

    # What is wrong with them.

    def _say_what_deviates(self) -> None:
        self._progress.begin("comparing", 0, 0)
        self._findings.note(self._deviations())

    def _deviations(self) -> Iterator[Finding]:
        for path in self._claims.comparison.deviating():
            entry = self._inventory.entry(path)
            said = self._claims.of(path)
            if entry and entry.kind is EntryKind.FILE:
                yield from judge(path, entry.size, self._inventory.facts(path), said)
            elif entry:
                yield Finding(Kind.MISSING, path, f"a {entry.kind.name.lower()} is in its place")
            elif self._claims.is_to_be_told(path):
                yield self._missing(path)

    def _missing(self, path: bytes) -> Finding:
        said = self._claims.of(path)
        other = self._finder.in_another_form(path)
        if other is not None:
            return Finding(Kind.OTHER_FORM, path, f"{shown(other)!a} by its bytes")
        known = [one for one in said if one.algorithm and one.digest]
        for one in known:
            twins = self._finder.with_digest(one.algorithm or "", one.digest or b"")
            if twins:
                return Finding(
                    Kind.MISSING,
                    path,
                    f"by {source_of(one)}; its content lies at {shown(twins[0])}",
                )
        return Finding(Kind.MISSING, path, f"by {source_of(said[0])}")

    def _trust_digests_more_than_names(self) -> None:
        """Let no name tell that a file is unfinished if a digest tells that it is whole."""
        named = self._findings.paths(Kind.UNFINISHED)
        self._findings.withdraw(Kind.UNFINISHED, filter(self._claims.marks.vouches_for, named))

    def _look_into_the_rest(self) -> None:
        files, size = self._claims.leave(soundness.FACT)
        self._progress.begin("walking archives", files, size)
        self._findings.note(
            found
            for path, fact in self._claims.facts_known(soundness.FACT)
            if (found := soundness.read_fact(path, fact))
        )
        entries = self._claims.rest(soundness.FACT)
        for entry, fact, lasts in soundness.look_into(self._wish.root, entries, self._progress):
            if fact is None:
                self._findings.note([Finding(Kind.CHANGED, entry.path)])
                continue
            if lasts:
                self._inventory.learn(entry.path, {soundness.FACT: fact})
            found = soundness.read_fact(entry.path, fact)
            self._findings.note([found] if found else [])

    def _say_what_no_list_names(self) -> None:
        litter: set[bytes] = set()
        self._findings.note(self._extras(litter))
        self._findings.note(Finding(Kind.LITTER, path) for path in sorted(litter))
        self._findings.note(
            Finding(Kind.WEAK, path, name) for path, name in self._claims.marks.weakly_vouched()
        )

    def _extras(self, litter: set[bytes]) -> Iterator[Finding]:
        for path, size in self._claims.extras():
            waste = within_litter(path)
            if waste is not None:
                litter.add(waste)
            elif not self._findings.is_judged(path):
                yield Finding(Kind.EXTRA, path, "" if size else "it is empty")


def _unchecked(wish: Wish, given: Collection[Given], signatures: list[Checked]) -> Iterator[str]:
    """Say what this run left out, and what no run looks at."""
    if wish.keys is None and signatures:
        yield f"{len(signatures)} signatures, since no keys are pinned (--keys FOLDER)"
    if any(one.verdict and one.verdict.state is State.GOOD for one in signatures):
        yield "whether a signer's key or certificate has been revoked since you got it"
    signed = {one.signed for one in signatures}
    for path in (one.path for one in given if one.path not in signed):
        yield f"who made {shown(path)} (--expect): no signature is in it or beside it"
    yield "malware (depotserve tree scan)"
    yield "what is inside of archives that a digest vouches for"
    yield "whether the vendor has withdrawn a file, and whether the lists name all that you need"


# What a signature that is not good means; a good one is no finding.
_STATES = {
    State.UNKNOWN_KEY: Kind.UNKNOWN_SIGNER,
    State.OTHER_KIND: Kind.UNCHECKED,
    **dict.fromkeys(
        (
            State.BAD,
            State.REVOKED_KEY,
            State.EXPIRED_KEY,
            State.EXPIRED_SIGNATURE,
            State.TOO_EARLY,
            State.WEAK,
            State.UNREADABLE,
            State.ORPHAN,
        ),
        Kind.SIGNATURE,
    ),
}


def _of_signature(one: Checked) -> Iterator[Finding]:
    verdict = one.verdict
    if verdict is None or verdict.state not in _STATES:
        return
    whose = f"key of {verdict.vendor}" if verdict.vendor else ""
    parts = [verdict.state.value, verdict.detail, whose, verdict.fingerprint]
    yield Finding(_STATES[verdict.state], one.signature, ", ".join(filter(None, parts)))
