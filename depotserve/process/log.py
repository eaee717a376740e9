"""What the running depot says on stderr: plain lines that a person and a journal can read."""

from __future__ import annotations

import logging
import os
import re
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["configure", "goes_to_journal"]

_CONTROLS = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")
_PRIORITIES = {  # sd-daemon(3), the levels of RFC 5424 §6.2.1
    logging.CRITICAL: "<2>",
    logging.ERROR: "<3>",
    logging.WARNING: "<4>",
    logging.INFO: "<6>",
    logging.DEBUG: "<7>",
}


class _Lines(logging.Formatter):
    """Write `LEVEL message`, one line a record; a traceback adds lines of the same level.

    Control characters are escaped, so that no name in a message can forge a line.
    """

    def __init__(self, *, priorities: bool) -> None:
        super().__init__()
        self._priorities = _PRIORITIES if priorities else {}

    def format(self, record: logging.LogRecord) -> str:
        lines = [record.getMessage()]
        if record.exc_info:
            lines += self.formatException(record.exc_info).splitlines()
        start = f"{self._priorities.get(record.levelno, '')}{record.levelname} "
        return "\n".join(start + _CONTROLS.sub(_escape, line) for line in lines)


def configure() -> None:
    """Send every logger's lines of level INFO and above to stderr."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(_Lines(priorities=goes_to_journal(os.environ)))
    logging.basicConfig(level=logging.INFO, handlers=[handler], force=True)
    logging.getLogger("asyncio").setLevel(logging.WARNING)  # in debug mode it tells each socket
    logging.raiseExceptions = False  # a full disk behind stderr must not become a traceback


def goes_to_journal(environ: Mapping[str, str]) -> bool:
    """Tell whether stderr is the journal's own stream (systemd.exec(5), JOURNAL_STREAM)."""
    try:
        status = os.fstat(2)
    except OSError:
        return False
    return environ.get("JOURNAL_STREAM") == f"{status.st_dev}:{status.st_ino}"


def _escape(match: re.Match[str]) -> str:
    return match[0].encode("unicode_escape").decode("ascii")
