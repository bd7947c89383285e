"""The replication log, and what the service says to its console.

May not decide what is said: lines come from the ledger, in their order.
"""
