"""`python -m vibeorder`: the command where it is not on the path."""

import sys

from vibeorder.cli import main

if __name__ == "__main__":
    sys.exit(main())
