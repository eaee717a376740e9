"""Fetch URL to a file by requests, which finds the user and passphrase in ~/.netrc by itself."""

from __future__ import annotations

import sys

import requests


def main(url: str, authority: str, output: str) -> None:
    """Fetch `url`, verified with `authority`, piece by piece."""
    with requests.get(url, verify=authority, stream=True, timeout=60) as response:
        response.raise_for_status()
        with open(output, "wb") as file:
            file.writelines(response.iter_content(1 << 16))


if __name__ == "__main__":
    main(*sys.argv[1:])
