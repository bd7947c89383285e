"""The plain types that every room shares. They decide nothing and do nothing.

May not import any other room, open a file, read a clock or log.
"""
