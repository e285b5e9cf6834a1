"""Addresses."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path, re_path, register_converter
from django.urls.converters import IntConverter, StringConverter
from django.views.i18n import set_language

from refettle.web.views import (
    bench,
    board,
    correct,
    discharge,
    experience,
    faults,
    handover,
    job,
    library,
    mark,
    money,
    one_way,
    orders,
    orders_plan,
    people,
    photos,
    power_on,
    prices,
    prices_import,
    privacy,
    proving,
    publish,
    readings,
    replace,
    second,
    since,
    stores,
    stores_count,
    stores_due,
    stores_labels,
    stores_new,
    strip_down,
    take_in,
    unpack,
    whitening,
    whitening_photo,
)


class NumberConverter(IntConverter):
    """A job's or entry's number, small enough for the database."""

    regex = "[1-9][0-9]{0,8}"


class Sha256Converter(StringConverter):
    """What names a kept file."""

    regex = "[0-9a-f]{64}"


class WhichConverter(StringConverter):
    """The pictures made from a photo read for yellowness."""

    regex = "map|before|after"


class SecretConverter(StringConverter):
    """Of a link that signs a phone in."""

    regex = "[A-Za-z0-9_-]{43}"


register_converter(NumberConverter, "number")
register_converter(SecretConverter, "secret")
register_converter(Sha256Converter, "sha256")
register_converter(WhichConverter, "which")

urlpatterns: list[URLPattern | URLResolver] = [
    path("", bench.bench, name="bench"),
    path("closed/", bench.closed_jobs, name="closed"),
    path("take-in/", take_in.choose_type, name="take-in"),
    path("take-in/<str:slug>/", take_in.take_in, name="take-in-form"),
    path("jobs/<number:number>/", job.job, name="job"),
    path("jobs/<number:number>/log.jsonl", job.log_file, name="log-file"),
    path("jobs/<number:number>/log/<number:n>/", correct.correct, name="correct"),
    path("jobs/<number:number>/next/", bench.next_cell, name="next"),
    path("jobs/<number:number>/faults/", faults.faults, name="faults"),
    path("jobs/<number:number>/power-on/", power_on.power_on, name="power-on"),
    path("jobs/<number:number>/board/", board.board, name="board"),
    path("jobs/<number:number>/replace/", replace.replace, name="replace"),
    path("jobs/<number:number>/strip-down/", strip_down.strip_down, name="strip-down"),
    path("jobs/<number:number>/one-way/", one_way.one_way, name="one-way"),
    path("jobs/<number:number>/money/", money.money, name="money"),
    path("jobs/<number:number>/money/quote/<number:n>/", money.quote_sheet, name="quote-sheet"),
    path("jobs/<number:number>/proving/", proving.proving, name="proving"),
    path("jobs/<number:number>/publish/", publish.publish, name="publish"),
    path("jobs/<number:number>/publish/listing.txt", publish.listing_file, name="listing-file"),
    path("jobs/<number:number>/publish/story.zip", publish.story_file, name="story-file"),
    path("jobs/<number:number>/handover/", handover.handover, name="handover"),
    path("jobs/<number:number>/handover/full/", handover.handover_full, name="handover-full"),
    path("jobs/<number:number>/handover/report.pdf", handover.handover_pdf, name="handover-pdf"),
    path("tools/", include("refettle.web.tool_urls")),
    path("jobs/unpack/", unpack.send, name="job-unpack"),
    path("jobs/unpack/<token:token>/", unpack.look_at, name="job-unpack-look"),
    path("kits/", include("refettle.web.kit_urls")),
    path("stores/", stores.stores, name="stores"),
    path("stores/new/", stores_new.new, name="stores-new"),
    path("stores/receive/", stores_new.receive, name="stores-receive"),
    path("stores/count/", stores_count.count, name="stores-count"),
    path("stores/labels/", stores_labels.labels, name="stores-labels"),
    path("stores/reorder/", stores_due.to_reorder, name="stores-reorder"),
    path("stores/look-again/", stores_due.look_again, name="stores-look-again"),
    path("stores/<str:code>/", stores.part, name="stores-part"),
    path("jobs/<number:number>/readings/", readings.readings, name="readings"),
    path("jobs/<number:number>/readings/<number:n>/", readings.reading, name="reading"),
    path("jobs/<number:number>/readings/<number:n>/again/", readings.read_again, name="read-again"),
    path("jobs/<number:number>/readings/<number:n>/plot/", readings.reading_plot, name="reading-plot"),
    path("jobs/<number:number>/whitening/", whitening.whitening, name="whitening"),
    path("jobs/<number:number>/whitening/<number:n>/", whitening_photo.kept, name="whitening-kept"),
    path(
        "jobs/<number:number>/whitening/<number:n>/<which:which>.png",
        whitening_photo.kept_picture,
        name="whitening-picture",
    ),
    path("jobs/<number:number>/whitening/photo/<sha256:sha256>/", whitening_photo.photo, name="whitening-photo"),
    path(
        "jobs/<number:number>/whitening/photo/<sha256:sha256>/map.png", whitening_photo.photo_map, name="whitening-map"
    ),
    path("experience/", experience.experience_page, name="experience"),
    path("experience/advice/", experience.advice_page, name="experience-advice"),
    path("experience/export.json", experience.export_file, name="experience-export"),
    path("suppliers/", prices.suppliers, name="suppliers"),
    path("suppliers/<number:number>/", prices.supplier, name="supplier"),
    path("suppliers/<number:number>/import/", prices_import.import_page, name="supplier-import"),
    path("suppliers/<number:number>/parts/", prices.links, name="supplier-links"),
    path("suppliers/<number:number>/number/", prices.number_page, name="supplier-number"),
    path("suppliers/<number:number>/prices.csv", prices.prices_csv, name="supplier-csv"),
    path("suppliers/<number:number>/lists/<number:list_number>/", prices.price_list, name="supplier-list"),
    path("suppliers/<number:number>/lists/<number:list_number>/file/", prices.list_file, name="supplier-file"),
    path("owners/", privacy.owners, name="owners"),
    path("owners/<number:number>/", privacy.owner_page, name="owner"),
    path("owners/<number:number>/export.zip", privacy.owner_export, name="owner-export"),
    path("owners/<number:number>/erase/", privacy.owner_erase, name="owner-erase"),
    path("orders/", orders.orders_page, name="orders"),
    path("orders/plan/", orders_plan.plan_form, name="orders-plan"),
    path("orders/plan/<number:number>/", orders_plan.plan_page, name="orders-plan-kept"),
    path("orders/<number:number>/", orders.order_page, name="order"),
    path("orders/<number:number>/order.csv", orders.order_csv, name="order-csv"),
    path("orders/<number:number>/receive/", orders.receive_page, name="order-receive"),
    path("mark/", mark.marking, name="mark"),
    path("capacitor/discharge/", discharge.discharge_page, name="discharge"),
    path("types/", library.types, name="types"),
    path("types/<str:slug>/", library.unit_type, name="type"),
    path("types/<str:slug>/file/", library.type_file, name="type-file"),
    path("kinds/", library.kinds, name="kinds"),
    path("kinds/<slug:kind_id>/", library.kind, name="kind"),
    path("cautions/", library.cautions, name="cautions"),
    path("help/", library.help_page, name="help"),
    path("language/", set_language, name="set_language"),
    path("jobs/<number:number>/since/", since.since, name="since"),
    path("sign-in/", people.sign_in, name="sign-in"),
    path("sign-in/code/", second.code, name="sign-in-code"),
    path("sign-out/", people.sign_out, name="sign-out"),
    path("me/", people.me, name="me"),
    path("me/second/", second.second, name="second"),
    path("phone/", people.phone, name="phone"),
    path("join/<secret:secret>/", people.join, name="join"),
    path("people/", people.everybody, name="people"),
    path("people/<number:number>/", people.one, name="people-one"),
    re_path(r"^photos/(?P<sha256>[0-9a-f]{64})/(?P<size>[a-z]+)$", photos.photo, name="photo"),
]

handler400 = "refettle.web.views.errors.bad_request"
handler403 = "refettle.web.views.errors.forbidden"
handler404 = "refettle.web.views.errors.not_found"
handler500 = "refettle.web.views.errors.server_error"
