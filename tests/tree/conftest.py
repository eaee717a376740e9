"""Kits of the rooms' own tests, for tests that join several rooms."""

from __future__ import annotations

import sys
from pathlib import Path

for _room in ("catalogs", "repos", "signing", "structure"):
    sys.path.append(str(Path(__file__).parent / _room))
