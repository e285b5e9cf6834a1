"""Serving photos. They never change: what lies under a hash may be kept by the browser for good."""

from __future__ import annotations

from pathlib import Path

from django.conf import settings
from django.http import FileResponse, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_safe

from refettle.book.models import Photo
from refettle.book.models_privacy import ErasedPhoto
from refettle.book.photos import ENDINGS, MIME, SIZES, PhotoError, ensure_copy, original_path
from refettle.language import tr

YEAR_S = 31_536_000
ORIGINAL = "original"


@require_safe
def photo(request: HttpRequest, sha256: str, size: str = "screen") -> HttpResponseBase:
    """A photo: `original` (the picture as taken, stripped), or a smaller copy: `screen`, `thumb`."""
    found = get_object_or_404(Photo, sha256=sha256)
    etag = f'"{sha256}-{size}"'
    if request.headers.get("If-None-Match") == etag:
        return _lasting(HttpResponse(status=304), etag)
    folder: Path = settings.REFETTLE_PHOTOS
    try:
        if size == ORIGINAL:
            path, mime = original_path(folder, sha256, found.format), MIME[found.format]
            ending = ENDINGS[found.format]
        elif size in SIZES:
            path, mime, ending = ensure_copy(found, size, folder), "image/jpeg", "jpg"
        else:
            return _plain(
                tr(
                    "Size '{size}' found; allowed: {original}, {sizes}.",
                    size=size,
                    original=ORIGINAL,
                    sizes=", ".join(SIZES),
                ),
                404,
            )
        opened = path.open("rb")
    except FileNotFoundError:
        if ErasedPhoto.objects.filter(sha256=sha256).exists():
            return _plain(tr("This photo was removed on request."), 410)
        return _plain(tr("The photo is in the book, but its file is missing from the photos folder."), 404)
    except PhotoError as error:
        return _plain(str(error), 500)
    # The name is made of hexadecimal digits: nothing of what the sender called it.
    response = FileResponse(opened, content_type=mime, filename=f"{sha256[:16]}-{size}.{ending}")
    return _lasting(response, etag)


def _lasting(response: HttpResponseBase, etag: str) -> HttpResponseBase:
    response.headers["ETag"] = etag
    response.headers["Cache-Control"] = f"private, max-age={YEAR_S}, immutable"
    response.headers["X-Content-Type-Options"] = "nosniff"
    response.headers["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return response


def _plain(text: str, status: int) -> HttpResponse:
    return HttpResponse(text + "\n", status=status, content_type="text/plain; charset=utf-8")
