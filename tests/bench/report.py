"""The table that a person reads and the JSON that stays."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import attrs

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from figures import Case, Check

__all__ = ["show_case", "show_table", "write_json"]

_WORDS = {True: "reached", False: "NOT REACHED", None: ""}
_HEADINGS = ("line", "work", "what", "value (range)", "target", "")


def show_case(case: Case) -> str:
    """Write out all figures of one case."""
    lines = [f"{case.line}. {case.work}"]
    for subject, figures in case.figures.items():
        shown = "; ".join(f"{name} {value}" for name, value in figures.items())
        lines.append(f"     {subject}: {shown}")
    lines += [f"     {check.what}: {' '.join(_result(check))}" for check in case.checks]
    lines += [f"     ({note})" for note in case.notes]
    return "\n".join(lines)


def _result(check: Check) -> tuple[str, str, str]:
    return str(check.value), check.target or "no target", _WORDS[check.reached]


def show_table(cases: Sequence[Case]) -> str:
    """Write one row for each target."""
    rows = [_HEADINGS]
    for case in cases:
        rows += [
            (str(case.line), case.work, one.what, *_result(one))
            for one in case.checks
            if one.target
        ]
    widths = [max(len(row[column]) for row in rows) for column in range(len(_HEADINGS))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip() for row in rows
    )


def write_json(file: Path, about: dict[str, Any], cases: Sequence[Case]) -> None:
    """Write everything down."""
    file.parent.mkdir(parents=True, exist_ok=True)
    document = {**about, "cases": [_document(case) for case in cases]}
    file.write_text(json.dumps(_rounded(document), indent=1) + "\n")


def _document(case: Case) -> dict[str, Any]:
    checks = [{**attrs.asdict(check), "reached": check.reached} for check in case.checks]
    return {**attrs.asdict(case), "checks": checks}


def _rounded(value: Any) -> Any:
    """Keep four significant digits: more would be noise."""
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_rounded(item) for item in value]
    return float(f"{value:.4g}") if isinstance(value, float) else value
