"""What is done by the clock, or about the service itself: telling loads, rescans, notifying systemd.

May not copy or read photographs.
"""
