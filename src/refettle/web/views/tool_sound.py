"""A recording looked at: hum and what it points to, noise, distortion, tape speed, before and after; the test tones."""

from __future__ import annotations

from functools import lru_cache
from io import BytesIO

from django.conf import settings
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_safe

from refettle.language import tr
from refettle.sound import FileSource, SoundError, SoundReading, Stopped, make_tones, read_sound
from refettle.sound.compare import compare
from refettle.web import longwork, shelf
from refettle.web.keeping import keep_view
from refettle.web.probing import tool_cautions
from refettle.web.sounds import Asked, asked_of, change_view, sound_view, typed_sound
from refettle.web.views.tools import address, gone, sent_file, under_way

CAUTIONS = ("mains", "hot-chassis", "charged-capacitor", "loud-sound")
RATES = (44_100, 48_000, 96_000)


def _form() -> dict[str, object]:
    most: int = settings.REFETTLE_MAX_RECORDING_BYTES
    return {"area": "tools", "most": most // 1_000_000, "rates": RATES, "cautions": tool_cautions(CAUTIONS)}


@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def sound(request: HttpRequest) -> HttpResponse:
    """The form; POST takes one recording or two and goes on to the reading."""
    error = ""
    typed = typed_sound(request.POST if request.method == "POST" else request.GET)
    if request.method == "POST":
        most: int = settings.REFETTLE_MAX_RECORDING_BYTES
        try:
            kept = sent_file(request, "file", tr("Recording"), most)
            more = {}
            if request.FILES.get("before"):
                more["before"] = sent_file(request, "before", tr("Recording made before"), most).token
            return redirect(address("sound-file", [kept.token], typed | more))
        except shelf.ShelfError as trouble:
            error = str(trouble)
    context = _form() | {"error": error, "typed": typed}
    return render(request, "refettle/sound.html", context, status=422 if error else 200)


@require_safe
def sound_file(request: HttpRequest, token: str) -> HttpResponse:
    """The reading of a recording, against one made before if there is one."""
    kept, before_token = shelf.find(token), request.GET.get("before", "")[:40]
    before = shelf.find(before_token) if before_token else None
    if kept is None or (before_token and before is None):
        return gone(request, "sound")
    typed = typed_sound(request.GET)
    error, done = "", []
    try:
        asked = asked_of(typed)
        for each in (kept, before):
            if each is None:
                continue
            work = sound_work(each, typed, asked)
            page = under_way(request, work)
            if page is not None:
                return page
            if work.error:
                error = work.error
                break
            done.append(work.result)
        changes = change_view(compare(done[1], done[0])) if len(done) == 2 else None
    except (SoundError, longwork.TooMuchWork) as trouble:
        error, changes = str(trouble), None
    context = _form() | {
        "kept": kept,
        "before": before,
        "typed": typed,
        "error": error,
        "reading": sound_view(done[0], done[1] if len(done) == 2 else None) if done and not error else None,
        "changes": changes if not error else None,
        "keep": keep_view("sound", typed, done[0]) if done and not error else None,
    }
    return render(request, "refettle/sound_file.html", context, status=422 if error else 200)


def sound_work(kept: shelf.Held, typed: dict[str, str], asked: Asked) -> longwork.Work:
    """The reading of a recording: a SoundReading as its result. Raises TooMuchWork."""

    def run(work: longwork.Work) -> SoundReading:
        def progress(share: float) -> None:
            work.tick(share, tr("Reading the recording") if share < 0.7 else tr("Hum, noise and tones"))

        try:
            with kept.reading() as file:
                return read_sound(
                    FileSource(file),  # type: ignore[arg-type]
                    mains_hz=asked.mains_hz,
                    tone_hz=asked.tone_hz,
                    tape_hz=asked.tape_hz,
                    quiet=asked.quiet,
                    tones=asked.tones,
                    usual_dbfs=asked.usual_dbfs,
                    progress=progress,
                    stop=work.asked_to_stop,
                )
        except Stopped:
            raise longwork.Stopped from None
        except SoundError as error:
            raise SoundError(f"{kept.name}: {error}") from None

    return longwork.work(tr("Reading {name}", name=kept.name), ("sound", kept.token, tuple(sorted(typed.items()))), run)


@lru_cache(maxsize=1)
def _tones(rate: int) -> bytes:
    import soundfile

    file = BytesIO()
    soundfile.write(file, make_tones(rate), rate, subtype="PCM_16", format="WAV")
    return file.getvalue()


@require_safe
def tones(request: HttpRequest, rate: int) -> HttpResponse:
    """The test tones as a file to save."""
    if rate not in RATES:
        allowed = ", ".join(f"{r}" for r in RATES)
        text = tr("sample rate: {rate} Hz found; allowed: {allowed} Hz", rate=rate, allowed=allowed)
        return render(request, "refettle/error.html", {"title": tr("No such test tones"), "text": text}, status=404)
    response = HttpResponse(_tones(rate), content_type="audio/wav")
    response["Content-Disposition"] = f'attachment; filename="refettle-tones-{rate}.wav"'
    return response
