"""Open a job for a shipped unit type in the bench book."""

from refettle.web.start import start

start()

from refettle.book.store import open_job  # noqa: E402
from refettle.knowledge.loading import load_shipped_type  # noqa: E402

print(open_job(load_shipped_type("larkmere-48")).number)
