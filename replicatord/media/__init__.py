"""What a file is: kind, format, capture time, camera, stars. Reads only, bounded, never trusts its input.

May not import ledger, drives or any room above them, write anything, or decode a picture.
"""
