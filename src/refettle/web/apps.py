"""The app that holds pages, templates and static files."""

from django.apps import AppConfig


class WebConfig(AppConfig):
    name = "refettle.web"
    label = "web"
    verbose_name = "Pages"
