"""Fetch URL to a file: certificates are held to RFC 5280, as Python does by itself since 3.13."""

from __future__ import annotations

import shutil
import ssl
import sys
import urllib.request


def main(url: str, authority: str, output: str) -> None:
    """Fetch `url`, verified with `authority` by the library's strictest flags."""
    context = ssl.create_default_context(cafile=authority)
    context.verify_flags |= ssl.VERIFY_X509_STRICT
    answer = urllib.request.urlopen(url, timeout=60, context=context)
    with answer as response, open(output, "wb") as file:
        shutil.copyfileobj(response, file)


if __name__ == "__main__":
    main(*sys.argv[1:])
