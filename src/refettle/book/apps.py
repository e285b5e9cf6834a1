"""The app that holds the bench book's models."""

from django.apps import AppConfig


class BookConfig(AppConfig):
    name = "refettle.book"
    label = "book"
    verbose_name = "Bench book"
    default_auto_field = "django.db.models.BigAutoField"
