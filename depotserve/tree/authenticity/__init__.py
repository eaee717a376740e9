"""Signatures over files and lists, checked against keys that a person has pinned."""

from __future__ import annotations

from depotserve.tree.authenticity.armour import BrokenError
from depotserve.tree.authenticity.clear_signed import is_clear_signed
from depotserve.tree.authenticity.keys import Keys, load_keys
from depotserve.tree.authenticity.signatures import (
    Checked,
    Form,
    Signed,
    check_signatures,
    signed_by,
)
from depotserve.tree.authenticity.typed import Typed, parse_typed
from depotserve.tree.authenticity.verdict import State, Verdict

__all__ = [
    "BrokenError",
    "Checked",
    "Form",
    "Keys",
    "Signed",
    "State",
    "Typed",
    "Verdict",
    "check_signatures",
    "is_clear_signed",
    "load_keys",
    "parse_typed",
    "signed_by",
]
