"""The pieces that directions are made of: a step, what the steps speak of, and their quoting."""

from __future__ import annotations

import re
import shlex
from typing import TYPE_CHECKING

import attrs

from depotserve.tls.trust.forms import STORE_WORD, label

if TYPE_CHECKING:
    from cryptography import x509

__all__ = ["Given", "Step"]


@attrs.frozen
class Step:
    """What to do, and the commands to type for it, which may have several lines."""

    say: str
    run: tuple[str, ...] = ()


@attrs.frozen
class Given:
    """What the steps speak of."""

    anchors: tuple[x509.Certificate, ...]
    names: tuple[str, ...]  # of the files, as they lie in the client's current folder
    places: tuple[str, ...]  # host:port, as in an address: one by name, one by IP address
    word: str | None = STORE_WORD  # opens a Java trust store; None: a word of the person's own
    compatible: bool = False

    @property
    def files(self) -> tuple[str, ...]:
        """Give the files, quoted for a shell.

        A name that begins with a hyphen is no option, one with `=` no assignment of awk's.
        """
        odd = re.compile("^-|=")
        plain = (f"./{name}" if odd.search(name) else name for name in self.names)
        return tuple(map(shlex.quote, plain))

    @property
    def file(self) -> str:
        """Give the first file, quoted for a shell."""
        return self.files[0]

    @property
    def labelled(self) -> list[tuple[str, str]]:
        """Pair each file, quoted for a shell, with its authority's label."""
        return [(file, label(one)) for file, one in zip(self.files, self.anchors)]

    @property
    def urls(self) -> tuple[str, ...]:
        """Give addresses of a page that is given without a password."""
        return tuple(f"https://{place}/_depot/health" for place in self.places)

    @property
    def quoted_urls(self) -> str:
        """Give these addresses in one line for a shell."""
        return " ".join(map(shlex.quote, self.urls))

    @property
    def spoken_urls(self) -> str:
        """Give these addresses in a sentence."""
        return " and ".join(self.urls)
