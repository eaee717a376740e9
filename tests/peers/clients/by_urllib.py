"""Fetch URL to a file: the standard library alone, with a user and passphrase from ~/.netrc."""

from __future__ import annotations

import netrc
import shutil
import ssl
import sys
import urllib.request
from pathlib import Path
from urllib.parse import urlsplit


def main(url: str, authority: str, output: str) -> None:
    """Fetch `url`, verified with `authority`, and put it in place once it is whole."""
    passwords = urllib.request.HTTPPasswordMgrWithDefaultRealm()
    entries = Path("~/.netrc").expanduser()
    found = (
        netrc.netrc(entries).authenticators(urlsplit(url).hostname) if entries.exists() else None
    )
    if found is not None:
        passwords.add_password(None, url, found[0], found[2])
    opener = urllib.request.build_opener(
        urllib.request.HTTPSHandler(context=ssl.create_default_context(cafile=authority)),
        urllib.request.HTTPBasicAuthHandler(passwords),
    )
    with opener.open(url, timeout=60) as response, open(output, "wb") as file:
        shutil.copyfileobj(response, file)


if __name__ == "__main__":
    main(*sys.argv[1:])
