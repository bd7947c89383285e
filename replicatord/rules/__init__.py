"""Pure decisions: frames and settings become the placements that should exist.

May not read a clock, a disk or the ledger, and may not log: time and facts come in as arguments.
"""
