"""Rows of published check values, and how they are put to a live depot.

Each file in vectors/ says at its top what its fields mean; each row names its source. The bytes
of a row are sent as they stand, over a socket of their own; many rows are under way at once.
"""

from __future__ import annotations

import json
import socket
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import attrs
import pytest
from aiohttp.http_parser import HttpRequestParser, HttpRequestParserPy

if TYPE_CHECKING:
    from collections.abc import Mapping

_FOLDER = Path(__file__).parent / "vectors"
_AT_ONCE = 16
_FIRST_BYTE = 20.0  # seconds that an answer may take to begin

# aiohttp parses with a compiled extension where it has one; a small box may have none.
PARSERS = ("compiled", "pure Python")
PURE = PARSERS[1]


def load(name: str) -> list[dict[str, Any]]:
    """Give all rows of one file."""
    document = json.loads((_FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    rows: list[dict[str, Any]] = document["rows"]
    return rows


def parser_environment(parser: str) -> dict[str, str]:
    """Give the environment by which a depot uses `parser`; skip one that is not here."""
    if parser == PURE:
        return {"AIOHTTP_NO_EXTENSIONS": "1"}
    if HttpRequestParser is HttpRequestParserPy:
        pytest.skip("aiohttp has no compiled parser here")
    return {}


@attrs.frozen
class Received:
    """All that came back on one connection, and whether the depot closed it."""

    data: bytes
    closed: bool

    @property
    def status(self) -> int | None:
        """Give the first answer's status; None where nothing came."""
        return int(self.data.split(b" ", 2)[1]) if self.data.startswith(b"HTTP/1.1 ") else None

    @property
    def answers(self) -> int:
        """Count the status lines; no body of a test holds one."""
        return self.data.count(b"HTTP/1.1 ")


def ask(port: int, request: bytes, *, quiet: float) -> Received:
    """Send `request`; read until close, or `quiet` seconds of silence after the first byte."""
    received, closed = bytearray(), False
    with socket.create_connection(("127.0.0.1", port), timeout=30) as connection:
        try:
            connection.sendall(request)
            deadline = time.monotonic() + _FIRST_BYTE
            while True:
                wait = quiet if received else max(0.01, deadline - time.monotonic())
                connection.settimeout(wait)
                piece = connection.recv(1 << 16)
                if not piece:
                    closed = True
                    break
                received += piece
        except ConnectionError:
            closed = True
        except (TimeoutError, socket.timeout):
            pass
    return Received(bytes(received), closed)


def ask_all(port: int, requests: Mapping[str, bytes], *, quiet: float = 15) -> dict[str, Received]:
    """Put every request to the depot, several at once; give what came, by the same names."""
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        came = pool.map(lambda request: ask(port, request, quiet=quiet), requests.values())
        return dict(zip(requests, came))
