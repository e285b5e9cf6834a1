"""Addresses of the pages about kits."""

from __future__ import annotations

from django.urls import path

from refettle.web.views.kits import kit_version, kits_page
from refettle.web.views.kits_bench import batch_page
from refettle.web.views.kits_find import find_form, kit_page, lot_page
from refettle.web.views.kits_new import new_kit
from refettle.web.views.kits_sheets import contents, labels

urlpatterns = [
    path("", kits_page, name="kits"),
    path("new/", new_kit, name="kit-new"),
    path("<number:number>/", kit_version, name="kit-version"),
    path("<number:number>/sheet/", contents, name="kit-sheet"),
    path("batch/<number:number>/", batch_page, name="kit-batch"),
    path("batch/<number:number>/labels/", labels, name="kit-labels"),
    path("lot/<number:number>/", lot_page, name="kit-lot"),
    path("find/", find_form, name="kit-find-form"),
    path("find/<str:code>/", kit_page, name="kit-find"),
]
