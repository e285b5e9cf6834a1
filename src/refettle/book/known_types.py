"""Unit types by the name that is printed on them, as far as the book or a file knows them."""

from __future__ import annotations

from collections.abc import Collection
from contextlib import suppress

from django.conf import settings

from refettle.book.models import TypeVersion
from refettle.book.store import loaded_type
from refettle.book.typefiles import available, load_named
from refettle.knowledge.errors import KnowledgeError
from refettle.knowledge.loading import LoadedType


def types_named(names: Collection[str]) -> dict[str, LoadedType]:
    """The unit types of these names that are known: as the newest job of this book has them, else by a file. What this
    version of Refettle cannot read is left out."""
    found: dict[str, LoadedType] = {}
    newest = dict(TypeVersion.objects.filter(name__in=names).order_by("pk").values_list("name", "pk"))
    for version in TypeVersion.objects.filter(pk__in=newest.values()):
        with suppress(KnowledgeError):
            found[version.name] = loaded_type(version)
    lacking = set(names) - set(found)
    for slug in available(settings.REFETTLE_TYPES) if lacking else ():
        with suppress(KnowledgeError):
            known = load_named(slug, settings.REFETTLE_TYPES, settings.REFETTLE_KINDS)
            if known.name in lacking:
                found[known.name] = known
    return found
