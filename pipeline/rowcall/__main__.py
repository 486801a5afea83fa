"""`python -m rowcall` is the command `rowcall`."""

import sys

from rowcall.cli import main

sys.exit(main())
