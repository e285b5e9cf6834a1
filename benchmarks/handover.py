"""The handover report's full record as PDF: time, size and memory, beside a bare WeasyPrint page with as many pictures.

    python benchmarks/handover.py [PHOTOS] [FOLDER]

Prints a markdown table. The photos are of 12 megapixels, with the grain of a camera, as JPEG of about 4 MB each. With a
FOLDER the bench book is kept there, and the PDF beside it.
"""

from __future__ import annotations

import io
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

SIZE = (4000, 3000)
ENTRIES = 300
TIMES = 3


def photo(n: int) -> bytes:
    """One photo with shapes, a gradient and grain."""
    import numpy as np
    from PIL import Image, ImageDraw

    rng = np.random.default_rng(n)
    width, height = SIZE
    slope = np.linspace(60, 200, width, dtype=np.float32)[None, :] * np.linspace(0.6, 1.0, height)[:, None]
    grain = rng.normal(0, 6, (height // 2, width // 2)).repeat(2, 0).repeat(2, 1)
    picture = np.clip(slope + grain, 0, 255).astype(np.uint8)
    image = Image.merge("RGB", [Image.fromarray(picture)] * 3)
    draw = ImageDraw.Draw(image)
    for _ in range(120):
        x, y = int(rng.integers(0, width)), int(rng.integers(0, height))
        colour = tuple(int(c) for c in rng.integers(20, 235, 3))
        draw.rectangle((x, y, x + int(rng.integers(20, 400)), y + int(rng.integers(20, 300))), fill=colour)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=92)
    return out.getvalue()


def bare(pictures: list[bytes]) -> bytes:
    """The same number of pictures on bare pages, as they come, by WeasyPrint alone."""
    import base64

    from weasyprint import HTML

    shown = "".join(
        f'<img style="width:86mm" src="data:image/jpeg;base64,{base64.b64encode(p).decode()}">' for p in pictures
    )
    made = HTML(string=f"<title>bare</title>{shown}").write_pdf()
    assert isinstance(made, bytes)
    return made


def timed(work):
    """Median seconds by the clock and of the processor, and what it gave last."""
    took, busy, made = [], [], b""
    for _ in range(TIMES):
        began, worked = time.perf_counter(), time.process_time()
        made = work()
        took.append(time.perf_counter() - began)
        busy.append(time.process_time() - worked)
    return statistics.median(took), statistics.median(busy), made


def memory(home: str, number: int) -> float:
    """The most memory that a process of its own takes to make a job's full record [MB]."""
    words = [sys.executable, "-m", "refettle", "job", "report", str(number), "--full", "--pdf", f"{home}/{number}.pdf"]
    asked = "import resource,subprocess,sys; p = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL); "
    asked += (
        "sys.exit('no report') if p.returncode > 1 else print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    )
    told = subprocess.run([sys.executable, "-c", asked, *words], capture_output=True, text=True, check=True)
    return int(told.stdout) / 1024


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    with tempfile.TemporaryDirectory() as temporary:
        home = sys.argv[2] if len(sys.argv) > 2 else temporary
        os.environ["REFETTLE_HOME"] = home
        from refettle.web.start import start

        start(lambda line: None)
        from django.conf import settings
        from django.core.files.uploadedfile import SimpleUploadedFile

        from refettle.book import store
        from refettle.book.photos import store_photo
        from refettle.knowledge.loading import load_shipped_type
        from refettle.web.handing_over import Asked, pdf, report_of
        from refettle.web.print_pdf import small_photo
        from refettle.web.views.common import get_job

        job = store.open_job(load_shipped_type("larkmere-48"), serial="LK-1")
        kept = []
        for n in range(count):
            data = photo(n)
            kept.append(store_photo(SimpleUploadedFile("p.jpg", data, "image/jpeg"), settings.REFETTLE_PHOTOS).sha256)
            store.append(job, {"kind": "photo", "photo": kept[-1], "caption": f"Layer {n + 1}, from above"}, "Ada")
        for n in range(ENTRIES - count):
            store.append(job, {"kind": "note", "text": f"Note {n + 1}: nothing out of the ordinary."}, "Ada")
        view = get_job(job.number)
        asked = Asked(full=True)
        ours, ours_busy, made = timed(lambda: pdf(view, report_of(view, asked), asked))
        (Path(home) / "full-record.pdf").write_bytes(made)
        small = [small_photo(sha, 800, settings.REFETTLE_PHOTOS) for sha in kept]
        as_small, small_busy, bare_small = timed(lambda: bare(small))
        whole = [next(settings.REFETTLE_PHOTOS.glob(f"*/{sha}.jpg")).read_bytes() for sha in kept]
        as_is, is_busy, bare_whole = timed(lambda: bare(whole))
        print(f"| {count} photos of 12 megapixels | time [s] | of the processor [s] | size [MB] |")
        print("|---|---|---|---|")
        rows = (
            ("full record, 300 entries", ours, ours_busy, made),
            ("bare page, pictures already small", as_small, small_busy, bare_small),
            ("bare page, pictures as taken", as_is, is_busy, bare_whole),
        )
        for name, took, busy, data in rows:
            print(f"| {name} | {took:.1f} | {busy:.1f} | {len(data) / 1e6:.1f} |")
        print(f"\nMost memory of a process that makes it: {memory(home, 1):.0f} MB; of an empty job's: ", end="")
        store.open_job(load_shipped_type("larkmere-48"))
        print(f"{memory(home, 2):.0f} MB.")


if __name__ == "__main__":
    main()
