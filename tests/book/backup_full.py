"""A backup into FOLDER whose disk looks roomy until it is written to. Prints what is said."""

import shutil
import sys
from pathlib import Path
from typing import Any

from refettle.web.start import start

start()

from refettle.book import backup  # noqa: E402

folder = Path(sys.argv[1])


def roomy(path: Any) -> Any:
    return shutil._ntuple_diskusage(10**12, 0, 10**12)  # type: ignore[attr-defined]


backup.shutil.disk_usage = roomy  # type: ignore[assignment]
blob = Path(backup.settings.REFETTLE_TYPES) / "big.yaml"
blob.write_bytes(b"# " + b"x" * 30_000_000)
try:
    backup.back_up(folder)
except backup.BackupError as error:
    print(error)
finally:
    blob.unlink()
