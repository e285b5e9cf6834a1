"""python -m refettle: the same as the command refettle."""

import sys

from refettle.cli.main import main

sys.exit(main())
