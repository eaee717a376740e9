"""What a check of a tree found, for a person and as JSON."""

from __future__ import annotations

import itertools
import json
import sys
from typing import TYPE_CHECKING, TextIO

import click

from depotserve.cli.printable import printable
from depotserve.cli.remembering import not_remembered
from depotserve.cli.sizes import size_words
from depotserve.cli.tree_rules import rule_lines, rule_row
from depotserve.tree.digests import is_weak
from depotserve.tree.entry import shown
from depotserve.tree.finding import BY_CHECK

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from depotserve.tree.authenticity.signatures import Checked
    from depotserve.tree.finding import Noted
    from depotserve.tree.lists import ListRead
    from depotserve.tree.marks import Marked
    from depotserve.tree.report import Report, ToDo

__all__ = ["print_json", "print_text"]

_FEW = 5  # of what is only information
_WIDEST = 28  # characters of a column


def print_text(report: Report) -> None:
    """Print everything that a person needs, line by line."""
    for line in itertools.chain(
        _head(report),
        _lists(report),
        _signatures(report),
        _findings(report),
        _unchecked(report),
        _to_do(report),
        _end(report),
    ):
        click.echo(printable(line))


def _head(report: Report) -> Iterator[str]:
    files, size = report.inventory.count()
    yield f"{report.root}: {_counted(files, 'file')}, {size_words(size)}"
    vouched = report.claims.marks.vouched()
    weakest = [f"{name}{_weak(name)} for {count}" for name, count in vouched.items()]
    if weakest:
        yield f"  weakest digest that vouches for a file: {', '.join(weakest)}"
    marks = report.claims.marks.counts()
    yield "  " + ", ".join(f"{mark}: {count}" for mark, count in marks.items())
    for place in report.forgotten:
        yield f"  {not_remembered(place)}"


def _weak(name: str) -> str:
    return " (weak)" if is_weak(name) else ""


def _lists(report: Report) -> Iterator[str]:
    lists = report.claims.lists.all()
    yield ""
    yield "Lists" if lists else "No list of expected files was found."
    for kind, some in itertools.groupby(lists, key=lambda one: one.dialect):
        yield from _alike(kind, list(some))


def _alike(kind: str, lists: list[ListRead]) -> Iterator[str]:
    for one in lists if len(lists) <= _FEW else lists[:_FEW]:
        guessed = ", guessed" if one.guessed else ""
        signer = f", vouched for by {one.signer}" if one.signer else ""
        yield (
            f"  {shown(one.path)}: {kind}{guessed}, {one.there} of "
            f"{_counted(one.listed, 'file')} here{signer}"
        )
        if one.detail:
            yield f"    {one.detail}"
    if len(lists) > _FEW:
        yield f"  and {len(lists) - _FEW} more of the kind: {kind}"


def _signatures(report: Report) -> Iterator[str]:
    good = [one for one in report.signatures if one.verdict and one.verdict.state.value == "good"]
    if good:
        yield ""
        yield "Good signatures"
    for one in good:
        verdict = one.verdict
        if verdict:
            yield f"  {shown(one.signature)}: {verdict.vendor}, key {verdict.fingerprint}"


def _findings(report: Report) -> Iterator[str]:
    noted = report.findings.in_order()
    counts = report.findings.counts()
    for kind, some in itertools.groupby(noted, key=lambda one: one.finding.kind):
        if kind.is_fault:
            count, accepted = counts[kind]
            of_them = f", of which accepted: {accepted}" if accepted else ""
            yield ""
            yield f"{kind.word[0].upper()}{kind.word[1:]}: {count}{of_them}"
            yield from map(_fault_line, some)
        else:
            yield from _information(kind.word, some)


def _fault_line(noted: Noted) -> str:
    finding, rule = noted
    at = f":{finding.line}" if finding.line else ""
    detail = f"  {finding.detail}" if finding.detail else ""
    accepted = "" if rule is None else f"  (accepted by rule {rule + 1})"
    return f"  {shown(finding.path) or '.'}{at}{detail}{accepted}"


def _information(word: str, some: Iterable[Noted]) -> Iterator[str]:
    first, count = [], 0
    for noted in some:
        count += 1
        if count <= _FEW:
            first.append(_fault_line(noted).strip())
    more = f", and {count - _FEW} more" if count > _FEW else ""
    yield ""
    yield f"For information, {word}: {count}"
    yield f"  {', '.join(first)}{more}"


def _unchecked(report: Report) -> Iterator[str]:
    if report.unchecked:
        yield ""
        yield "Not checked"
    for one in report.unchecked:
        yield f"  {one}"
    if report.rules:
        yield ""
        yield "Accepted"
    for line in rule_lines(report.rules, BY_CHECK, otherwise="tree scan"):
        yield f"  {line}"


def _to_do(report: Report) -> Iterator[str]:
    for number, one in enumerate(report.to_do()):
        if not number:
            yield ""
            yield "To do: fetch again, and put each with `depotserve tree place`"
        size = "" if one.size is None else f"  {one.size} bytes"
        yield f"  {shown(one.path)}{size}  {one.digest}".rstrip()


def _end(report: Report) -> Iterator[str]:
    """Say how far the verdict reaches, then the verdict: it promises no more than there is."""
    marks = report.claims.marks.counts()
    files = sum(marks.values())
    yield ""
    if 0 < marks["unknown"] < files:
        yield f"No digest vouches for {marks['unknown']} of the {_counted(files, 'file')}."
    if report.vouches and not marks["authenticated"]:
        yield "Nobody who is trusted has signed these files: who alters lists too is not seen."
    yield _verdict(report)


def _verdict(report: Report) -> str:
    faults = report.faults
    if faults:
        return f"{_counted(faults, 'fault')}."
    if not report.vouches:
        return "Nothing vouches for these files: no list with digests names any. No other fault."
    if report.lacks_proof:
        return "No pinned key, and no digest that was typed in, proves any file other than lists."
    if accepted := sum(count for _, count in report.findings.counts().values()):
        return f"No fault was found but what rules accept: {accepted}."
    return "No fault was found."


def _counted(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def print_json(report: Report) -> None:
    """Print one JSON document, written as it goes: it may have a million entries."""
    files, size = report.inventory.count()
    head = {
        "tree": str(report.root),
        "status": report.status,
        "faults": report.faults,
        "counts": {kind.word: count for kind, (count, _) in report.findings.counts().items()},
        "files": files,
        "bytes": size,
        "vouched_by_weakest": report.claims.marks.vouched(),
        "marks": report.claims.marks.counts(),
        "not_checked": list(report.unchecked),
        "not_remembered": list(report.forgotten),
        "lists": [_list(one) for one in report.claims.lists.all()],
        "signatures": [_signature(one) for one in report.signatures],
        "rules": [rule_row(rule, count) for rule, count in report.rules],
    }
    out = sys.stdout
    out.write(json.dumps(head)[:-1])
    _write_rows(out, "findings", (_finding(one) for one in report.findings.in_order()))
    _write_rows(out, "to_do", (_wanted(one) for one in report.to_do()))
    _write_rows(out, "entries", (_entry(one) for one in report.claims.marks.all()))
    out.write("}\n")
    out.flush()  # here, where a reader that has gone away is no traceback


def _write_rows(out: TextIO, name: str, rows: Iterator[dict[str, object]]) -> None:
    out.write(f', "{name}": [')
    out.writelines((", " if number else "") + json.dumps(row) for number, row in enumerate(rows))
    out.write("]")


def _list(one: ListRead) -> dict[str, object]:
    return {
        "path": shown(one.path),
        "kind": one.dialect,
        "guessed": bool(one.guessed),
        "detail": one.detail or None,
        "relative_to": one.base,
        "in_tree": bool(one.within),
        "named": one.listed,
        "here": one.there,
        "signer": one.signer,
    }


def _signature(one: Checked) -> dict[str, object]:
    verdict = one.verdict
    return {
        "path": shown(one.signature),
        "of": shown(one.signed),
        "state": verdict.state.value if verdict else "not checked",
        "vendor": verdict.vendor if verdict else None,
        "fingerprint": verdict.fingerprint if verdict else None,
        "detail": (verdict.detail or None) if verdict else None,
    }


def _finding(noted: Noted) -> dict[str, object]:
    finding, rule = noted
    return {
        "kind": finding.kind.word,
        "fault": finding.kind.is_fault,
        "path": shown(finding.path),
        "line": finding.line or None,
        "detail": finding.detail or None,
        "accepted_by_rule": None if rule is None else rule + 1,
    }


def _wanted(one: ToDo) -> dict[str, object]:
    return {
        "path": shown(one.path),
        "why": one.kind.word,
        "size": one.size,
        "digest": one.digest or None,
    }


def _entry(one: Marked) -> dict[str, object]:
    return {
        "path": shown(one.path),
        "size": one.size,
        "mark": one.mark,
        "signer": one.signer,
        "weakest": one.weakest,
        "strongest": one.strongest,
    }
