"""Install Refettle into an environment beside this folder's files, and open the demo book in the browser.

    python3 scripts/demo.py [--no-browser] [--port N]

Needs Python 3.11 or newer and nothing else.
"""

from __future__ import annotations

import subprocess
import sys

from common import ROOT, install, python

install(".[pdf]")
try:
    sys.exit(subprocess.run([python(), "-m", "refettle", "demo", *sys.argv[1:]], cwd=ROOT, check=False).returncode)
except KeyboardInterrupt:
    sys.exit(0)
