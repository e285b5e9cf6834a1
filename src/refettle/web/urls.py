"""Addresses."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, re_path

from refettle.web.views import photos

urlpatterns: list[URLPattern | URLResolver] = [
    re_path(r"^photos/(?P<sha256>[0-9a-f]{64})/(?P<size>[a-z]+)$", photos.photo, name="photo"),
]

handler400 = "refettle.web.views.errors.bad_request"
