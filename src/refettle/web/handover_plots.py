"""The plots of a job's full record: files read again as their entries say, and the fall of each whitened part."""

from __future__ import annotations

import time
from dataclasses import dataclass

from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe

from refettle.book import batches
from refettle.drawing.plot_alone import stand_alone
from refettle.language import tr
from refettle.web.batch_views import part_view
from refettle.web.plots import PlotView
from refettle.web.views.common import JobView
from refettle.web.views.readings import TROUBLES, StillBeingReadError, first_plot
from refettle.web.wording import step_name

MOST, WAIT_S = 24, 20.0
"""At most so many readings are drawn, and so long is waited for all of them [s]; what is kept comes at once."""


@dataclass(frozen=True)
class Drawn:
    """A plot of the record, or why there is none. `n`: the entry of a reading."""

    title: str
    says: str
    svg: SafeString | str = ""
    n: int = 0


def whitening_plots(view: JobView) -> tuple[PlotView, ...]:
    """The fall of each part that was read often enough."""
    if view.state is None:
        return ()
    book, now = view.state.whitening, timezone.localtime()
    found: list[PlotView] = []
    for place, part in enumerate(book.parts, start=1):
        batch = book.batch_of(part)
        earlier = batches.earlier_batches(but=batch.name) if batch is not None else ()
        found += part_view(book, part, earlier, now, f"part-{place}").plots
    return tuple(found)


def reading_titles(view: JobView) -> tuple[tuple[int, str], ...]:
    """Each file read: its entry, and where it was taken."""
    if view.state is None:
        return ()
    blocks = view.state.compiled.loaded.blocks
    return tuple(
        (e.n, blocks[p].name if (p := str(e.data["place"])) in blocks else step_name(view.state.compiled, p))
        for e in view.state.readings
    )


def drawn_plots(view: JobView) -> tuple[Drawn, ...]:
    """All of them, to stand by themselves in a document."""
    if view.state is None:
        return ()
    ends, found = time.monotonic() + WAIT_S, []
    entries = {entry.n: entry for entry in view.state.readings}
    for n, place in reading_titles(view)[:MOST]:
        title = tr("{place}, entry {n}", place=place, n=n)
        try:
            plot = first_plot(entries[n], f"plot-{n}", max(0.01, ends - time.monotonic()))
        except StillBeingReadError:
            found.append(Drawn(title, tr("Not drawn: the file is still being read. Ask for the report again."), n=n))
        except TROUBLES as trouble:
            found.append(Drawn(title, tr("Not read again: {trouble}", trouble=trouble), n=n))
        else:
            found.append(Drawn(f"{title}: {plot.title}", plot.says, _alone(plot), n))
    left = len(view.state.readings) - MOST
    if left > 0:
        found.append(Drawn(tr("{left} more readings", left=left), tr("Their figures stand in the log below.")))
    found += [Drawn(plot.title, plot.says, _alone(plot)) for plot in whitening_plots(view)]
    return tuple(found)


def _alone(plot: PlotView) -> SafeString:
    return mark_safe(stand_alone(plot.svg))  # noqa: S308 - our own drawing, which escapes all text
