"""The pages that people and programs see, and their one style sheet."""

from depotserve.http.pages._error import error_html
from depotserve.http.pages._frame import CONTENT_SECURITY_POLICY, STYLE, STYLE_PATH
from depotserve.http.pages._listing import ListingJson, ListingPage
from depotserve.http.pages._trust import trust_html, trust_text

__all__ = [
    "CONTENT_SECURITY_POLICY",
    "STYLE",
    "STYLE_PATH",
    "ListingJson",
    "ListingPage",
    "error_html",
    "trust_html",
    "trust_text",
]
