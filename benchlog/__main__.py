"""python -m benchlog is the same as the benchlog command."""

import sys

from benchlog.cli import main

sys.exit(main())
