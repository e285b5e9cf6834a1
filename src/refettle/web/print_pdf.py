"""Pages as PDF, where WeasyPrint is installed. Nothing is fetched from outside: photos come out of the book, one at a
time, made small for print."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import Any

from refettle.book.models import Photo
from refettle.book.photos import PhotoError, ensure_copy
from refettle.language import mark, tr
from refettle.whitening.card import nothing_fetched

SCHEME = "photo:"
QUALITY = 82
INSTALL = mark(
    "A PDF needs the pdf extra: install refettle[pdf] and the Pango library. Or print this page from the browser."
)


class PdfError(ValueError):
    """No PDF can be written here; says what to install."""


def pdf_trouble() -> str:
    """Why no PDF can be written here; empty where one can."""
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError):  # the package, or the text libraries that it leans on
        return tr(INSTALL)
    return ""


def photo_address(sha256: str, longest: int) -> str:
    """How a document to be printed names a photo, at most so many pixels long."""
    return f"{SCHEME}{sha256}/{longest}"


def small_photo(sha256: str, longest: int, folder: Path) -> bytes:
    """A kept photo as JPEG of at most so many pixels. Raises PhotoError or OSError where it is not there."""
    from PIL import Image

    row = Photo.objects.filter(sha256=sha256).first()
    if row is None:
        raise FileNotFoundError(sha256)
    with Image.open(ensure_copy(row, "screen", folder)) as image:
        image.draft(image.mode, (longest, longest))
        profile = image.info.get("icc_profile")
        image.thumbnail((longest, longest), Image.Resampling.LANCZOS, reducing_gap=2.0)
        out = BytesIO()
        image.save(out, "JPEG", quality=QUALITY, optimize=True, icc_profile=profile)
    return out.getvalue()


def pdf_of(documents: Sequence[str], folder: Path) -> bytes:
    """The first of these documents that fits one page as PDF; where none does, the first.

    Parameters
    ----------
    documents : sequence of str
        HTML of the same in different sizes of type, the largest first; one where pages do not count.
    folder : path
        Of the photos.

    Raises
    ------
    PdfError
        WeasyPrint, or what it leans on, is not installed.
    """
    if trouble := pdf_trouble():
        raise PdfError(trouble)
    from weasyprint import HTML

    fetcher = _fetcher(folder)
    with tempfile.TemporaryDirectory(prefix="refettle-pdf-") as kept:  # pictures wait on the disk, not in memory
        first: Any = None
        for document in documents:
            made = HTML(string=document, url_fetcher=fetcher).render(cache=kept)
            first = first or made
            if len(documents) == 1 or len(made.pages) == 1:
                break
        else:
            made = first
        data = made.write_pdf()
    assert isinstance(data, bytes)
    return data


def _fetcher(folder: Path) -> Any:
    from weasyprint.urls import URLFetcher, URLFetcherResponse

    class Inside(URLFetcher):  # type: ignore[misc]
        def fetch(self, url: str, headers: Any = None) -> Any:
            name, _, longest = url.removeprefix(SCHEME).partition("/")
            if not url.startswith(SCHEME) or not longest.isdecimal():
                return nothing_fetched(url)
            try:
                data = small_photo(name, min(int(longest), 1600), folder)
            except (PhotoError, OSError) as error:
                raise ValueError(f"{url}: {error}") from None
            return URLFetcherResponse(url, data, {"Content-Type": "image/jpeg"})

    return Inside()
