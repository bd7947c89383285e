"""What a file is: kind, format, capture time, camera, stars. Reads only, bounded, never trusts its input.

May not import ledger, drives or any room above them, write anything, or decode a picture.
"""

from replicatord.media.names import kind_and_format_of_name, split_stem
from replicatord.media.probe import read_facts
from replicatord.media.window import READ_LIMIT_BYTES

__all__ = ["READ_LIMIT_BYTES", "kind_and_format_of_name", "read_facts", "split_stem"]
