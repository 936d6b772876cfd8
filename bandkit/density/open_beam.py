"""Find where nothing lies in the beam.

The open beam is the upper envelope of intensity: smooth, and brighter than anything with material
in it at the same place. Smooth parts of the image are grown into regions; the brightest large one is
the seed. A smooth surface fitted to it then claims other parts of the image that agree with
it, over and over. What does not agree (slab, standards, bar, labels, collimated borders) is left
out together with a margin for the scattered light and blur around it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.density.beam import Beam, BeamSamples
from bandkit.density.beam_fit import fit_beam_and_veil
from bandkit.density.veil import Veil, VeilMaps, spread_out
from bandkit.images.blocks import block_means

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Box = tuple[float, float, float, float]

# The search works on about this many cells along the longer side.
_CELLS = 320
# Largest difference between neighbouring cells of the open beam (natural log), beyond noise.
_SMOOTH = 0.004
# A part of the image smaller than this is no seed: a label, a step of a standard.
_SEED_FRAC = 0.01
# Parts that agree with the surface within this belong to the open beam, at first and in the end.
_AGREE = (0.03, 0.015, 0.01, 0.006)
# Less of the image than this does not make an open beam.
_LEAST_FRAC = 0.003
# Labels and scratches may lie this much above the surface (natural log), on this share of the image.
_BRIGHTER = 0.05
_MOST_BRIGHTER_FRAC = 0.05
_MARGIN_CELLS = 3
_MAX_SEEDS = 4
# White without noise on more of the image than this is a saturated open beam, not paint.
_MOST_PAINTED_FRAC = 0.2
_MAX_SAMPLES = 4000


def find_open_beam(intensity: ArrayLike, step_px: float, *, exclude_boxes_px: Sequence[Box] = (),
                   dark_intensity: float = 0.0, mm_per_px: float | None = None) -> BeamSamples:
    """Find samples of the open beam in a reduced image.

    Parameters
    ----------
    intensity : array_like, shape (h, w)
        Exposure that arrived, as means over blocks of ``step_px`` pixels; NaN is left out. Its natural logarithm must
        be that of the dose, so that the shadow of a slab is deep.
    step_px : float
        Pixels of the full image per value.
    exclude_boxes_px : sequence of boxes
        Boxes ``x0, y0, x1, y1`` in pixels of the full image that hold standards, bar or labels.
    dark_intensity : float
        Intensity at or below which there was no beam.
    mm_per_px : float, optional
        Scale of the full image: with it the veil is allowed for, which is thinner beside the slab.

    Returns
    -------
    BeamSamples
        At most 4000; none where the image shows no open beam.

    Notes
    -----
    An image wholly covered by the slab has no open beam; a textured slab is not taken for one, but an
    even block of material that fills the image would be.
    """
    shrink = max(1, -(-max(np.shape(intensity)) // _CELLS))
    cells = block_means(np.asarray(intensity, np.float32), shrink).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        log = np.where(cells > dark_intensity, np.log(cells), np.nan)
    cell_px = shrink * step_px
    excluded = _excluded(log.shape, cell_px, exclude_boxes_px)
    largest = _largest_difference(log)
    usable = ~excluded & ~_painted(cells, largest)
    spread = None if mm_per_px is None else spread_out(np.maximum(cells, 0.0), 1.0, mm_per_px * cell_px)
    best = np.zeros(log.shape, dtype=bool)
    for seed in _seeds(log, _smooth(largest, usable)):
        claimed = _grow(cells, log, seed, usable, spread)
        if claimed.sum() > best.sum():
            best = claimed
    return _samples(cells, _without_margin(best), cell_px)


def _largest_difference(log: FloatArray) -> FloatArray:
    """Largest difference of each cell from its four neighbours; NaN where one is missing."""
    padded = np.pad(log, 1, mode="edge")
    around = (padded[:-2, 1:-1], padded[2:, 1:-1], padded[1:-1, :-2], padded[1:-1, 2:])
    return np.asarray(np.max([np.abs(log - other) for other in around], axis=0))


def _painted(cells: FloatArray, largest: FloatArray) -> BoolArray:
    """Cells of labels and borders that were added in white, with the cells next to them."""
    from scipy import ndimage

    white = (largest == 0) & (cells >= np.max(cells, where=np.isfinite(cells), initial=-np.inf))
    if white.mean() >= _MOST_PAINTED_FRAC:
        return np.zeros_like(white)
    # Twice: cells without difference have a neighbour that may be partly white, and one beyond.
    return np.asarray(ndimage.binary_dilation(white, structure=np.ones((3, 3)), iterations=2))


def _smooth(largest: FloatArray, usable: BoolArray) -> BoolArray:
    """Cells that differ from all four neighbours by no more than the open beam does."""
    valid = np.isfinite(largest) & usable
    if not valid.any():
        return valid
    # The quietest tenth of the image is open beam, or as good as it.
    noise = float(np.quantile(largest[valid], 0.1))
    return valid & (largest <= _SMOOTH + 2.5 * noise)


def _seeds(log: FloatArray, smooth: BoolArray) -> list[BoolArray]:
    """The brightest large smooth regions, brightest first."""
    # Imported here: measuring needs it, asking for help does not.
    from scipy import ndimage

    regions = np.zeros(smooth.shape, dtype=np.int32)
    ndimage.label(smooth, output=regions)
    sizes = np.bincount(regions.ravel())
    sizes[0] = 0
    large = np.flatnonzero(sizes >= _SEED_FRAC * regions.size)
    if large.size == 0:
        return []
    levels = np.asarray(ndimage.median(log, regions, large))
    return [np.asarray(regions == region) for region in large[np.argsort(-levels)][:_MAX_SEEDS]]


def _grow(cells: FloatArray, log: FloatArray, seed: BoolArray, usable: BoolArray,
          spread: VeilMaps | None) -> BoolArray:
    """Claim the cells that agree with a surface through those claimed before."""
    rows, cols = np.mgrid[: log.shape[0], : log.shape[1]]
    claimed = seed
    for agree in _AGREE:
        beam, veil = _fit(cells, claimed, spread)
        surface = beam.log_intensity(cols, rows)
        if veil is not None:
            surface = np.log(np.exp(surface) + veil.exposure(cols, rows))
        off = np.abs(log - surface)
        claimed = _opened((off <= agree + 3 * np.nan_to_num(beam.residual_frac)) & usable)
        if not claimed.any():
            return claimed
    # The open beam is the brightest thing there is: a surface that much lies above is not it.
    brighter = (log > surface + _BRIGHTER) & usable
    return claimed if brighter.mean() < _MOST_BRIGHTER_FRAC else np.zeros_like(claimed)


def _fit(cells: FloatArray, claimed: BoolArray, spread: VeilMaps | None) -> tuple[Beam, Veil | None]:
    """The surface through some of the cells, and the veil."""
    rows, cols = np.nonzero(claimed)
    every = max(1, rows.size // _MAX_SAMPLES)
    rows, cols = rows[::every], cols[::every]
    samples = BeamSamples(x_px=cols.astype(np.float64), y_px=rows.astype(np.float64), intensity=cells[rows, cols])
    return fit_beam_and_veil(samples, shape=(cells.shape[0], cells.shape[1]), spread=spread)


def _opened(mask: BoolArray) -> BoolArray:
    """A mask without specks: single pixels of the slab agree with any surface by chance."""
    from scipy import ndimage

    return np.asarray(ndimage.binary_opening(mask, structure=np.ones((3, 3))))


def _without_margin(open_beam: BoolArray) -> BoolArray:
    """Take away a margin along everything that is not open beam, less where little would be left."""
    from scipy import ndimage

    # The edge of the image is no edge of the open beam.
    distance = ndimage.distance_transform_edt(open_beam) if not open_beam.all() else np.full(open_beam.shape, np.inf)
    for margin in range(_MARGIN_CELLS, -1, -1):
        inner = np.asarray(distance > margin)
        if inner.mean() >= max(_LEAST_FRAC, 0.3 * open_beam.mean()):
            return inner
    return np.zeros_like(open_beam)


def _excluded(shape: tuple[int, ...], cell_px: float, boxes_px: Sequence[Box]) -> BoolArray:
    """Cells within the boxes and a margin about them."""
    mask = np.zeros(shape, dtype=bool)
    for x0, y0, x1, y1 in boxes_px:
        left, right = sorted((x0, x1))
        top, bottom = sorted((y0, y1))
        rows = slice(max(int(top / cell_px) - 1, 0), int(bottom / cell_px) + 2)
        cols = slice(max(int(left / cell_px) - 1, 0), int(right / cell_px) + 2)
        mask[rows, cols] = True
    return mask


def _samples(cells: FloatArray, mask: BoolArray, cell_px: float) -> BeamSamples:
    """The cells of a mask as samples, thinned evenly."""
    rows, cols = np.nonzero(mask)
    every = max(1, -(-rows.size // _MAX_SAMPLES))
    rows, cols = rows[::every], cols[::every]
    # A cell's centre, with the centre of the first pixel at 0.
    x_px, y_px = ((index.astype(np.float64) + 0.5) * cell_px - 0.5 for index in (cols, rows))
    return BeamSamples(x_px=x_px, y_px=y_px, intensity=cells[rows, cols], source="background")
