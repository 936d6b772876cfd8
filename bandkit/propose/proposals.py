"""What can be found in a picture of a slab, each find with a sentence for the person who checks it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from bandkit.errors import ScaleError
from bandkit.images.blocks import block_means
from bandkit.propose.picture import BoolArray, Box, Parted, Thing, part, slab_of
from bandkit.propose.standards import find_standards
from bandkit.propose.track import propose_track
from bandkit.record.model import Dense, Kind
from bandkit.scale import FoundBar, FoundRuler, find_bar_within, propose_ruler

T_co = TypeVar("T_co", covariant=True)
Point = tuple[float, float]

_CELLS = 400
_COLOURED_FRAC = 0.03  # difference between channels, of full scale, from which a picture is coloured
_BLUER = 1.3  # blue over red from which a coloured slab is taken to shine under ultraviolet light
_BEAM_BOXES = 4
_LARGEST_BEAM_BOX_FRAC = 0.08  # of the picture's shorter side
_LEAST_BEAM_BOX_CELLS = 6


class Picture(Protocol):
    """An open image, as far as it is needed here."""

    @property
    def width_px(self) -> int:
        """Columns."""

    @property
    def height_px(self) -> int:
        """Rows."""

    @property
    def resolution_mm_px(self) -> tuple[float, float] | None:
        """Resolution that the file states."""

    def read(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[Any]:
        """Pixels of a region, ends excluded."""

    def overview(self, max_side_px: int = ...) -> Any:
        """Block means of the image and the block's side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposed(Generic[T_co]):
    """A find and why it is proposed.

    Parameters
    ----------
    value : object
        The find.
    why : str
        A sentence for the person who checks it.
    """

    value: T_co
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposals:
    """What was found in a picture; None for what was not. All positions in pixels of the image.

    Parameters
    ----------
    kind : Proposed
        Kind of picture; never certain.
    dense : Proposed or None
        How dense skeleton is shown; only for a radiograph.
    bar : Proposed or None
        Ends of the scale bar; how long it is only a person knows.
    no_bar : str
        Why there is no bar.
    ruler : Proposed or None
        A ruler whose ticks say what they stand for; it is then the scale.
    standards : Proposed or None
        Boxes within standards, in the order in which they lie.
    track : Proposed or None
        Points from outside the surface inwards.
    open_beam : Proposed or None
        Boxes with nothing in the beam; only for a radiograph.
    """

    kind: Proposed[Kind]
    dense: Proposed[Dense] | None = None
    bar: Proposed[FoundBar] | None = None
    no_bar: str = ""
    ruler: Proposed[FoundRuler] | None = None
    standards: Proposed[tuple[Box, ...]] | None = None
    track: Proposed[tuple[Point, ...]] | None = None
    open_beam: Proposed[tuple[Box, ...]] | None = None


def propose(image: Picture) -> Proposals:
    """Look through a picture for what a record needs.

    Parameters
    ----------
    image : Picture
        An open image.

    Returns
    -------
    Proposals
        Every find is a guess for a person to check.

    Raises
    ------
    ImageReadError
        The image cannot be read.
    """
    overview = image.overview()
    values = np.asarray(overview.values, dtype=np.float32)
    colours = values if values.ndim == 3 else values[:, :, None]
    shrink = -(-max(values.shape[:2]) // _CELLS)
    cells = block_means(colours, shrink)
    cell_px = shrink * overview.step_px
    parted = part(cells.mean(axis=2))
    ruler = _ruler(image, overview)
    bar, no_bar = _bar(image, overview) if ruler is None else (None, "")
    slab = _slab_apart_from(parted, ruler or bar, cell_px)
    kind = guess_kind(cells, slab)
    is_radiograph = kind.value == "radiograph"
    return Proposals(
        kind=kind, bar=bar, no_bar=no_bar, ruler=ruler,
        dense=guess_dense(parted, slab) if is_radiograph and slab else None,
        standards=_standards(parted, slab, cell_px) if is_radiograph else None,
        track=_track(parted, slab, cell_px) if slab else None,
        open_beam=_open_beam(parted, cell_px) if is_radiograph else None)


def guess_kind(cells: NDArray[Any], slab: Thing | None) -> Proposed[Kind]:
    """Guess what made a picture.

    Parameters
    ----------
    cells : ndarray of shape (rows, columns, 1 or 3)
        The picture, reduced.
    slab : Thing or None
        The slab in it.

    Returns
    -------
    Proposed
        Colour speaks for a camera, grey for X-rays; blue for ultraviolet light.
    """
    if cells.shape[2] == 1:
        return Proposed(value="radiograph", why="the image is grey; a grey photograph or a CT slice would be too")
    spread = np.nanmean(cells.max(axis=2) - cells.min(axis=2)) / max(float(np.nanmax(cells)), 1e-12)
    if spread < _COLOURED_FRAC:
        return Proposed(value="radiograph", why="all its colours are grey; a photograph of something grey would be too")
    if slab is not None:
        h, w = slab.mask.shape
        colour = cells[slab.top : slab.top + h, slab.left : slab.left + w][slab.mask].mean(axis=0)
        if colour[2] > _BLUER * colour[0]:
            return Proposed(value="luminescence", why="the slab is blue, as under ultraviolet light")
    return Proposed(value="photograph", why="the image is coloured")


def guess_dense(parted: Parted, slab: Thing) -> Proposed[Dense]:
    """Guess how dense skeleton is shown, from slab against open beam.

    Parameters
    ----------
    parted : Parted
        The radiograph.
    slab : Thing
        The slab in it.

    Returns
    -------
    Proposed
        Bright where the slab is brighter than what surrounds it.
    """
    if parted.contrast_of(slab) > 0:
        return Proposed(value="bright", why="the slab is brighter than what surrounds it, taken for open beam")
    return Proposed(value="dark", why="the slab is darker than what surrounds it, taken for open beam")


def _bar(image: Picture, overview: Any) -> tuple[Proposed[FoundBar] | None, str]:
    """Scale bar, or why there is none."""
    try:
        found = find_bar_within(None, size_px=(image.width_px, image.height_px), read=image.read,
                                overview=lambda: overview)
    except ScaleError as error:
        return None, str(error).removeprefix("scale.bar: ").split(";")[0]
    why = f"found, {found.length_px:.1f} px long; check its ends, write its true length"
    if image.resolution_mm_px is not None:
        mm_px = float(np.mean(image.resolution_mm_px))
        why += f" (about {found.length_px * mm_px:.3g} mm if the file's own resolution, often wrong, were right)"
    return Proposed(value=found, why=why), ""


def _ruler(image: Picture, overview: Any) -> Proposed[FoundRuler] | None:
    """A ruler that says itself what its ticks stand for."""
    found = propose_ruler((image.width_px, image.height_px), image.read, overview)
    if found is None:
        return None
    why = (f"found, {found.n_spacings + 1} ticks {found.spacing_px:.2f} px apart; that they are "
           f"{found.unit.tick_mm:g} mm apart follows from {found.unit.in_words}; check it against the numerals")
    return Proposed(value=found, why=why)


def _slab_apart_from(parted: Parted, bar: Proposed[FoundBar] | Proposed[FoundRuler] | None,
                     cell_px: int) -> Thing | None:
    """Largest thing that is not what the bar or the ruler lies on."""
    if bar is None:
        return slab_of(parted)
    (ax, ay), (bx, by) = bar.value.from_px, bar.value.to_px
    column, row = int((ax + bx) / 2 / cell_px), int((ay + by) / 2 / cell_px)
    others = tuple(thing for thing in parted.things if not _covers(thing, row, column))
    return slab_of(Parted(grey=parted.grey, surround=parted.surround, noise=parted.noise, things=others))


def _covers(thing: Thing, row: int, column: int) -> bool:
    """Whether a thing covers a cell."""
    i, j = row - thing.top, column - thing.left
    h, w = thing.mask.shape
    return bool(0 <= i < h and 0 <= j < w and thing.mask[i, j])


def _standards(parted: Parted, slab: Thing | None, cell_px: int) -> Proposed[tuple[Box, ...]] | None:
    """Boxes of standards in pixels."""
    boxes = find_standards(parted, apart_from=slab)
    if not boxes:
        return None
    return Proposed(value=tuple(_box_px(box, cell_px) for box in boxes),
                    why=f"{len(boxes)} even patches in a row; check the boxes, write material and thickness of each")


def _track(parted: Parted, slab: Thing, cell_px: int) -> Proposed[tuple[Point, ...]] | None:
    """Points of a track in pixels."""
    track = propose_track(parted, slab)
    if track is None:
        return None
    points = tuple((_centre_px(x, cell_px), _centre_px(y, cell_px)) for x, y in track.points)
    why = f"{track.why_axis}; that its {track.side} end is the outer surface is a guess: {track.why_side}"
    if not track.starts_outside:
        why += "; it ought to begin outside the slab, but there the image ends"
    return Proposed(value=points, why=why)


def _open_beam(parted: Parted, cell_px: int) -> Proposed[tuple[Box, ...]] | None:
    """Some boxes far apart in which nothing lies."""
    from scipy import ndimage  # only where an image is looked through

    free: BoolArray = np.pad(ndimage.binary_erosion(parted.free, iterations=2), 1)
    most = _LARGEST_BEAM_BOX_FRAC * min(parted.grey.shape)
    boxes: list[Box] = []
    while len(boxes) < _BEAM_BOXES:
        room = ndimage.distance_transform_cdt(free, metric="chessboard")[1:-1, 1:-1]
        half = min(int(room.max()) - 1, int(most / 2))
        if half < _LEAST_BEAM_BOX_CELLS / 2:
            break
        row, column = (int(i) for i in np.unravel_index(np.argmax(room), room.shape))
        boxes.append((float(column - half), float(row - half), float(column + half + 1), float(row + half + 1)))
        apart = int(0.2 * max(parted.grey.shape))
        free[max(row - apart, 0) : row + apart, max(column - apart, 0) : column + apart] = False
    if not boxes:
        return None
    return Proposed(value=tuple(_box_px(box, cell_px) for box in boxes),
                    why="nothing seems to lie here; looked for anew where this line is left out")


def _centre_px(cell: float, cell_px: int) -> float:
    """Pixel position of a position in cells."""
    return round((cell + 0.5) * cell_px - 0.5, 1)


def _box_px(box: Box, cell_px: int) -> Box:
    """Whole pixels within a box of cells."""
    x0, y0, x1, y1 = box
    return (float(np.ceil(x0 * cell_px)), float(np.ceil(y0 * cell_px)), float(np.floor(x1 * cell_px)),
            float(np.floor(y1 * cell_px)))
