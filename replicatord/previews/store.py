"""Where the small picture of a frame lies: beside the ledger, by the digest of its main file.

May not read or write it.
"""

from __future__ import annotations

import os


def preview_path(ledger: str, digest: bytes) -> str:
    """Give the place of a preview, a JPEG, whether it is there or not."""
    name = digest.hex()
    return os.path.join(f"{os.path.splitext(ledger)[0]}-previews", name[:2], f"{name}.jpg")
