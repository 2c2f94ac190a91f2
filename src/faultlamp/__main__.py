"""`python -m faultlamp` is the same as the `faultlamp` command."""

import sys

from faultlamp.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
