"""Every row of openpgp.json: fingerprints and the text of a clear-signed message."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
import vector_rows

from depotserve.errors import CallerError
from depotserve.tree.authenticity import load_keys
from depotserve.tree.authenticity.clear_signed import take_apart

if TYPE_CHECKING:
    from pathlib import Path

ROWS = vector_rows.load("openpgp")
KEYS = [row for row in ROWS if "key" in row]
MESSAGES = [row for row in ROWS if "message" in row]


@pytest.mark.parametrize("row", KEYS, ids=lambda row: row["source"])
def test_a_sample_key_has_its_published_fingerprint_or_is_refused(
    row: dict[str, Any], tmp_path: Path
) -> None:
    (tmp_path / "keys").mkdir()
    (tmp_path / "keys" / "plant.asc").write_text(row["key"])
    if row["fingerprint"] is None:
        with pytest.raises(CallerError, match="version 6, which gpgv does not know"):
            load_keys(tmp_path / "keys", tree=tmp_path / "tree")
        return
    (found,) = load_keys(tmp_path / "keys", tree=tmp_path / "tree").describe()
    assert found["fingerprint"] == row["fingerprint"]


@pytest.mark.parametrize("row", MESSAGES, ids=lambda row: row["source"])
def test_the_text_of_a_sample_message_is_what_was_signed(row: dict[str, Any]) -> None:
    lines = take_apart(row["message"].encode()).lines
    assert b"\n".join(lines).decode() == row["text"]
