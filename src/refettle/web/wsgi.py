"""The WSGI application, for `refettle serve` and for any other WSGI server."""

from __future__ import annotations

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "refettle.web.settings")
application = get_wsgi_application()
