"""Runs the commands: `python -m replicatord` is `replicatord`.

May not do anything else.
"""

import sys

from replicatord.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
