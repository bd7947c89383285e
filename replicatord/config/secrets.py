"""Takes the addresses out of the text of a settings file, so that the text can be remembered.

May not shorten it or move anything: what is left of a text when its end is cut off stays what is left of it
(`cut.is_cut_of`), and the text still says the same of everything else.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from replicatord.model.settings import Tell

_HIDDEN: Final = b"x"
_AFTER_SCHEME: Final = re.compile(rb"(?<=://)[^\n]*")
_COMMENT: Final = re.compile(rb"#[^\n]*")


def without_addresses(text: bytes, tell: Tell | None) -> bytes:
    """Give the text of settings with each byte of an address behind its `://` replaced, also in comments.

    `tell` is what the text says. The reader of the settings has refused an address that does not stand in it as it is.
    """
    addresses = sorted(
        (each.address for each in tell.to if each.address) if tell else (), key=len, reverse=True
    )
    for address in addresses:
        found = address.encode("utf-8", "surrogateescape")
        text = text.replace(found, _hide(found))
    return _COMMENT.sub(lambda comment: _hide(comment.group()), text)


def _hide(text: bytes) -> bytes:
    return _AFTER_SCHEME.sub(lambda rest: _HIDDEN * len(rest.group()), text)
