"""Find a drawn scale bar in an image: an even, straight-sided, elongated rectangle.

Two steps. A search on a reduced picture lists thin, straight, isolated pieces of
every width, bright and dark, lying or standing. Each piece is then measured where
the pixels are fine: two straight lines through its sides give the axis, the half
height of the edge between bar and surround gives its ends. The same samples say
how much it looks like a bar at all: even inside, straight sides, sharp ends, the
same surround beyond the ends as beside the sides. A slab, a core, a band, a row of
standards fails one of these.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import ceil
from typing import Any, Protocol

from numpy.typing import NDArray

from bandkit.errors import ScaleError
from bandkit.images.blocks import block_means
from bandkit.scale.edges import measure
from bandkit.scale.piece import FoundBar, Point, bar_of, linear_light, piece_of, to_grey
from bandkit.scale.search import MIN_ASPECT, grey_span, straight_pieces

Read = Callable[[int, int, int, int], NDArray[Any]]
Box = tuple[float, float, float, float]

REMEDY = "give its ends: scale.bar = { from_px = [x, y], to_px = [x, y], length_mm = ... }"
MIN_CONFIDENCE = 0.45
"""Below this a find is taken for something else."""
SURE_CONFIDENCE = 0.7
"""Below this a find is used, but flagged as doubtful."""

_OVERVIEW_PX = 1600
_SURROUND = 2.5  # of the widest bar that a box may hold: what is read around the box
_LEAST_SURROUND_PX = 40.0
_MAX_MEASURED = 24
_RIVAL = 0.7  # a second piece with this share of the best one's score leaves the choice to a person
_HOPELESS = 0.02
_HOPELESS_SHARE = 0.6  # of the length that halves the confidence
_SHORTEST = 0.025  # of the longer side: strokes of a label are shorter
_SHORTEST_IN_BOX = 0.12  # of the longer side of a box that a person draws: it is drawn round the bar
_WIDEST = 0.12  # of the shorter side: cores are wider


class OverviewLike(Protocol):
    """Block means of an image, and the block's side in pixels."""

    @property
    def values(self) -> NDArray[Any]:
        """Block means, shape (rows, columns) or (rows, columns, 3)."""

    @property
    def step_px(self) -> int:
        """Pixels to a block side."""


def find_bar(grey: NDArray[Any], *, origin_px: Point = (0.0, 0.0), size_px: tuple[int, int] | None = None) -> FoundBar:
    r"""Find the scale bar in an image or in a box cut from one.

    Parameters
    ----------
    grey : ndarray of shape (height, width) or (height, width, 3)
        Pixels as displayed, at full resolution; colours are averaged.
    origin_px : tuple of float, optional
        Position of the first pixel in the whole image; added to the ends.
    size_px : tuple of int, optional
        Width and height of the whole image where ``grey`` is a box cut from it: a
        bar is thin against the image, not against the box.

    Returns
    -------
    FoundBar
        The most bar-like piece, whatever its confidence above `MIN_CONFIDENCE`.

    Raises
    ------
    ScaleError
        Nothing in the image looks like a scale bar.

    Notes
    -----
    Found are solid bars at least three times as long as wide, horizontal or vertical
    to within about 12 degrees, with some free surround on all sides. An end is where
    the grey along the middle line is half way between bar and surround,
    :math:`u_e = u_a + \int_{u_a}^{u_b} (p(u) - p_{out}) / (p_{in} - p_{out})\,du`,
    which blur does not shift; it is taken over the middle rows of the bar. Blur
    happens in the light, so colours stored as whole numbers are decoded first: in
    encoded greys a blurred bright bar seems longer.
    """
    height, width = grey.shape[:2]
    step = -(-max(height, width) // _OVERVIEW_PX)
    return _search(_View(overview=block_means(grey, step), step_px=step, read=_reader(grey), size_px=(width, height),
                         image_size_px=size_px or (width, height), origin_px=origin_px))


def search_bar(overview: NDArray[Any], step_px: int, read: Read, *, size_px: tuple[int, int],
               image_size_px: tuple[int, int] | None = None) -> FoundBar:
    """Find the scale bar in an image or a region of it of which only an overview is at hand.

    Parameters
    ----------
    overview : ndarray of shape (rows, columns) or (rows, columns, 3)
        Block means.
    step_px : int
        Pixels to a block side.
    read : callable
        ``read(x0, y0, x1, y1)`` gives the pixels of a region, ends excluded.
    size_px : tuple of int
        Width and height of what the overview shows.
    image_size_px : tuple of int, optional
        Width and height of the whole image where the overview shows a region of it.

    Returns
    -------
    FoundBar
        The most bar-like piece, ends in pixels as ``read`` counts them.

    Raises
    ------
    ScaleError
        Nothing in the image looks like a scale bar.
    """
    return _search(_View(overview=overview, step_px=step_px, read=read, size_px=size_px,
                         image_size_px=image_size_px or size_px))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _View:
    """Part of an image to search: its overview, where its first pixel lies, and the box the bar must lie in."""

    overview: NDArray[Any]
    step_px: int
    read: Read
    size_px: tuple[int, int]
    image_size_px: tuple[int, int]
    origin_px: Point = (0.0, 0.0)
    box_px: Box | None = None

    @property
    def sought_px(self) -> Box:
        """Where the bar must lie, as ``read`` counts pixels."""
        if self.box_px is None:
            return 0.0, 0.0, float(self.size_px[0]), float(self.size_px[1])
        (x, y), (x0, y0, x1, y1) = self.origin_px, self.box_px
        return max(x0 - x, 0.0), max(y0 - y, 0.0), min(x1 - x, self.size_px[0]), min(y1 - y, self.size_px[1])

    @property
    def name(self) -> str:
        """What a message calls it."""
        return "the image" if self.box_px is None else f"the box {[round(v) for v in self.box_px]}"

    @property
    def key(self) -> str:
        """The record's key that a message is about."""
        return "scale.bar" if self.box_px is None else "scale.bar.within_px"

    def full_size(self, bar: FoundBar) -> FoundBar:
        """Return a bar of the overview in pixels of the image."""
        x, y = self.origin_px
        return bar_of(piece_of(bar).scaled(self.step_px), bar.sd_px * self.step_px).moved(x, y)


def _reader(grey: NDArray[Any]) -> Read:
    """Read from pixels in memory."""

    def read(x0: int, y0: int, x1: int, y1: int) -> NDArray[Any]:
        return grey[y0:y1, x0:x1]

    return read


def _search(view: _View) -> FoundBar:
    """Find the bar of a view; its ends are in pixels of the image."""
    best, rivals = _choose(_candidates(view), view)
    fine = _measure_fine(best, view.step_px, view.read, view.size_px).moved(*view.origin_px)
    best = replace(fine, confidence=min(fine.confidence, best.confidence))
    if best.confidence < MIN_CONFIDENCE:
        msg = (f"{view.key}: the most likely scale bar in {view.name}, at {_place(best)}, is too unclear "
               f"(confidence {best.confidence:.2f}); {REMEDY}")
        raise ScaleError(msg)
    if view.box_px is not None and not _inside(best, view.box_px):
        msg = f"scale.bar.within_px: the bar runs out of {view.name}; draw the box larger, or {REMEDY}"
        raise ScaleError(msg)
    if rivals:
        msg = (f"{view.key}: {len(rivals) + 1} places in {view.name} look like a scale bar, among them {_place(best)} "
               f"and {_place(view.full_size(rivals[0]))}; {REMEDY}")
        raise ScaleError(msg)
    return best


def _candidates(view: _View) -> list[FoundBar]:
    """Measured pieces of the overview, best first."""
    grey = to_grey(view.overview)
    x0, y0, x1, y1 = (value / view.step_px for value in view.sought_px)
    sought = grey[int(y0) : ceil(y1) + 1, int(x0) : ceil(x1) + 1]
    longest_px = max(x1 - x0, y1 - y0) * view.step_px
    least_px = (_SHORTEST if view.box_px is None else _SHORTEST_IN_BOX) * longest_px
    shortest_px = _HOPELESS_SHARE * least_px / view.step_px
    pieces = [piece for piece in straight_pieces(grey, grey_span(sought), shortest_px)
              if _touches(bar_of(piece, 0.0), (x0, y0, x1, y1))]
    pieces = sorted(pieces, key=lambda piece: -piece.rank)[:_MAX_MEASURED]
    measured = [bar for piece in pieces if (bar := measure(grey, piece)) is not None]
    widest_px = _WIDEST * min(view.image_size_px)
    sized = [replace(bar, confidence=bar.confidence * _size_likeness(bar, view.step_px, least_px, widest_px))
             for bar in measured]
    return _without_margins(_distinct(sized))


def _choose(bars: list[FoundBar], view: _View) -> tuple[FoundBar, list[FoundBar]]:
    """Take the best of distinct bars, and those in the same box that come close to it."""
    if not bars or bars[0].confidence < _HOPELESS:
        msg = f"{view.key}: no scale bar was found in {view.name}; {REMEDY}"
        raise ScaleError(msg)
    rivals = [bar for bar in bars[1:] if _score(bar) > _RIVAL * _score(bars[0])]
    if view.box_px is not None:
        rivals = [bar for bar in rivals if _inside(view.full_size(bar), view.box_px)]
    return bars[0], rivals


def _place(bar: FoundBar) -> str:
    """Where a bar begins, for a message."""
    return f"[{bar.from_px[0]:.0f}, {bar.from_px[1]:.0f}]"


def find_bar_within(box_px: Box | None, *, size_px: tuple[int, int], read: Read,
                    overview: Callable[[], OverviewLike]) -> FoundBar:
    """Find the scale bar in a box of an image or, without a box, anywhere in it.

    Parameters
    ----------
    box_px : tuple of float or None
        Box x0, y0, x1, y1.
    size_px : tuple of int
        Width and height of the image.
    read : callable
        ``read(x0, y0, x1, y1)`` gives the pixels of a region, ends excluded.
    overview : callable
        Gives block means of the whole image; called only for a large region.

    Returns
    -------
    FoundBar
        The bar, in pixels of the image.

    Raises
    ------
    ScaleError
        Nothing there looks like a scale bar, or the bar runs out of the box.
    """
    x0, y0, x1, y1 = _region(box_px, size_px)
    if max(x1 - x0, y1 - y0) <= _OVERVIEW_PX:
        pixels = read(x0, y0, x1, y1)
        return _search(_View(overview=pixels, step_px=1, read=_reader(pixels), size_px=(x1 - x0, y1 - y0),
                             image_size_px=size_px, origin_px=(x0, y0), box_px=box_px))
    seen = overview()
    step = seen.step_px
    left, top = x0 // step * step, y0 // step * step

    def read_shifted(a: int, b: int, c: int, d: int) -> NDArray[Any]:
        return read(a + left, b + top, c + left, d + top)

    blocks = seen.values[top // step : -(-y1 // step), left // step : -(-x1 // step)]
    return _search(_View(overview=blocks, step_px=step, read=read_shifted, size_px=(x1 - left, y1 - top),
                         image_size_px=size_px, origin_px=(left, top), box_px=box_px))


def _region(box_px: Box | None, size_px: tuple[int, int]) -> tuple[int, int, int, int]:
    """Whole pixels of a box with surround enough to see a bar that fills it, within the image."""
    width, height = size_px
    if box_px is None:
        return 0, 0, width, height
    sides = sorted((box_px[2] - box_px[0], box_px[3] - box_px[1]))
    widest = min(sides[0], sides[1] / MIN_ASPECT, _WIDEST * max(size_px))  # that a bar in the box may be
    margin = max(_SURROUND * widest, _LEAST_SURROUND_PX)
    x0, y0 = max(int(box_px[0] - margin), 0), max(int(box_px[1] - margin), 0)
    x1, y1 = min(int(box_px[2] + margin) + 2, width), min(int(box_px[3] + margin) + 2, height)
    overlaps = box_px[0] < width and box_px[1] < height and box_px[2] > 0 and box_px[3] > 0
    if not (sides[0] > 0 and overlaps):
        msg = f"scale.bar.within_px: the box {list(box_px)} is empty or outside the image of {width} x {height} px"
        raise ScaleError(msg)
    return x0, y0, x1, y1


def _inside(bar: FoundBar, box: Box) -> bool:
    """Whether both ends lie in a box, to within two pixels."""
    return all(_in_box(end, box, 2.0) for end in (bar.from_px, bar.to_px))


def _touches(bar: FoundBar, box: Box) -> bool:
    """Whether a good part of a bar's middle line lies in a box."""
    (ax, ay), (bx, by) = bar.from_px, bar.to_px
    return any(_in_box((ax + t * (bx - ax), ay + t * (by - ay)), box, 0.0) for t in (0.2, 0.35, 0.5, 0.65, 0.8))


def _in_box(point: Point, box: Box, slack: float) -> bool:
    """Whether a point lies in a box, or no further out than ``slack``."""
    return box[0] - slack <= point[0] <= box[2] + slack and box[1] - slack <= point[1] <= box[3] + slack


def _size_likeness(bar: FoundBar, step_px: int, least_px: float, widest_px: float) -> float:
    """Whether a piece is as large as a scale bar is drawn: longer than a letter, thinner than a core."""
    too_short = least_px / (bar.length_px * step_px)
    too_wide = bar.width_px * step_px / widest_px
    return float(1 / (1 + too_short**4) / (1 + too_wide**4))


def _distinct(bars: list[FoundBar]) -> list[FoundBar]:
    """Best first, each piece of the image once."""
    kept: list[FoundBar] = []
    for bar in sorted(bars, key=lambda b: -_score(b)):
        if not any(_overlap(bar, other) for other in kept):
            kept.append(bar)
    return kept


def _without_margins(bars: list[FoundBar]) -> list[FoundBar]:
    """Leave out what runs along a shorter bar of the other shade: the margin of the card that it is printed on."""
    clear = [bar for bar in bars if bar.confidence >= MIN_CONFIDENCE]
    return [bar for bar in bars if not any(_is_margin(bar, other) for other in clear)]


def _is_margin(bar: FoundBar, other: FoundBar) -> bool:
    """Whether a piece lies against a long side of another one that is of the other shade and shorter."""
    if bar.bright == other.bright or bar.length_px <= other.length_px:
        return False
    along, across = _middle_seen_from(other, bar)
    apart = (bar.width_px + other.width_px) / 2
    return 0 <= along <= bar.length_px and abs(abs(across) - apart) <= 0.2 * apart + 2


def _score(bar: FoundBar) -> float:
    """Confidence, with some credit for length: strokes of a label are bar-like too."""
    return float(bar.confidence * bar.length_px**0.5)


def _overlap(bar: FoundBar, other: FoundBar) -> bool:
    """Whether the middle of one lies on the other."""
    return _on(bar, other) or _on(other, bar)


def _on(bar: FoundBar, other: FoundBar) -> bool:
    """Whether the middle of ``bar`` lies within ``other``."""
    along, across = _middle_seen_from(bar, other)
    return 0 <= along <= other.length_px and abs(across) <= other.width_px / 2


def _middle_seen_from(bar: FoundBar, other: FoundBar) -> tuple[float, float]:
    """Where the middle of ``bar`` lies, along ``other`` from its first end and across it."""
    (ax, ay), (bx, by) = other.from_px, other.to_px
    dx, dy = (bx - ax) / other.length_px, (by - ay) / other.length_px
    x, y = (bar.from_px[0] + bar.to_px[0]) / 2 - ax, (bar.from_px[1] + bar.to_px[1]) / 2 - ay
    return x * dx + y * dy, y * dx - x * dy


def _measure_fine(bar: FoundBar, step: int, read: Read, size_px: tuple[int, int]) -> FoundBar:
    """Measure again at full resolution, in linear light, a bar found on the overview."""
    rough = piece_of(bar).scaled(step)
    margin = 3 * rough.width + 6 * step + 20
    half_x = abs(rough.dx) * rough.length / 2 + margin
    half_y = abs(rough.dy) * rough.length / 2 + margin
    x0, y0 = max(int(rough.x - half_x), 0), max(int(rough.y - half_y), 0)
    x1, y1 = min(int(rough.x + half_x) + 1, size_px[0]), min(int(rough.y + half_y) + 1, size_px[1])
    fine = measure(to_grey(linear_light(read(x0, y0, x1, y1))), rough.moved(-x0, -y0), slack=2.0 * step)
    if fine is None:
        return replace(bar_of(rough, 0.5 * step), confidence=0.0)
    return fine.moved(x0, y0)
