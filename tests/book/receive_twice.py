"""Receive the same delivery from several threads: `make`, then `receive THREADS FORM`, then `check`.

Prints `written` or `again` for each; `check` prints what is on hand, on order, and in how many receipts.
"""

import sys
import threading

from refettle.web.start import start

start()

from decimal import Decimal  # noqa: E402

from django.db import connection  # noqa: E402

from refettle.book import orders, stores  # noqa: E402
from refettle.book.models_orders import Order, OrderLine, Receipt  # noqa: E402
from refettle.book.models_prices import Supplier  # noqa: E402
from refettle.book.models_stores import Part  # noqa: E402
from refettle.book.orders_receive import Arrived, receive  # noqa: E402
from refettle.book.stores_facts import on_order  # noqa: E402


def make() -> None:
    supplier = Supplier.objects.create(name="Tarn", currency="EUR")
    order = Order.objects.create(supplier=supplier, number=1, currency="EUR", who="Ada")
    part = stores.add_part(name="Fuse", code="FUSE", who="Ada")
    OrderLine.objects.create(order=order, part=part, sku="T1", pieces=100, price=Decimal("0.1"))
    orders.send(order)


def deliver(form: str) -> None:
    order = orders.find_order(1)
    for n in range(5):
        done = receive(order, [Arrived(order.lines.get().pk, 3)], who="Ada", delivery=f"{form}{n}")
        sys.stdout.write("again\n" if done.again else "written\n")
    connection.close()


if sys.argv[1] == "make":
    make()
elif sys.argv[1] == "receive":
    workers = [threading.Thread(target=deliver, args=(sys.argv[3],)) for _ in range(int(sys.argv[2]))]
    for each in workers:
        each.start()
    for each in workers:
        each.join()
else:
    print(Part.objects.get().on_hand, sum(on_order().values()), Receipt.objects.count())
