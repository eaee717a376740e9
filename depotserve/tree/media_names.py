"""Names that the file systems of exchangeable media cannot hold, or cannot tell apart.

Microsoft, "Naming Files, Paths, and Namespaces" (Windows, whatever the file system); the exFAT file
system specification, section 7.7.3 and its table of invalid characters; the FAT specification
(fatgen103), "Long Directory Entries". NTFS itself holds more than Windows will open.
"""

from __future__ import annotations

import re
import unicodedata
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

__all__ = ["all_held", "fall_together", "folded", "held_by_media"]

# MAX_PATH. Longer ones are held by all three file systems, but most programs of Windows open none.
_LONGEST_PATH = 260
# exFAT section 7.7.2 and FAT: the length of a name in UTF-16 code units; NTFS has the same bound.
_LONGEST_NAME = 255
# Whatever might be amiss: nothing of this in a path of up to 255 bytes, and it is held.
_ODD = re.compile(
    rb'[\x00-\x1f<>:"|?*\\\x80-\xff]|[. ](?:/|\Z)'
    rb"|(?:\A|/)(?:con(?:in\$|out\$)?|prn|aux|nul|(?:com|lpt)[1-9])(?:[ ./]|\Z)",
    re.IGNORECASE,
)
# The same for all names of a folder at once, in a fifth of the time: it is asked for every folder.
_HELD = bytes(set(range(0x20, 0x80)) - set(rb'<>:"|?*\\'))
_DROPPED = (b".", b" ")
_DEVICE_OF_MANY = re.compile(rb"/(?:con(?:in\$|out\$)?|prn|aux|nul|(?:com|lpt)[1-9])(?:[ ./]|\Z)")
# exFAT's table: controls and these; "Naming Files": "The following reserved characters".
_RESERVED = re.compile(r'[\x00-\x1f<>:"|?*\\]')
# "Naming Files": "Do not use the following reserved names", also "followed immediately by an
# extension"; the superscript digits count as digits. Blanks before the extension are dropped.
_DEVICE = re.compile(
    r"(?:con|prn|aux|nul|(?:com|lpt)[1-9¹²³]|conin\$|conout\$) *(?:\..*)?",
    re.IGNORECASE | re.DOTALL | re.ASCII,
)


def held_by_media(path: bytes) -> str | None:
    """Say why NTFS, exFAT or FAT32 cannot hold a path of a tree, `/` between names, or Windows.

    None if all can; else one reason for each name in it that they cannot, parted by `; `.
    """
    if len(path) <= _LONGEST_NAME and not _ODD.search(path):
        return None
    reasons = [why for name in path.split(b"/") for why in _reasons(name)]
    if _units(path.decode("utf-8", "replace")) > _LONGEST_PATH:
        reasons.append(f"the path is longer than {_LONGEST_PATH} characters")
    return "; ".join(reasons) or None


def all_held(names: list[bytes]) -> bool:
    """Tell quickly that nothing is odd about the names of a folder; else each is to be asked."""
    joined = b"/".join(names)  # which no name holds
    if (
        joined.translate(None, _HELD)
        or joined[-1:] in _DROPPED
        or b"./" in joined
        or b" /" in joined
    ):
        return False
    is_device = _DEVICE_OF_MANY.search(b"/" + joined.lower())
    return not is_device and max(map(len, names), default=0) <= _LONGEST_NAME


def _reasons(component: bytes) -> Iterator[str]:
    """Yield what is amiss with one name."""
    try:
        name = component.decode("utf-8")
    except UnicodeDecodeError:
        shown = component.decode("utf-8", "surrogateescape")
        yield f"{shown} is no UTF-8, and their names are Unicode"
        return
    reserved = _RESERVED.search(name)
    if reserved:
        yield f"{name} has {_character(reserved[0])}, which is reserved"
    # "Naming Files": "Do not end a file or directory name with a space or a period".
    if name.endswith((".", " ")):
        yield f"{name} ends with a {'dot' if name[-1] == '.' else 'blank'}, which is dropped"
    if _DEVICE.fullmatch(name):
        yield f"{name} is the name of a device"
    if _units(name) > _LONGEST_NAME:
        yield f"{name[:20]}… is longer than {_LONGEST_NAME} characters"


def _character(character: str) -> str:
    return character if character > " " else f"the control character {ord(character):#04x}"


def _units(text: str) -> int:
    """Count UTF-16 code units."""
    return len(text) + sum(1 for character in text if character > "\uffff")


def folded(name: bytes) -> bytes:
    """Give the form in which file systems that fold case or Unicode forms compare a name.

    Caseless and canonical (Unicode chapter 3, D145), in NFC; bytes that are no UTF-8 stay.
    """
    if name.isascii():
        return name.lower()
    text = unicodedata.normalize("NFD", name.decode("utf-8", "surrogateescape"))
    form = unicodedata.normalize("NFC", unicodedata.normalize("NFD", text.casefold()))
    return form.encode("utf-8", "surrogateescape")


def fall_together(names: Iterable[bytes]) -> Iterator[tuple[bytes, ...]]:
    """Yield the names of one folder that such a file system takes for one, in order."""
    names = list(names)
    if b"/".join(names).isascii() and len(set(map(bytes.lower, names))) == len(names):
        return
    groups: dict[bytes, list[bytes]] = {}
    for name in names:
        groups.setdefault(folded(name), []).append(name)
    for _, group in sorted(groups.items()):
        if len(group) > 1:
            yield tuple(sorted(group))
