"""Serving photos."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import pytest
from django.test import Client
from PIL import Image

from refettle.book.models import Photo
from refettle.book.photos import original_path, store_photo


@pytest.fixture
def photo(db: None, own_folders: Path) -> Photo:
    out = BytesIO()
    Image.new("RGB", (64, 48), "teal").save(out, "PNG")
    return store_photo(BytesIO(out.getvalue()), own_folders / "photos")


def test_it_works(client: Client, photo: Photo) -> None:
    for size, mime in (("original", "image/png"), ("screen", "image/jpeg"), ("thumb", "image/jpeg")):
        response = client.get(f"/photos/{photo.sha256}/{size}")
        assert response.status_code == 200
        assert response["Content-Type"] == mime
        assert response["Cache-Control"] == "private, max-age=31536000, immutable"
        assert response["X-Content-Type-Options"] == "nosniff"
        assert response["Content-Security-Policy"] == "default-src 'none'; sandbox"
        ending = "png" if size == "original" else "jpg"
        assert response["Content-Disposition"] == f'inline; filename="{photo.sha256[:16]}-{size}.{ending}"'
        with Image.open(BytesIO(b"".join(response))) as served:  # type: ignore[arg-type]
            assert served.size == (64, 48)


def test_what_the_browser_has_is_not_sent_again(client: Client, photo: Photo) -> None:
    response = client.get(f"/photos/{photo.sha256}/thumb")
    assert b"".join(response)  # type: ignore[arg-type]
    again = client.get(f"/photos/{photo.sha256}/thumb", headers={"If-None-Match": response["ETag"]})
    assert (again.status_code, again.content) == (304, b"")


def test_what_is_not_there(client: Client, photo: Photo, own_folders: Path) -> None:
    assert client.get(f"/photos/{'a' * 64}/thumb").status_code == 404
    assert client.get(f"/photos/{photo.sha256}/huge").status_code == 404
    assert client.get("/photos/..%2f..%2fsecret.key/thumb").status_code == 404
    original_path(own_folders / "photos", photo.sha256, "PNG").unlink()
    response = client.get(f"/photos/{photo.sha256}/original")
    assert response.status_code == 404
    assert b"missing from the photos folder" in response.content


def test_only_for_reading(client: Client, photo: Photo) -> None:
    assert client.post(f"/photos/{photo.sha256}/thumb").status_code == 405
