"""`python -m woodlab` is the command `woodlab`, also where no folder of commands is on the path."""

import sys

from woodlab.app import main

if __name__ == "__main__":
    sys.exit(main())
