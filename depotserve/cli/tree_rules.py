"""What rules of acceptance came to, for a person and as JSON."""

from __future__ import annotations

from datetime import date, datetime, timezone
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from depotserve.tree.acceptance import Rule
    from depotserve.tree.finding import Kind

__all__ = ["rule_lines", "rule_row", "today"]


def today() -> date:
    """Give the day on which rules count or do not, in UTC."""
    return datetime.now(tz=timezone.utc).date()


def rule_lines(
    rules: Iterable[tuple[Rule, int]], kinds: frozenset[Kind], *, otherwise: str
) -> Iterator[str]:
    """Say of each rule, with how many findings it accepted, what came of it.

    `kinds` are those that the command can find; rules of others are for the command `otherwise`.
    """
    for number, (rule, count) in enumerate(rules, 1):
        came = _came_to(rule, count) if rule.kind in kinds else f"is for `{otherwise}` alone"
        yield f"rule {number} ({rule.kind.word}, {rule.path}) {came}: {rule.reason} ({rule.by})"


def _came_to(rule: Rule, count: int) -> str:
    if rule.is_over(today()):
        return f"accepts nothing since its last day, {rule.until}, is over"
    if not count:
        return "fits no finding, and can go"
    return f"accepted {count} until {rule.until}"


def rule_row(rule: Rule, count: int) -> dict[str, object]:
    """Give a rule, with how many findings it accepted, for JSON."""
    return {
        "finding": rule.kind.word,
        "path": rule.path,
        "size": rule.size,
        "reason": rule.reason,
        "by": rule.by,
        "until": rule.until.isoformat(),
        "accepted": count,
        "over": rule.is_over(today()),
    }
