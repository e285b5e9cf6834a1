"""Places labels beside marked things so that they hide neither each other nor what is marked."""

from __future__ import annotations

from html import escape

Box = tuple[float, float, float, float]  # left, top, right, bottom, in the drawing's units
LETTER = 0.62  # width of a bold letter in heights; an average of common screen fonts, estimate
MANY = 600  # from here every label stands above its part, and nothing else is named
_ALL_ROUND = ((0, -1), (0, 1), (1, 0), (-1, 0), (1, -1), (-1, -1), (1, 1), (-1, 1))


def overlap(a: Box, b: Box) -> float:
    """Area that two boxes share."""
    return max(0.0, min(a[2], b[2]) - max(a[0], b[0])) * max(0.0, min(a[3], b[3]) - max(a[1], b[1]))


class Labels:
    """Labels of one height.

    Parameters
    ----------
    size : float
        Height of the letters.
    marked : list of Box
        What no label may hide.
    frame : Box
        Where labels may lie.
    """

    def __init__(self, size: float, marked: list[Box], frame: Box) -> None:
        self.size = size
        self.marked = marked
        self.frame = frame
        self.labels: list[Box] = []

    def taken(self, box: Box) -> bool:
        """True where a label or something marked lies."""
        if len(self.marked) > MANY:
            return True
        return any(overlap(box, other) for other in (*self.labels, *self.marked))

    def place(self, text: str, part: Box) -> str:
        """The label, with a leader line where there is no room close by, as SVG."""
        wide, high = LETTER * self.size * len(text), self.size
        left, top, right, bottom = part
        x, y = (left + right) / 2, (top + bottom) / 2
        best: tuple[float, Box, bool] | None = None
        for ring in range(7 if len(self.marked) <= MANY else 1):
            gap = 0.5 + ring * 0.9 * self.size
            side_x, side_y = (right - left) / 2 + gap + wide / 2, (bottom - top) / 2 + gap + high / 2
            for dx, dy in _ALL_ROUND:
                cx, cy = x + dx * side_x, y + dy * side_y
                box = (cx - wide / 2, cy - high / 2, cx + wide / 2, cy + high / 2)
                if len(self.marked) > MANY:
                    best = 0.0, box, False
                    break
                cost = 3 * sum(overlap(box, b) for b in self.labels) + sum(overlap(box, b) for b in self.marked)
                outside = wide * high - overlap(box, self.frame)
                cost = round(cost + 2 * outside, 6) + 0.02 * ring
                if best is None or cost < best[0]:
                    best = cost, box, ring > 0
            if best is not None and best[0] <= 0.02 * ring + 1e-9:
                break
        if best is None:
            return ""
        _, box, away = best
        self.labels.append(box)
        cx, cy = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
        lead = f'<path class="bm-lead" d="M{x:.2f} {y:.2f}L{cx:.2f} {cy:.2f}"/>' if away else ""
        return (
            f'{lead}<text class="bm-label" x="{cx:.2f}" y="{cy + 0.36 * self.size:.2f}" font-size="{self.size:.2f}" '
            f'text-anchor="middle">{escape(text)}</text>'
        )
