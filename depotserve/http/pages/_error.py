"""The page that tells a person why there is nothing to see."""

from __future__ import annotations

from depotserve.http.listing import speakable
from depotserve.http.pages._frame import TEMPLATES

__all__ = ["error_html"]

_ERROR = TEMPLATES.get_template("error.html")


def error_html(status: int, title: str, sentence: str) -> bytes:
    """Give an error's page: the status, a short title, one plain sentence; all are escaped."""
    page = _ERROR.render(status=status, title=speakable(title), sentence=speakable(sentence))
    return page.encode()
