"""What the figure shows of the picture: the part round the tracks, depth running downwards.

Positions on the figure are millimetres: ``across_mm`` to the right, ``down_mm``
downwards from the surface of the first track. A slab that lies on its side is
turned by quarter turns only, so that a person recognises it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bandkit.results import Polyline, SlabResult

FloatArray = NDArray[np.float64]

# Free space round what is drawn: enough for a person to see where on the slab it is.
MARGIN_MM = 3.0
MARGIN_FRAC = 0.06
# Width of a written year as a fraction of the height of an upright picture.
YEAR_ROOM_FRAC = 0.055


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """A window on the picture.

    Parameters
    ----------
    turns : int
        Quarter turns clockwise that bring the growth axis to run downwards, 0 to 3.
    mm_per_px : tuple of float
        Millimetres per image pixel along x and y.
    origin_px : tuple of float
        Pixel position of the surface on the first track.
    box_mm : tuple of float
        Left, top, right, bottom of the window in mm.
    picture : ndarray or None
        The part of the picture in the window, turned.
    picture_mm : tuple of float
        Left, top, right, bottom of that part in mm.
    """

    turns: int
    mm_per_px: tuple[float, float]
    origin_px: tuple[float, float]
    box_mm: tuple[float, float, float, float]
    picture: FloatArray | None
    picture_mm: tuple[float, float, float, float]

    @property
    def width_mm(self) -> float:
        """Width of the window, in mm."""
        return self.box_mm[2] - self.box_mm[0]

    @property
    def height_mm(self) -> float:
        """Height of the window, in mm."""
        return self.box_mm[3] - self.box_mm[1]

    def to_mm(self, x_px: FloatArray | float, y_px: FloatArray | float) -> tuple[FloatArray, FloatArray]:
        """Turn pixel positions into positions on the figure.

        Parameters
        ----------
        x_px, y_px : ndarray or float
            Pixel positions.

        Returns
        -------
        across_mm, down_mm : ndarray
            Positions on the figure, in mm.
        """
        return _turn(x_px, y_px, turns=self.turns, mm_per_px=self.mm_per_px, origin_px=self.origin_px)


def make_view(result: SlabResult) -> View:
    """Choose what to show of a slab's picture.

    Parameters
    ----------
    result : SlabResult
        The measured slab, with or without a picture.

    Returns
    -------
    View
        The window round everything that is drawn.
    """
    mm_per_px = (float(result.scale["x_mm_px"]), float(result.scale["y_mm_px"]))
    result = replace(result, lines=drawable(result.lines))
    origin_px = _first_surface(result)
    turns = _quarter_turns(result, mm_per_px)
    x0, y0, x1, y1 = _window_px(result, mm_per_px)
    picture, (left, top, right, bottom) = _cut_picture(result, (x0, y0, x1, y1))
    box_mm = _box_to_mm((x0, y0, x1, y1), turns=turns, mm_per_px=mm_per_px, origin_px=origin_px)
    picture_mm = _box_to_mm((left, top, right, bottom), turns=turns, mm_per_px=mm_per_px, origin_px=origin_px)
    view = View(
        turns=turns,
        mm_per_px=mm_per_px,
        origin_px=origin_px,
        box_mm=box_mm,
        picture=None if picture is None else np.rot90(picture, -turns),
        picture_mm=picture_mm,
    )
    return replace(view, box_mm=_with_room_for_years(view, result.lines))


def drawable(lines: tuple[Polyline, ...]) -> tuple[Polyline, ...]:
    """Keep of each line what can be drawn.

    Parameters
    ----------
    lines : tuple of Polyline
        Lines, some of whose points may be unknown.

    Returns
    -------
    tuple of Polyline
        Known points only; lines without any are left out, and so is the label of an undated mark.
    """
    kept = []
    for line in lines:
        known = np.isfinite(line.x_px) & np.isfinite(line.y_px)
        if known.any():
            label = "" if line.label == "nan" else line.label
            kept.append(replace(line, x_px=line.x_px[known], y_px=line.y_px[known], label=label))
    return tuple(kept)


def track_names(result: SlabResult) -> tuple[str, ...]:
    """List the tracks in the order of the record.

    Parameters
    ----------
    result : SlabResult
        The measured slab.

    Returns
    -------
    tuple of str
        Each name once.
    """
    names = [*result.tracks.track.tolist(), *result.profile.track.tolist()]
    return tuple(dict.fromkeys(names))


def _turn(
    x_px: FloatArray | float,
    y_px: FloatArray | float,
    *,
    turns: int,
    mm_per_px: tuple[float, float],
    origin_px: tuple[float, float],
) -> tuple[FloatArray, FloatArray]:
    """Pixels to millimetres about the origin, turned clockwise."""
    x_mm = (np.asarray(x_px, dtype=np.float64) - origin_px[0]) * mm_per_px[0]
    y_mm = (np.asarray(y_px, dtype=np.float64) - origin_px[1]) * mm_per_px[1]
    return ((x_mm, y_mm), (-y_mm, x_mm), (-x_mm, -y_mm), (y_mm, -x_mm))[turns]


def _box_to_mm(
    box_px: tuple[float, float, float, float],
    *,
    turns: int,
    mm_per_px: tuple[float, float],
    origin_px: tuple[float, float],
) -> tuple[float, float, float, float]:
    """Left, top, right, bottom in mm of a box in pixels."""
    x, y = np.array(box_px[0::2]), np.array(box_px[1::2])
    across, down = _turn(x, y, turns=turns, mm_per_px=mm_per_px, origin_px=origin_px)
    return float(across.min()), float(down.min()), float(across.max()), float(down.max())


def _with_room_for_years(view: View, lines: tuple[Polyline, ...]) -> tuple[float, float, float, float]:
    """The window, widened so that a year can stand beside the end of each mark."""
    left, top, right, bottom = view.box_mm
    ends = [view.to_mm(line.x_px, line.y_px)[0] for line in lines if line.role == "mark"]
    if ends:
        room_mm = YEAR_ROOM_FRAC * view.height_mm
        across = np.concatenate(ends)
        left, right = min(left, float(across.min()) - room_mm), max(right, float(across.max()) + room_mm)
    return left, top, right, bottom


def _first_surface(result: SlabResult) -> tuple[float, float]:
    """Pixel position of the surface on the first track; of its first point where none was found."""
    tracks = result.tracks
    if len(tracks) and np.isfinite(tracks.surface_x_px[0]) and np.isfinite(tracks.surface_y_px[0]):
        return float(tracks.surface_x_px[0]), float(tracks.surface_y_px[0])
    line = _first_track_line(result)
    return (0.0, 0.0) if line is None else (float(line.x_px[0]), float(line.y_px[0]))


def _first_track_line(result: SlabResult) -> Polyline | None:
    """The first line that shows a track."""
    return next((line for line in result.lines if line.role == "track"), None)


def _quarter_turns(result: SlabResult, mm_per_px: tuple[float, float]) -> int:
    """Quarter turns clockwise after which the first track runs downwards."""
    line = _first_track_line(result)
    if line is None:
        return 0
    right = float(line.x_px[-1] - line.x_px[0]) * mm_per_px[0]
    down = float(line.y_px[-1] - line.y_px[0]) * mm_per_px[1]
    # A diagonal track leaves the picture as it is.
    if abs(down) >= 0.99 * abs(right):
        return 0 if down >= 0 else 2
    return 1 if right > 0 else 3


def _window_px(result: SlabResult, mm_per_px: tuple[float, float]) -> tuple[float, float, float, float]:
    """Box in pixels round all lines, with a margin; the whole picture where there are none."""
    x = np.concatenate([np.ravel(line.x_px) for line in result.lines] or [np.empty(0)])
    y = np.concatenate([np.ravel(line.y_px) for line in result.lines] or [np.empty(0)])
    height, width = _image_size(result)
    if not x.size:
        return -0.5, -0.5, width - 0.5, height - 0.5
    span_mm = max(np.ptp(x) * mm_per_px[0], np.ptp(y) * mm_per_px[1])
    margin_mm = MARGIN_MM + MARGIN_FRAC * span_mm
    mx, my = margin_mm / mm_per_px[0], margin_mm / mm_per_px[1]
    box = (float(x.min() - mx), float(y.min() - my), float(x.max() + mx), float(y.max() + my))
    if result.picture is None:
        return box
    return max(box[0], -0.5), max(box[1], -0.5), min(box[2], width - 0.5), min(box[3], height - 0.5)


def _image_size(result: SlabResult) -> tuple[float, float]:
    """Height and width of the image in pixels, from the picture that is there."""
    if result.picture is None:
        return 1.0, 1.0
    height, width = result.picture.shape[:2]
    return height * result.picture_step_px, width * result.picture_step_px


def _cut_picture(
    result: SlabResult, box_px: tuple[float, float, float, float]
) -> tuple[FloatArray | None, tuple[float, float, float, float]]:
    """The part of the picture in a box, stretched to the greys it has, and its edges in pixels."""
    if result.picture is None:
        return None, box_px
    step = result.picture_step_px
    height, width = result.picture.shape[:2]
    left, right = int((box_px[0] + 0.5) // step), int(-(-(box_px[2] + 0.5) // step))
    top, bottom = int((box_px[1] + 0.5) // step), int(-(-(box_px[3] + 0.5) // step))
    left, top = min(max(left, 0), width - 1), min(max(top, 0), height - 1)
    right, bottom = min(max(right, left + 1), width), min(max(bottom, top + 1), height)
    part = np.asarray(result.picture[top:bottom, left:right], dtype=np.float64)
    edges = (left * step - 0.5, top * step - 0.5, right * step - 0.5, bottom * step - 0.5)
    colour = part.shape[2:] != ()
    return (np.clip(np.nan_to_num(part), 0.0, 1.0) if colour else _stretch(part)), edges


def _stretch(grey: FloatArray) -> FloatArray:
    """Greys spread over the full range; the outermost half percent is cut."""
    finite = grey[np.isfinite(grey)]
    if finite.size == 0:
        return np.zeros_like(grey)
    low, high = np.percentile(finite, [0.5, 99.5])
    spread: FloatArray = np.clip(np.nan_to_num((grey - low) / max(high - low, 1e-9)), 0.0, 1.0)
    return spread
