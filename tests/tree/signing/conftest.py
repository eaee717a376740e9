"""The people who sign, for every test of this folder."""

from __future__ import annotations

from people import builder, expired, gnupg_home, revoked, stranger, vendor

__all__ = ["builder", "expired", "gnupg_home", "revoked", "stranger", "vendor"]
