"""Rows of published check values.

Each JSON file here says at its top what its fields mean; each row names its source.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from aiohttp.http_parser import HttpRequestParser, HttpRequestParserPy

_FOLDER = Path(__file__).parent

# aiohttp parses with a compiled extension where it has one; a small box may have none.
PARSERS = ("compiled", "pure Python")
PURE = PARSERS[1]


def load(name: str) -> list[dict[str, Any]]:
    """Give all rows of one file."""
    return load_part(name, "rows")


def load_part(name: str, part: str) -> list[dict[str, Any]]:
    """Give another list of one file."""
    document = json.loads((_FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    rows: list[dict[str, Any]] = document[part]
    return rows


def parser_environment(parser: str) -> dict[str, str]:
    """Give the environment by which a depot uses `parser`; skip one that is not here."""
    if parser == PURE:
        return {"AIOHTTP_NO_EXTENSIONS": "1"}
    if HttpRequestParser is HttpRequestParserPy:
        pytest.skip("aiohttp has no compiled parser here")
    return {}
