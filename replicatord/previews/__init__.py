"""Small pictures of frames: made once in a child process with limits, and kept beside the ledger.

May not write to a source or a drive, and may not decode a picture outside of the child. A preview is a convenience:
whatever goes wrong here is told and holds up nothing.
"""
