"""`python -m benchrig` is the command `benchrig`."""

import sys

from benchrig.cli import main

sys.exit(main())
