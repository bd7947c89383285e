"""The page that the running service shows in a browser of this machine.

May not touch a drive or a source, may not write anything but where a person got to and what they want to see again,
and may not end the service or keep it waiting.
"""
