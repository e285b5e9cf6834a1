"""Addresses of the tool pages."""

from __future__ import annotations

from django.urls import URLPattern, path, register_converter
from django.urls.converters import StringConverter

from refettle.web.views import (
    tool_adapter,
    tool_capture,
    tool_ripple,
    tool_sound,
    tool_supply,
    tool_whitening,
    tool_yellow,
    tools,
)


class TokenConverter(StringConverter):
    """What names a file on the shelf or a piece of work."""

    regex = "[A-Za-z0-9_-]{8,40}"


register_converter(TokenConverter, "token")

urlpatterns: list[URLPattern] = [
    path("", tools.tools, name="tools"),
    path("stop/<token:token>/", tools.stop_work, name="stop-work"),
    path("adapter/", tool_adapter.adapter, name="adapter"),
    path("capture/", tool_capture.capture, name="capture"),
    path("capture/<token:token>/", tool_capture.capture_file, name="capture-file"),
    path("ripple/", tool_ripple.ripple, name="ripple"),
    path("ripple/<token:token>/", tool_ripple.ripple_file, name="ripple-file"),
    path("supply/", tool_supply.supply, name="supply"),
    path("supply/of/<str:slug>/", tool_supply.supply_of_type, name="supply-type"),
    path("supply/<token:token>/", tool_supply.supply_file, name="supply-file"),
    path("sound/", tool_sound.sound, name="sound"),
    path("sound/<token:token>/", tool_sound.sound_file, name="sound-file"),
    path("bath/", tool_whitening.bath, name="bath"),
    path("sun/", tool_whitening.sun, name="sun"),
    path("lamp/", tool_whitening.lamp, name="lamp"),
    path("card/", tool_yellow.card, name="card"),
    path("card/<str:name>", tool_yellow.card_file, name="card-file"),
    path("yellow/", tool_yellow.yellow, name="yellow"),
    path("yellow/<token:token>/", tool_yellow.yellow_photo, name="yellow-photo"),
    path("yellow/<token:token>/photo.jpg", tool_yellow.yellow_image, name="yellow-image"),
    path("yellow/<token:token>/map.png", tool_yellow.yellow_map, name="yellow-map"),
    path("tones-<int:rate>.wav", tool_sound.tones, name="tones"),
]
