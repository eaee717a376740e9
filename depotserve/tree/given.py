"""Lists that came by another way than the tree, and who signed them."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import attrs

from depotserve.tree.authenticity.signatures import check_beside
from depotserve.tree.authenticity.verdict import State
from depotserve.tree.content import ChangedError, read_content
from depotserve.tree.inventory import ALWAYS
from depotserve.tree.progress import Silent

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from depotserve.tree.authenticity.keys import Keys
    from depotserve.tree.authenticity.signatures import Checked
    from depotserve.tree.progress import Progress

__all__ = ["Given", "look_at_given", "signer_of"]


@attrs.frozen
class Given:
    """A list outside the tree, as it was before it was read as one."""

    folder: Path
    name: bytes
    sha256: bytes  # b"" if it could not be read

    @property
    def path(self) -> bytes:
        """Give its whole path."""
        return self._whole(self.name)

    def check(self, keys: Keys | None, progress: Progress) -> list[Checked]:
        """Check the signatures over it, beside it and in it; paths are whole. Raises as those."""
        return [
            one._replace(signature=self._whole(one.signature), signed=self.path)
            for one in check_beside(self.folder, self.name, keys, progress)
        ]

    def _whole(self, name: bytes) -> bytes:
        return os.path.join(os.path.abspath(os.fsencode(self.folder)), name)


def look_at_given(folder: Path, name: bytes) -> Given:
    """Read a list's digest; what is read as a list afterwards must be what was signed."""
    try:
        digest = read_content(folder, name, {ALWAYS}, Silent()).digests[ALWAYS]
    except (OSError, ChangedError):
        digest = b""
    return Given(folder, name, digest)


def signer_of(checked: Iterable[Checked], sha256: bytes | None) -> str | None:
    """Tell who signed a file of that digest; nobody if any signature does not fit: see `State`."""
    verdicts = [one.verdict for one in checked if one.verdict]
    if not sha256 or any(one.state is State.BAD for one in verdicts):
        return None
    good = (one for one in verdicts if one.state is State.GOOD and one.sha256 == sha256)
    return next((one.vendor or "" for one in good), None)
