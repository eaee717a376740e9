"""The pages that people and programs see: listings, errors, and their one style sheet."""

from depotserve.http.pages._error import error_html
from depotserve.http.pages._frame import CONTENT_SECURITY_POLICY, STYLE, STYLE_PATH
from depotserve.http.pages._listing import ListingJson, ListingPage

__all__ = [
    "CONTENT_SECURITY_POLICY",
    "STYLE",
    "STYLE_PATH",
    "ListingJson",
    "ListingPage",
    "error_html",
]
