"""What `refettle job show` says of jobs, with their logs: NUMBER..."""

import sys

from refettle.cli.main import main

for number in sys.argv[1:]:
    for how in ("--json", "--log"):
        status = main(["job", "show", number, how])
        if status:
            sys.exit(status)
