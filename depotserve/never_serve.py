"""Names that are neither served nor listed, by any spelling."""

from __future__ import annotations

import fnmatch
import re
from typing import Callable

__all__ = ["Hides", "compile_patterns"]

Hides = Callable[[bytes], bool]


def compile_patterns(patterns: tuple[str, ...]) -> Hides:
    """Make one test of all `patterns` for one path component.

    A pattern is a shell-style wildcard over a whole component; case does not count, because
    the file system may not count it either.
    """
    # fnmatch may cut a pattern into groups; joined as alternatives each keeps its own.
    alternatives = "|".join(fnmatch.translate(pattern.casefold()) for pattern in patterns)
    # A pattern list of nothing hides nothing: "(?!)" matches never.
    expression = re.compile(alternatives or "(?!)")

    def hides(component: bytes) -> bool:
        name = component.decode("utf-8", "surrogateescape").casefold()
        return expression.match(name) is not None

    return hides
