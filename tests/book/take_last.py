"""Take the last of many parts from several threads: `make PARTS`, then `take THREADS TAG`, then `check`.

Prints for each part got by whom; `check` prints what the sums worked out anew say against those kept.
"""

import sys
import threading

from refettle.web.start import start

start()

from django.db import connection  # noqa: E402

from refettle.book import reservations, stores, wants  # noqa: E402
from refettle.book.models_stores import Part  # noqa: E402
from refettle.book.store import StoreError, find_job, open_job  # noqa: E402
from refettle.book.stores_check import verify  # noqa: E402
from refettle.knowledge.loading import load_shipped_type  # noqa: E402


def make(parts: int) -> None:
    open_job(load_shipped_type("larkmere-48"))
    for n in range(parts):
        stores.receive(stores.add_part(name=f"Part {n}", code=f"P{n}", who="Ada"), 1, who="Ada")


def take(name: str, promise: bool) -> None:
    job = find_job(1)
    for part in Part.objects.order_by("pk"):
        try:
            if promise:
                reservations.reserve(part, 1, who=name, job=find_job(2))
            else:
                wants.take_for_job(job, part, 1, who=name)
            sys.stdout.write(f"{part.code} {name}\n")
        except StoreError as error:
            if "at most 0 free" not in str(error):
                sys.stdout.write(f"odd {error}\n")
    connection.close()


if sys.argv[1] == "make":
    make(int(sys.argv[2]))
    open_job(load_shipped_type("larkmere-48"))
elif sys.argv[1] == "take":
    workers = [threading.Thread(target=take, args=(f"{sys.argv[3]}.{t}", bool(t % 2))) for t in range(int(sys.argv[2]))]
    for each in workers:
        each.start()
    for each in workers:
        each.join()
else:
    sums = Part.objects.order_by("pk").values_list("on_hand", "reserved")
    print(len(verify()), sum(1 for on_hand, reserved in sums if reserved <= on_hand <= 1), len(sums))
