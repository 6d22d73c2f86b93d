"""`python -m capture` is the `benchcall` command."""

import sys

from capture.cli import main

sys.exit(main())
