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

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bandkit.errors import ScaleError

FloatArray = NDArray[np.float64]
Read = Callable[[int, int, int, int], NDArray[Any]]
Point = tuple[float, float]

REMEDY = "give its ends: scale.bar = { from_px = [x, y], to_px = [x, y], length_mm = ... }"
MIN_CONFIDENCE = 0.45
"""Below this a find is taken for something else."""
SURE_CONFIDENCE = 0.7
"""Below this a find is used, but flagged as doubtful."""

_THIN_PX = 5
_MIN_LENGTH_PX = 10
_MIN_ASPECT = 3.0
_MAX_TILT = 0.22
_MIN_CONTRAST = 0.1
_MAX_MEASURED = 24
_OVERVIEW_PX = 1600
_LEAST_END_SD_PX = 0.05
_RIVAL = 0.7
_HOPELESS = 0.02
_SHORTEST = 0.02
_WIDEST = 0.12


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundBar:
    """A scale bar that the program found.

    Parameters
    ----------
    from_px, to_px : tuple of float
        Ends on the bar's middle line, ``(x, y)``; left or upper end first. Of a bar
        with end strokes, the outer faces of the strokes.
    width_px : float
        Distance between its long sides.
    sd_px : float
        Standard deviation of the length.
    confidence : float
        0 to 1, how much it looks like a scale bar.
    bright : bool
        Brighter than its surround.
    """

    from_px: Point
    to_px: Point
    width_px: float
    sd_px: float
    confidence: float
    bright: bool

    @property
    def length_px(self) -> float:
        """Distance between the ends."""
        return float(np.hypot(self.to_px[0] - self.from_px[0], self.to_px[1] - self.from_px[1]))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rough:
    """A piece that may be a bar: middle, unit direction, length, width, and its rank among others."""

    x: float
    y: float
    dx: float
    dy: float
    length: float
    width: float
    sign: int
    rank: float = 0.0

    def scaled(self, step: float) -> _Rough:
        """Return the piece in pixels ``step`` times smaller."""
        return replace(self, x=(self.x + 0.5) * step - 0.5, y=(self.y + 0.5) * step - 0.5,
                       length=self.length * step, width=self.width * step)

    def moved(self, x: float, y: float) -> _Rough:
        """Return the piece seen from another origin."""
        return replace(self, x=self.x + x, y=self.y + y)


def find_bar(grey: NDArray[Any], *, origin_px: Point = (0.0, 0.0), size_px: tuple[int, int] | None = None) -> FoundBar:
    """Find the scale bar in an image or in a box cut from one.

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
    :math:`u_e = u_a + \\int_{u_a}^{u_b} (p(u) - p_{out}) / (p_{in} - p_{out})\\,du`,
    which blur does not shift; it is taken over the middle rows of the bar.
    """
    values = to_grey(grey)
    step = -(-max(values.shape) // _OVERVIEW_PX)

    def read(x0: int, y0: int, x1: int, y1: int) -> NDArray[Any]:
        return values[y0:y1, x0:x1]

    height, width = values.shape
    found = search_bar(block_means(values, step), step, read, size_px=(width, height),
                       widest_px=_WIDEST * min(size_px or (width, height)))
    ox, oy = origin_px
    return replace(found, from_px=(found.from_px[0] + ox, found.from_px[1] + oy),
                   to_px=(found.to_px[0] + ox, found.to_px[1] + oy))


def search_bar(overview: NDArray[Any], step_px: int, read: Read, *, size_px: tuple[int, int],
               widest_px: float | None = None) -> FoundBar:
    """Find the scale bar anywhere in an image of which only an overview is at hand.

    Parameters
    ----------
    overview : ndarray of shape (rows, columns) or (rows, columns, 3)
        Block means of the image.
    step_px : int
        Pixels to a block side.
    read : callable
        ``read(x0, y0, x1, y1)`` gives the pixels of a region, ends excluded.
    size_px : tuple of int
        Width and height of the image.
    widest_px : float, optional
        Width at which half of the confidence is lost; 12 % of the image's shorter
        side where absent.

    Returns
    -------
    FoundBar
        The most bar-like piece, ends in pixels of the image.

    Raises
    ------
    ScaleError
        Nothing in the image looks like a scale bar.
    """
    grey = to_grey(overview)
    widest = widest_px or _WIDEST * min(size_px)
    pieces = sorted(_pieces(grey, _grey_span(grey)), key=lambda piece: -piece.rank)[:_MAX_MEASURED]
    measured = [bar for piece in pieces if (bar := _measure(grey, piece)) is not None]
    sized = [replace(bar, confidence=bar.confidence * _size_likeness(bar, step_px, max(size_px), widest))
             for bar in measured]
    best, rivals = _choose(_distinct(sized))
    if step_px > 1:
        fine = _measure_fine(best, step_px, read, size_px)
        best = replace(fine, confidence=min(fine.confidence, best.confidence))
    x, y = best.from_px
    if best.confidence < MIN_CONFIDENCE:
        msg = (f"scale.bar: the most likely scale bar, at x {x:.0f}, y {y:.0f}, is too unclear "
               f"(confidence {best.confidence:.2f}); {REMEDY}")
        raise ScaleError(msg)
    if rivals:
        places = ", ".join(f"x {(r.from_px[0] + 0.5) * step_px:.0f}, y {(r.from_px[1] + 0.5) * step_px:.0f}" for r in rivals)
        msg = f"scale.bar: as much like a scale bar as the one at x {x:.0f}, y {y:.0f} is what lies at {places}; {REMEDY}"
        raise ScaleError(msg)
    return best


def _choose(bars: list[FoundBar]) -> tuple[FoundBar, list[FoundBar]]:
    """Take the best of distinct bars, and those that come close to it."""
    if not bars or bars[0].confidence < _HOPELESS:
        msg = f"scale.bar: no scale bar was found in the image; {REMEDY}"
        raise ScaleError(msg)
    return bars[0], [bar for bar in bars[1:] if _score(bar) > _RIVAL * _score(bars[0])]


def _size_likeness(bar: FoundBar, step_px: int, longest_side_px: int, widest_px: float) -> float:
    """Whether a piece is as large as a scale bar is drawn: longer than a letter, thinner than a core."""
    too_short = _SHORTEST * longest_side_px / (bar.length_px * step_px)
    too_wide = bar.width_px * step_px / widest_px
    return float(1 / (1 + too_short**4) / (1 + too_wide**4))


def to_grey(values: NDArray[Any]) -> NDArray[np.float32]:
    """Average the colours, if any; the result is float.

    Parameters
    ----------
    values : ndarray of shape (height, width) or (height, width, 3)
        Pixels.

    Returns
    -------
    ndarray of shape (height, width)
        Greys in the same units; places without a value get the median.
    """
    grey = values.mean(axis=2, dtype=np.float32) if values.ndim == 3 else values.astype(np.float32, copy=False)
    missing = ~np.isfinite(grey)
    if missing.any():
        grey = np.where(missing, np.median(grey[~missing]) if not missing.all() else 0.0, grey).astype(np.float32)
    return grey


def block_means(grey: NDArray[np.float32], step: int) -> NDArray[np.float32]:
    """Mean of blocks of ``step`` by ``step`` pixels; an unfinished last row or column of blocks is left out."""
    if step == 1:
        return grey
    h, w = (n // step * step for n in grey.shape)
    return grey[:h, :w].reshape(h // step, step, w // step, step).mean(axis=(1, 3))


def _grey_span(grey: NDArray[np.float32]) -> float:
    """Range of greys, less the odd pixel at either end."""
    sparse = grey[:: max(1, grey.shape[0] // 400), :: max(1, grey.shape[1] // 400)]
    low, high = np.percentile(sparse, [0.5, 99.5])
    return float(high - low)


# ---------------------------------------------------------------------------------------- search


def _pieces(grey: NDArray[np.float32], span: float) -> Iterator[_Rough]:
    """Thin straight pieces of all widths: each halving of the picture looks for twice the width."""
    if not span > 0:
        return
    step = 1
    level = grey
    while max(level.shape) >= 4 * _MIN_LENGTH_PX and min(level.shape) > 2 * _THIN_PX + 1:
        for turned in (False, True):
            for piece in _lying_pieces(level.T if turned else level, _MIN_CONTRAST * span):
                upright = replace(piece, x=piece.y, y=piece.x, dx=piece.dy, dy=piece.dx) if turned else piece
                yield upright.scaled(step)
        level = block_means(level, 2)
        step *= 2


def _lying_pieces(level: NDArray[np.float32], least: float) -> Iterator[_Rough]:
    """Pieces along x that stand out against what lies `_THIN_PX` above and also below."""
    middle = level[_THIN_PX:-_THIN_PX]
    above, below = middle - level[: -2 * _THIN_PX], middle - level[2 * _THIN_PX :]
    for sign, contrast in ((1, np.minimum(above, below)), (-1, -np.maximum(above, below))):
        yield from _straight_parts(contrast, least, sign)


def _straight_parts(contrast: NDArray[np.float32], least: float, sign: int) -> Iterator[_Rough]:
    """Connected parts above ``least`` that are long, straight and filled."""
    from scipy import ndimage

    labels, _ = ndimage.label(contrast > least)
    boxes = ndimage.find_objects(labels)
    sizes = np.bincount(labels.ravel())
    for number in 1 + np.flatnonzero(sizes[1:] >= _MIN_LENGTH_PX):  # noise makes thousands of specks
        box = boxes[number - 1]
        rows, columns = box[0].stop - box[0].start, box[1].stop - box[1].start
        if columns < _MIN_LENGTH_PX or rows > _THIN_PX + 2 + _MAX_TILT * columns:
            continue
        if box[1].start == 0 or box[1].stop == contrast.shape[1]:
            continue  # runs out of the picture: a frame or a table's edge
        y, x = np.nonzero(labels[box] == number)
        part = _part_shape(x, y, contrast[box][y, x])
        if part is not None:
            yield replace(part, sign=sign).moved(box[1].start, box[0].start + _THIN_PX)


def _part_shape(x: NDArray[Any], y: NDArray[Any], contrast: NDArray[Any]) -> _Rough | None:
    """Rectangle with the same moments as the pixels; None where they are not an elongated rectangle."""
    variance_x, variance_y = float(x.var()) + 1 / 12, float(y.var()) + 1 / 12
    covariance = float(np.mean((x - x.mean()) * (y - y.mean())))
    mean, spread = (variance_x + variance_y) / 2, np.hypot((variance_x - variance_y) / 2, covariance)
    length, width = np.sqrt(12 * (mean + spread)), np.sqrt(12 * max(mean - spread, 1 / 12))
    angle = 0.5 * np.arctan2(2 * covariance, variance_x - variance_y)
    filled = x.size / (length * width)
    if length < _MIN_ASPECT * width or filled < 0.6 or abs(np.tan(angle)) > _MAX_TILT:
        return None
    even = float(contrast.mean() / (contrast.mean() + contrast.std()))
    rank = even * min(filled, 1.0) * float(contrast.mean()) * float(np.log(length / width))
    return _Rough(x=float(x.mean()), y=float(y.mean()), dx=float(np.cos(angle)), dy=float(np.sin(angle)),
                  length=float(length), width=float(width), sign=1, rank=rank)


def _distinct(bars: list[FoundBar]) -> list[FoundBar]:
    """Best first, each piece of the image once."""
    kept: list[FoundBar] = []
    for bar in sorted(bars, key=lambda b: -_score(b)):
        if not any(_overlap(bar, other) for other in kept):
            kept.append(bar)
    return kept


def _score(bar: FoundBar) -> float:
    """Confidence, with some credit for length: strokes of a label are bar-like too."""
    return bar.confidence * bar.length_px**0.5


def _overlap(bar: FoundBar, other: FoundBar) -> bool:
    """Whether the middle of one lies on the other."""
    return _on(bar, other) or _on(other, bar)


def _on(bar: FoundBar, other: FoundBar) -> bool:
    """Whether the middle of ``bar`` lies within ``other``."""
    (ax, ay), (bx, by) = other.from_px, other.to_px
    dx, dy = (bx - ax) / other.length_px, (by - ay) / other.length_px
    x, y = (bar.from_px[0] + bar.to_px[0]) / 2 - ax, (bar.from_px[1] + bar.to_px[1]) / 2 - ay
    along, across = x * dx + y * dy, y * dx - x * dy
    return bool(0 <= along <= other.length_px and abs(across) <= other.width_px)


# --------------------------------------------------------------------------------------- measure


def _measure_fine(bar: FoundBar, step: int, read: Read, size_px: tuple[int, int]) -> FoundBar:
    """Measure again at full resolution a bar found on the overview."""
    rough = _as_rough(bar).scaled(step)
    margin = 3 * rough.width + 6 * step + 20
    half_x = abs(rough.dx) * rough.length / 2 + margin
    half_y = abs(rough.dy) * rough.length / 2 + margin
    x0, y0 = max(int(rough.x - half_x), 0), max(int(rough.y - half_y), 0)
    x1, y1 = min(int(rough.x + half_x) + 1, size_px[0]), min(int(rough.y + half_y) + 1, size_px[1])
    fine = _measure(to_grey(read(x0, y0, x1, y1)), rough.moved(-x0, -y0), slack=2.0 * step)
    if fine is None:
        return replace(_as_found(rough, 0.5 * step), confidence=0.0)
    return replace(fine, from_px=(fine.from_px[0] + x0, fine.from_px[1] + y0),
                   to_px=(fine.to_px[0] + x0, fine.to_px[1] + y0))


def _as_rough(bar: FoundBar) -> _Rough:
    """Middle, direction and size of a found bar."""
    (ax, ay), (bx, by) = bar.from_px, bar.to_px
    length = bar.length_px
    return _Rough(x=(ax + bx) / 2, y=(ay + by) / 2, dx=(bx - ax) / length, dy=(by - ay) / length,
                  length=length, width=bar.width_px, sign=1 if bar.bright else -1)


def _as_found(piece: _Rough, sd_px: float) -> FoundBar:
    """Ends of a piece, with no confidence yet."""
    hx, hy = piece.dx * piece.length / 2, piece.dy * piece.length / 2
    return FoundBar(from_px=(float(piece.x - hx), float(piece.y - hy)), to_px=(float(piece.x + hx), float(piece.y + hy)),
                    width_px=float(piece.width), sd_px=sd_px, confidence=0.0, bright=piece.sign > 0)


def _measure(grey: NDArray[np.float32], rough: _Rough, *, slack: float = 2.0) -> FoundBar | None:
    """Sides, then ends, then how much it looks like a bar; None where it has no two sides and ends."""
    piece = rough
    for _ in range(2):
        sides = _fit_sides(grey, piece, slack)
        if sides is None:
            return None
        piece = sides.piece
    profile = _Profile.along_piece(grey, piece, slack)
    ends = [_find_end(profile, -1), _find_end(profile, +1)]
    if ends[0] is None or ends[1] is None:
        return None
    left, right = ends
    shift, length = (right.at + left.at) / 2, right.at - left.at
    piece = replace(piece, x=piece.x + shift * piece.dx, y=piece.y + shift * piece.dy, length=length)
    found = _as_found(piece, float(np.hypot(left.sd, right.sd)))
    return replace(found, confidence=_likeness(profile, sides, (left, right), piece))


def _sample(grey: NDArray[np.float32], piece: _Rough, along: FloatArray, across: FloatArray) -> FloatArray:
    """Greys at distances along and across a piece, shape (across, along)."""
    from scipy import ndimage

    u, v = along[None, :], across[:, None]
    y, x = piece.y + u * piece.dy + v * piece.dx, piece.x + u * piece.dx - v * piece.dy
    values: FloatArray = ndimage.map_coordinates(grey, [y, x], order=1, mode="nearest", output=np.float64)
    return values


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sides:
    """The two long sides: the piece between them, and how straight and parallel they are."""

    piece: _Rough
    roughness: float
    taper: float


def _fit_sides(grey: NDArray[np.float32], piece: _Rough, slack: float) -> _Sides | None:
    """Straight lines through the half-height points of both sides, over the inner 80 % of the length."""
    along = np.linspace(-0.4, 0.4, int(np.clip(0.8 * piece.length, 8, 128))) * piece.length
    reach = 1.5 * piece.width / 2 + 3.0 + slack
    outward = np.arange(0.0, piece.width / 2 + reach, 0.5)
    inside = np.median(_sample(grey, piece, along, np.linspace(-0.2, 0.2, 3) * piece.width), axis=0)
    lines = []
    for side in (-1, 1):
        edge = _half_height(_sample(grey, piece, along, side * outward), inside, outward)
        line = _robust_line(along / piece.length, side * edge)
        if line is None:
            return None
        lines.append(line)
    (offset_a, slope_a, rms_a), (offset_b, slope_b, rms_b) = lines
    width = offset_b - offset_a
    if not width > 0.5:
        return None
    tilt = (slope_a + slope_b) / 2 / piece.length
    norm, offset = np.hypot(1.0, tilt), (offset_a + offset_b) / 2
    turned = replace(piece, x=piece.x - offset * piece.dy, y=piece.y + offset * piece.dx, width=width / norm,
                     dx=(piece.dx - tilt * piece.dy) / norm, dy=(piece.dy + tilt * piece.dx) / norm)
    return _Sides(piece=turned, roughness=max(rms_a, rms_b), taper=abs(slope_b - slope_a))


def _half_height(values: FloatArray, inside: FloatArray, outward: FloatArray) -> FloatArray:
    """First place outwards where each column is half way between inside and surround; NaN where nowhere."""
    surround = np.median(values[-max(len(outward) // 3, 2):], axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        height = (values - surround) / (inside - surround)
        below = height < 0.5
    first = np.argmax(below, axis=0)
    columns = np.arange(values.shape[1])
    h0, h1 = height[np.maximum(first - 1, 0), columns], height[first, columns]
    with np.errstate(invalid="ignore", divide="ignore"):
        place = outward[np.maximum(first - 1, 0)] + 0.5 * (h0 - 0.5) / (h0 - h1)
    return np.where(below.any(axis=0) & (first > 0), place, np.nan)


def _robust_line(t: FloatArray, values: FloatArray) -> tuple[float, float, float] | None:
    """Offset, slope and scatter of a line through most of the points; None for too few points."""
    keep = np.isfinite(values)
    for _ in range(4):
        if keep.sum() < max(4, 0.5 * t.size):
            return None
        slope, offset = np.polyfit(t[keep], values[keep], 1)
        residual = values - (offset + slope * t)
        scatter = 1.4826 * np.median(np.abs(residual[keep]))
        keep = np.isfinite(values) & (np.abs(residual) <= 3 * scatter + 0.2)
    return float(offset), float(slope), float(scatter)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Profile:
    """Along the middle of a piece: its own grey and that of the lanes on both sides, every half pixel."""

    along: FloatArray
    own: FloatArray
    lane_a: FloatArray
    lane_b: FloatArray
    length: float

    @classmethod
    def along_piece(cls, grey: NDArray[np.float32], piece: _Rough, slack: float) -> _Profile:
        """Sample a piece and what lies beyond its ends."""
        half = piece.length / 2 + 1.5 * piece.width + 12.0 + slack
        along = np.arange(-half, half + 0.5, 0.5)
        # keep clear of the sides: blur pales a bar there, but not its end strokes
        spread = float(np.clip(piece.width / 2 - 2.0, 0.0, 0.35 * piece.width))
        rows = np.linspace(-spread, spread, int(np.clip(2 * spread + 1, 1, 15)))
        lane = piece.width / 2 + np.linspace(2.0, 4.0 + 0.4 * piece.width, 5)
        return cls(along=along, own=_sample(grey, piece, along, rows).mean(axis=0),
                   lane_a=np.median(_sample(grey, piece, along, -lane), axis=0),
                   lane_b=np.median(_sample(grey, piece, along, lane), axis=0), length=piece.length)

    def within(self, low: float, high: float) -> NDArray[np.bool_]:
        """Samples between two distances from the middle."""
        return (self.along >= low) & (self.along <= high)


@dataclass(frozen=True, slots=True, kw_only=True)
class _End:
    """One end: its place along the piece, error, blur (distance over which it falls), greys on both sides."""

    at: float
    sd: float
    blur: float
    inside: float
    beyond: float


def _find_end(profile: _Profile, side: int) -> _End | None:
    """Where the piece ends on one side, from the area under the edge."""
    along = side * profile.along if side > 0 else (side * profile.along)[::-1]
    own = profile.own if side > 0 else profile.own[::-1]
    core = np.abs(along) < 0.35 * profile.length
    inside = np.median(own[core])
    surround = np.median(np.concatenate([profile.lane_a, profile.lane_b])[np.tile(core, 2)])
    height = (own - surround) / (inside - surround) if inside != surround else np.zeros_like(own)
    out = np.flatnonzero((height < 0.5) & (along > 0))
    if not out.size or height[out[0] - 1] <= height[out[0]]:
        return None
    place, blur = float(along[out[0]]) - 0.25, _fall(along, height, out[0])
    reach = float(np.clip(1.5 * blur + 1.0, 2.5, 0.2 * profile.length))
    for _ in range(3):
        near = (along >= place - reach) & (along <= place + reach)
        before = (along >= place - 3 * reach) & (along < place - reach)
        after = (along > place + reach) & (along <= place + 3 * reach)
        if after.sum() < 3 or before.sum() < 3:
            return None
        top, bottom = float(own[before].mean()), float(own[after].mean())
        if (top - bottom) * (inside - surround) <= 0:
            return None
        first = float(along[near][0]) - 0.25
        place = first + 0.5 * float(np.sum(own[near] - bottom)) / (top - bottom)
    crossing = float(along[out[0]] - 0.5 * (0.5 - height[out[0]]) / (height[out[0] - 1] - height[out[0]]))
    noise = float((own[core][2:] - own[core][:-2]).std()) / np.sqrt(2) / abs(top - bottom)
    # noise in the edge itself and in the two levels; an edge of odd shape has no one place
    sd = float(np.hypot(_LEAST_END_SD_PX, noise * np.sqrt(3 * reach)) + 0.5 * abs(place - crossing))
    return _End(at=side * place, sd=sd, blur=blur, inside=top, beyond=bottom)


def _fall(along: FloatArray, height: FloatArray, first_out: int) -> float:
    """Distance over which the height falls from 0.8 to 0.2 about an end."""
    high = np.flatnonzero(height[:first_out] > 0.8)
    low = np.flatnonzero(height[first_out:] < 0.2)
    start = along[high[-1]] if high.size else along[0]
    stop = along[first_out + low[0]] if low.size else along[-1]
    return float(stop - start)


def _likeness(profile: _Profile, sides: _Sides, ends: tuple[_End, _End], piece: _Rough) -> float:
    """How much a measured piece looks like a drawn bar, 0 to 1: product of what may be wrong with it."""
    trim = 1.5 * max(end.blur for end in ends)
    shift = (ends[0].at + ends[1].at) / 2
    inner = profile.within(shift - piece.length / 2 + trim, shift + piece.length / 2 - trim)
    if inner.sum() < 5:
        return 0.0
    a, b = float(np.median(profile.lane_a[inner])), float(np.median(profile.lane_b[inner]))
    level = float(np.median(profile.own[inner]))
    contrast = level - (a + b) / 2
    if contrast * piece.sign <= 0:
        return 0.0
    c = abs(contrast)
    lanes = np.stack([profile.lane_a[inner] - a, profile.lane_b[inner] - b])
    beyond = max(abs(end.beyond - (a + b) / 2) for end in ends)
    terms = (
        (float(profile.own[inner].std()) / c, 0.15),
        (abs(a - b) / c, 0.5),
        (beyond / c, 0.5),
        (1.4826 * float(np.median(np.abs(lanes))) / c, 0.25),
        (sides.roughness / (0.5 + 0.05 * piece.width), 1.5),
        (sides.taper / (1.0 + 0.1 * piece.width), 2.0),
        (max(end.blur for end in ends) / (3.0 + 0.5 * piece.width), 2.0),
        (_MIN_ASPECT * piece.width / piece.length, 1.0),
    )
    return float(np.prod([1 / (1 + (value / half) ** 4) for value, half in terms]))
