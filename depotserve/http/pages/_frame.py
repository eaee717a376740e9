"""What all pages share: the templates, the style sheet, and what a browser may load."""

from __future__ import annotations

from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined

__all__ = ["CONTENT_SECURITY_POLICY", "STYLE", "STYLE_PATH", "TEMPLATES"]

STYLE_PATH = "/_depot/style.css"
STYLE = files(__package__).joinpath("style.css").read_bytes()

# Our pages run no script and load nothing but the style sheet; content keeps its own policy.
CONTENT_SECURITY_POLICY = (
    "default-src 'none'; style-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)

TEMPLATES = Environment(
    loader=PackageLoader(__package__, ""),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    keep_trailing_newline=True,
    auto_reload=False,
)
TEMPLATES.globals["style_path"] = STYLE_PATH
