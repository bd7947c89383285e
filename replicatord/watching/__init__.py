"""Sees what is in the sources: hints from the system, settling, rescans, reading each file once.

May not write to a source, ever (promise I1), and may not trust a hint: it only names a place to look at.
"""
