"""The demo book with rows in the tables of the stores too, values chosen to be lost easily; and gaps in the numbers."""

from refettle.web.start import start

start()

from datetime import UTC, date, datetime  # noqa: E402
from decimal import Decimal  # noqa: E402

from django.conf import settings  # noqa: E402

from refettle.book import demo, files, people, store  # noqa: E402
from refettle.book.models import Entry, Job, Owner  # noqa: E402
from refettle.book.models_prices import Offer, PriceList, Sold, Supplier  # noqa: E402
from refettle.book.models_stores import Lot, Movement, Part  # noqa: E402
from refettle.web.sessions import SessionStore  # noqa: E402

demo.fill()
part = Part.objects.create(
    code="Ä-47",
    name="Elko 47 µF 'low' ESR; 100 %\\ \"x\"",
    amount=4.7e-5,
    volt=0.1 + 0.2,
    rated={"ripple": 1e22, "esr": -0.0, "endurance": 2000.0, "b": [1.50, None, True], "a": "nul \x00, half \ud83d"},
)
lot = Lot.objects.create(part=part, code="9912", since=date(1999, 12, 31), price=Decimal("1234567890.1234"))
late = datetime(2031, 3, 30, 1, 30, 0, 123456, tzinfo=UTC)
wrong = Movement.objects.create(part=part, lot=lot, who="Ada", kind="received", on_hand=30, at=late)
Movement.objects.create(part=part, lot=lot, who="Ada", kind="corrected", on_hand=-3, corrects=wrong)
seller = Supplier.objects.create(name="Quillhaven Parts", currency="SEK", free_from=Decimal("0.10"))
sheet = files.keep(b"0047;0.10\n", settings.REFETTLE_FILES)
prices = PriceList.objects.create(
    supplier=seller, name="autumn", sha256=sheet, valid_from=date(2031, 1, 1), rows=1, who="Ada", refused=[[7, "no"]]
)
Offer.objects.create(list=prices, supplier=seller, sku="0047", breaks=[[1, "0.10"], [10, "0.085"]], currency="SEK")
Sold.objects.create(supplier=seller, sku="0047", part=part, who="Ada")
people.make_link(people.add("Ädå Quill", "owner", "a quiet bench 44"))
people.check("nobody", "a wrong one", "192.168.1.20")
SessionStore({"kept": "ß"}).create()
# A number given once is not given again, though its row is gone.
Owner.objects.create(name="nobody").delete()
job = Job.objects.order_by("number").first()
store.append(job, {"kind": "note", "text": "last"}, "Ada")
print(Entry.objects.count())
