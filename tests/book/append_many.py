"""Append notes to job 1 from several threads: COUNT THREADS TAG. Prints each acknowledged number."""

import sys
import threading

from refettle.web.start import start

start()

from django.db import connection  # noqa: E402

from refettle.book.store import append, find_job  # noqa: E402

count, threads, tag = int(sys.argv[1]), int(sys.argv[2]), sys.argv[3]


def work(name: str) -> None:
    job = find_job(1)
    for i in range(count):
        text = f"{tag} {name} {i}"
        entry = append(job, {"kind": "note", "text": text}, "Ada")
        sys.stdout.write(f"{entry.n} {text}\n")
    connection.close()


workers = [threading.Thread(target=work, args=(str(t),)) for t in range(threads)]
for each in workers:
    each.start()
for each in workers:
    each.join()
