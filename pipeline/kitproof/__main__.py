"""`python -m kitproof` is the same as the `kitproof` command."""

import sys

from kitproof.cli import main

sys.exit(main())
