"""The real server with one extra address that appends a note: kill_server.py PORT."""

import sys
import types

from refettle.web.start import start

start()

from django.conf import settings  # noqa: E402
from django.http import HttpRequest, HttpResponse  # noqa: E402
from django.urls import path  # noqa: E402
from django.views.decorators.csrf import csrf_exempt  # noqa: E402

from refettle.book.store import append, find_job  # noqa: E402
from refettle.web.serve import serve  # noqa: E402


@csrf_exempt
def note(request: HttpRequest) -> HttpResponse:
    """Acknowledges with the entry's number, after the transaction of the request has ended."""
    entry = append(find_job(1), {"kind": "note", "text": request.POST["text"]}, "Ada")
    return HttpResponse(str(entry.n))


urls = types.ModuleType("kill_urls")
urls.urlpatterns = [path("note", note)]  # type: ignore[attr-defined]
sys.modules["kill_urls"] = urls
settings.ROOT_URLCONF = "kill_urls"
serve(port=int(sys.argv[1]), browser=False)
