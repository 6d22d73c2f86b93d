"""`python -m server` is the `benchcall-server` command."""

import sys

from server.cli import main

sys.exit(main())
