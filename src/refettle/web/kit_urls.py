"""Addresses of the pages about kits."""

from __future__ import annotations

from django.urls import path

from refettle.web.views import kits, kits_bench, kits_find, kits_new, kits_sheets

urlpatterns = [
    path("", kits.kits_page, name="kits"),
    path("new/", kits_new.new_kit, name="kit-new"),
    path("<number:number>/", kits.kit_version, name="kit-version"),
    path("<number:number>/sheet/", kits_sheets.contents, name="kit-sheet"),
    path("batch/<number:number>/", kits_bench.batch_page, name="kit-batch"),
    path("batch/<number:number>/labels/", kits_sheets.labels, name="kit-labels"),
    path("lot/<number:number>/", kits_find.lot_page, name="kit-lot"),
    path("find/", kits_find.find_form, name="kit-find-form"),
    path("find/<str:code>/", kits_find.kit_page, name="kit-find"),
]
