"""Which drive is here, is it really that drive, and how much room has it.

May not write photographs: only a drive's own identity, and a probe that it still takes writes.
"""
