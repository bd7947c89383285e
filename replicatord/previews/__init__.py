"""Small pictures of frames, kept beside the ledger."""
