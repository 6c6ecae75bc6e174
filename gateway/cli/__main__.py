"""`python -m gateway.cli`: the command line."""

import sys

from gateway.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
