"""Server time of every page on the demo book, warm, beside a page that computes nothing.

    python benchmarks/pages.py

Prints a markdown table: median and slowest of 15 requests through the whole of Django, without the network.
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time

PAGES = (
    ("help (computes nothing)", "/help/"),
    ("the bench", "/"),
    ("take-in, choosing a type", "/take-in/"),
    ("a job", "/jobs/5/"),
    ("its fault finding", "/jobs/5/faults/"),
    ("its first power-on", "/jobs/5/power-on/"),
    ("unit types", "/types/"),
    ("a unit type", "/types/larkmere-48/"),
    ("block kinds", "/kinds/"),
    ("a block kind", "/kinds/edge-connector/"),
    ("cautions", "/cautions/"),
)


def main() -> None:
    with tempfile.TemporaryDirectory() as home:
        os.environ["REFETTLE_HOME"] = home
        os.environ.pop("REFETTLE_DATABASE", None)
        from refettle.web.start import start

        start(lambda line: None)
        from django.test import Client

        from refettle.book.demo import fill
        from refettle.web.warm import warm

        fill()
        warm()
        client = Client(SERVER_NAME="127.0.0.1")
        reference = 0.0
        print("| page | median [ms] | slowest [ms] | times the page that computes nothing |")
        print("|---|---|---|---|")
        for name, url in PAGES:
            times = []
            for n in range(16):
                began = time.perf_counter()
                response = client.get(url)
                response.content  # noqa: B018 - rendered when read
                if n:
                    times.append(1000 * (time.perf_counter() - began))
                if response.status_code != 200:
                    raise SystemExit(f"{url}: status {response.status_code}")
            median = statistics.median(times)
            reference = reference or median
            print(f"| {name} | {median:.1f} | {max(times):.1f} | {median / reference:.1f} |")


if __name__ == "__main__":
    main()
