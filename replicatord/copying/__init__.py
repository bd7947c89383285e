"""The only code that writes photographs to a drive: lanes, groups, reading back, publishing.

May not decide what is wanted: the ledger's wishes say it. May not open a source for writing (promise I1).
"""
