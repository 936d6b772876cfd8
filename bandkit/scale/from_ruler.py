"""Scale from rulers in the picture, with all doubts about it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from bandkit.errors import ScaleError
from bandkit.flags import Flag
from bandkit.scale.bar import OverviewLike, Read
from bandkit.scale.piece import to_grey
from bandkit.scale.row import Pixels
from bandkit.scale.ruler import FoundRuler, find_rulers, read_ruler, reduced
from bandkit.scale.unit import Unit

if TYPE_CHECKING:
    from bandkit.record import RulerSpec

SURE_CONFIDENCE = 0.65
"""Below this a ruler is used, but flagged as doubtful."""
DRIFT_FRAC = 0.01
"""Change of the spacing along a ruler from which the picture is called oblique."""
BEND_FRAC = 0.01
BOW_FRAC = 0.0025
"""Change of the spacing half way, and bow over length, from which the lens is blamed."""
DIFFER_FRAC = 0.01

_OVERVIEW_PX = 1600
_FINER_PX = 3200
_MARGIN_PX = 64  # around a box: so much is seen at once where ticks are looked for
_RIGHT_ANGLE_DEG = 30.0  # as far from one two rulers may be and still give x and y

Places = list[tuple[FoundRuler, float]]


def rulers_of(specs: tuple[RulerSpec, ...], *, size_px: tuple[int, int], read: Read,
              overview: Callable[[], OverviewLike]) -> tuple[Places, tuple[Flag, ...]]:
    """Read the rulers that a record speaks of.

    Parameters
    ----------
    specs : tuple of RulerSpec
        One ruler, or two at right angles.
    size_px : tuple of int
        Width and height of the picture.
    read : callable
        ``read(x0, y0, x1, y1)`` gives the pixels of a region, ends excluded.
    overview : callable
        Gives block means of the whole picture; only called where a ruler must be found in it.

    Returns
    -------
    rulers : list of (FoundRuler, tick_mm)
        One, or two that lie at right angles.
    flags : tuple of Flag
        Doubts.

    Raises
    ------
    ScaleError
        No ruler, or one of which cannot be told what its ticks stand for.
    """
    pixels = Pixels(read, size_px)
    places: Places = []
    flags: list[Flag] = []
    for number, spec in enumerate(specs, 1):
        key = f"scale.ruler[{number}]" if len(specs) > 1 else "scale.ruler"
        found = _candidates(spec, key, pixels, overview)
        some = [(ruler, _tick_mm(ruler, spec, key)) for ruler in found[:1]]
        some += [(ruler, ruler.unit.tick_mm) for ruler in found[1:]
                 if spec.tick_mm is None and ruler.unit.tick_mm is not None]
        places += _square(some) if len(specs) == 1 else some[:1]
        flags += _find_flags(spec, some[0][0])
        flags += _agreement_flags(some)
    if len(specs) > 1 and len(_square(places)) < len(specs):
        msg = "scale.ruler: the two rulers do not lie at right angles; keep one, or give scale.rectify"
        raise ScaleError(msg)
    for ruler, _ in places:
        flags += _shape_flags(ruler)
    return places, tuple(dict.fromkeys(flags))


def mm_per_px(places: Places) -> tuple[float, float, float]:
    r"""Millimetres per pixel along x and y, and their error, from one ruler or two.

    Parameters
    ----------
    places : list of (FoundRuler, tick_mm)
        As `rulers_of` gives them.

    Returns
    -------
    x_mm_px, y_mm_px, sd_frac : float
        The same for x and y from one ruler.

    Notes
    -----
    A length at the angle :math:`\theta` measures :math:`m(\theta)^2 = (s_x \cos\theta)^2 + (s_y \sin\theta)^2` per
    pixel; two rulers give two equations for :math:`s_x^2, s_y^2`.
    """
    measured = np.array([tick_mm / ruler.spacing_px for ruler, tick_mm in places])
    sd_frac = max(ruler.sd_frac for ruler, _ in places)
    if len(places) == 1:
        return float(measured[0]), float(measured[0]), sd_frac
    angles = np.radians([ruler.angle_deg for ruler, _ in places])
    squares = np.linalg.solve(np.stack([np.cos(angles) ** 2, np.sin(angles) ** 2], axis=1), measured**2)
    if squares.min() <= 0:
        msg = "scale.ruler: the two rulers cannot both be right; check them, or keep one"
        raise ScaleError(msg)
    return float(squares[0] ** 0.5), float(squares[1] ** 0.5), sd_frac


def propose_ruler(size_px: tuple[int, int], read: Read, overview: OverviewLike) -> FoundRuler | None:
    """Find a ruler whose ticks say by themselves what they stand for.

    Parameters
    ----------
    size_px : tuple of int
        Width and height of the picture.
    read : callable
        ``read(x0, y0, x1, y1)`` gives the pixels of a region, ends excluded.
    overview : OverviewLike
        Block means of the whole picture.

    Returns
    -------
    FoundRuler or None
        The clearest one; None where there is none.
    """
    found = find_rulers(Pixels(read, size_px), to_grey(overview.values), overview.step_px)
    return found[0] if found and found[0].unit.tick_mm is not None else None


def _candidates(spec: RulerSpec, key: str, pixels: Pixels, overview: Callable[[], OverviewLike]) -> list[FoundRuler]:
    """Rulers that a spec may mean, the likeliest first; at least one."""
    if spec.from_px is not None and spec.to_px is not None:
        ruler = read_ruler(pixels, spec.from_px, spec.to_px)
        if ruler is None:
            msg = (f"{key}.from_px = {_place(spec.from_px)}: no even row of ticks is seen from there to to_px = "
                   f"{_place(spec.to_px)}; give two places on the shortest ticks, or a bar: scale.bar = "
                   "{ from_px = [x, y], to_px = [x, y], length_mm = ... }")
            raise ScaleError(msg)
        return [ruler]
    found = _found(spec, key, pixels, overview)
    if spec.tick_mm is not None:
        tick_mm = spec.tick_mm
        found.sort(key=lambda ruler: ruler.unit.contradicts(tick_mm))
    if not found:
        where = "the picture" if spec.within_px is None else f"the box {_place(spec.within_px)}"
        msg = (f"{key}: no ruler was found in {where}; give two places on its ticks: scale.ruler = "
               "{ from_px = [x, y], to_px = [x, y], tick_mm = 1.0 }")
        raise ScaleError(msg)
    return found


def _found(spec: RulerSpec, key: str, pixels: Pixels, overview: Callable[[], OverviewLike]) -> list[FoundRuler]:
    """Rulers found in the box of a spec or in the whole picture; looked for again on finer blocks where none is."""
    width, height = pixels.size_px
    x0, y0, x1, y1 = _region(spec, key, width, height)
    whole = spec.within_px is None
    step = -(-max(x1 - x0, y1 - y0) // _OVERVIEW_PX)
    finer = -(-max(x1 - x0, y1 - y0) // _FINER_PX)
    found: list[FoundRuler] = []
    for step_px in dict.fromkeys((step, finer)):
        if whole and step_px == step:
            seen = overview()
            found = find_rulers(pixels, to_grey(seen.values), seen.step_px)
        else:
            found = find_rulers(pixels, reduced(pixels, (x0, y0, x1, y1), step_px), step_px, (x0, y0))
        if not whole:
            found = [ruler for ruler in found if _lies_in(ruler, spec.within_px)]
        if found:
            break
    return found


def _region(spec: RulerSpec, key: str, width: int, height: int) -> tuple[int, int, int, int]:
    """Whole pixels of a spec's box with some margin, within the picture."""
    if spec.within_px is None:
        return 0, 0, width, height
    a, b, c, d = spec.within_px
    if c <= 0 or d <= 0 or a >= width or b >= height:
        msg = f"{key}.within_px: the box {_place(spec.within_px)} is outside the image of {width} x {height} px"
        raise ScaleError(msg)
    return (max(int(a) - _MARGIN_PX, 0), max(int(b) - _MARGIN_PX, 0), min(int(c) + _MARGIN_PX, width),
            min(int(d) + _MARGIN_PX, height))


def _lies_in(ruler: FoundRuler, box: tuple[float, float, float, float] | None) -> bool:
    """Whether the middle of a ruler lies in a box."""
    x, y = (np.array(ruler.from_px) + ruler.to_px) / 2
    return bool(box is None or (box[0] <= x <= box[2] and box[1] <= y <= box[3]))


def _tick_mm(ruler: FoundRuler, spec: RulerSpec, key: str) -> float:
    """What a tick stands for: as stated, or by the pattern."""
    tick_mm = spec.tick_mm or ruler.unit.tick_mm
    if tick_mm is None:
        msg = (f"{key}: {_in_words(ruler)}, but what they stand for cannot be told ({ruler.unit.in_words}); "
               f"write {_likely_unit(ruler.unit)} in {key}")
        raise ScaleError(msg, reason="ruler-unit")
    return tick_mm


def _likely_unit(unit: Unit) -> str:
    """An example of a unit for a pattern that does not give one."""
    if "inch" in unit.in_words:
        return "tick_mm = 1.5875 where the finest ticks are sixteenths of an inch"
    return "tick_mm = 1.0 where the finest ticks are millimetres"


def _in_words(ruler: FoundRuler) -> str:
    """What was found, in words."""
    return (f"{ruler.n_spacings + 1} ticks from {_place(ruler.from_px)} to {_place(ruler.to_px)} lie "
            f"{ruler.spacing_px:.2f} px apart")


def _place(numbers: tuple[float, ...]) -> str:
    """A place or a box for a message."""
    return f"[{', '.join(f'{v:.0f}' for v in numbers)}]"


def _square(places: Places) -> Places:
    """The first ruler, and the next one that lies at right angles to it."""
    for place in places[1:]:
        apart = abs((place[0].angle_deg - places[0][0].angle_deg) % 180 - 90)
        if apart <= _RIGHT_ANGLE_DEG:
            return [places[0], place]
    return places[:1]


def _find_flags(spec: RulerSpec, ruler: FoundRuler) -> list[Flag]:
    """What a person should look at: where the ruler is, what its ticks stand for."""
    flags = []
    if spec.from_px is None:
        flags.append(Flag(code="scale-ruler-found", detail=_in_words(ruler)))
    if spec.tick_mm is None:
        flags.append(Flag(code="scale-ruler-unit", detail=f"{ruler.unit.tick_mm:g} mm; {ruler.unit.in_words}"))
    elif ruler.unit.tick_mm is None or ruler.unit.contradicts(spec.tick_mm):
        flags.append(Flag(code="scale-ruler-unit-doubtful", detail=f"{spec.tick_mm:g} mm; {ruler.unit.in_words}"))
    if ruler.confidence < SURE_CONFIDENCE:
        flags.append(Flag(code="scale-ruler-doubtful", detail=f"confidence {ruler.confidence:.2f}"))
    return flags


def _agreement_flags(places: Places) -> list[Flag]:
    """Say where rulers in one picture do not give one scale."""
    measured = [tick_mm / ruler.spacing_px for ruler, tick_mm in places]
    if not measured or max(measured) / min(measured) - 1 <= DIFFER_FRAC:
        return []
    return [Flag(code="scale-rulers-differ", detail=" and ".join(f"{m:.5g}" for m in measured) + " mm per pixel")]


def _shape_flags(ruler: FoundRuler) -> list[Flag]:
    """Perspective and lens."""
    flags = []
    if abs(ruler.drift_frac) > DRIFT_FRAC:
        detail = f"by {100 * abs(ruler.drift_frac):.1f} % over the ruler"
        flags.append(Flag(code="scale-ruler-oblique", detail=detail))
    bow_frac = abs(ruler.bow_px) / ruler.length_px
    if bow_frac > BOW_FRAC or abs(ruler.bend_frac) > max(BEND_FRAC, 0.3 * abs(ruler.drift_frac)):
        detail = f"bow {abs(ruler.bow_px):.1f} px, spacing {100 * ruler.bend_frac:+.1f} % at the ends"
        flags.append(Flag(code="lens-distortion", detail=detail))
    return flags


