"""A bench book as it was after an earlier migration: MIGRATION LOG.jsonl. Its rows are written by SQL alone."""

import json
import os
import sys
from pathlib import Path

from refettle.web.home import Home, prepare

prepare(Home(Path(os.environ["REFETTLE_HOME"])))
os.environ["DJANGO_SETTINGS_MODULE"] = "refettle.web.settings"

import django  # noqa: E402

django.setup()

from django.core.management import call_command  # noqa: E402
from django.db import connection  # noqa: E402

from refettle.knowledge.loading import load_shipped_type  # noqa: E402

migration, log = sys.argv[1], Path(sys.argv[2]).read_text(encoding="utf-8").splitlines()
call_command("migrate", "contenttypes", verbosity=0)
call_command("migrate", "book", migration, verbosity=0)
loaded = load_shipped_type("larkmere-48")
then = "2031-03-02 09:15:00"
rows = [
    (
        "book_owner",
        (1, "Ingrid Mossbank", "ingrid@mossbank.example", "customer", then),
        "id, name, contact, kind, created",
    ),
    (
        "book_typeversion",
        (1, loaded.name, "larkmere-48", loaded.sha256, loaded.text, loaded.library_text, "larkmere-48.yaml", then),
        "id, name, slug, sha256, text, library, file, created",
    ),
    ("book_unit", (1, 1, "L48-0731", "the grey one", 1, then), "id, type_version_id, serial, label, owner_id, created"),
    ("book_job", (1, 1, 1, then, None), "id, number, unit_id, opened, closed"),
]
for line in log:
    entry = json.loads(line)
    n, at, who, kind = (entry.pop(key) for key in ("n", "at", "who", "kind"))
    rows.append(("book_entry", (n, 1, n, at, who, kind, json.dumps(entry)), "id, job_id, n, at, who, kind, data"))
if migration >= "0002":
    rows.append(("book_benchidentity", (1, "5f0c7a19d2e4b836", "ab" * 32, then), "id, bench, secret, created"))
    rows.append(("book_otherbench", (1, "beef" * 4, "the other", "beef" * 4, 1, then, then),
                 "id, bench, name, came_from, used, created, changed"))  # fmt: skip
with connection.cursor() as cursor:
    for table, values, columns in rows:
        marks = ", ".join(["%s"] * len(values))
        cursor.execute(f"INSERT INTO {table} ({columns}) VALUES ({marks})", values)
