"""Fit the open beam, and the veil with it.

Few places with nothing in the beam, or bars beside them, decide little: the surface is held near what usual tubes
do, which a model of them says, as far as the samples leave it open.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandkit.density.beam import (
    UNKNOWN_LEVEL_SD,
    Beam,
    BeamSamples,
    even_beam,
    frame,
)
from bandkit.density.tubes import POWERS, terms, usual_tubes
from bandkit.density.veil import VEIL_MEAN, Veil, VeilMaps, usual_covariance, usual_veil
from bandkit.stats import robust_sd

FloatArray = NDArray[np.float64]

_FREE_LEVEL_SD = 100.0
# Samples are put together in this many cells per side, so that a large patch does not outvote a small one.
_CELLS = 20
_MIN_RESIDUAL = 5e-4
# A misfit of the surface is common to about this many neighbouring cells, so they count as one.
_CELLS_TOGETHER = 4
_TUKEY = 4.685


def fit_beam(x_px: ArrayLike, y_px: ArrayLike, intensity: ArrayLike, *, shape: tuple[int, int]) -> Beam:
    """Fit the smooth surface of the open beam, without a veil.

    Parameters
    ----------
    x_px, y_px : array_like, shape (n,)
        Places with nothing in the beam, in pixels.
    intensity : array_like, shape (n,)
        Intensity that arrived there; samples that are not positive are left out.
    shape : tuple of int
        Rows and columns of the image.

    Returns
    -------
    Beam
        See `fit_beam_and_veil`.
    """
    x, y, values = (np.asarray(a, np.float64).ravel() for a in (x_px, y_px, intensity))
    return fit_beam_and_veil(BeamSamples(x_px=x, y_px=y, intensity=values), shape=shape)[0]


def fit_beam_and_veil(
    samples: BeamSamples,
    *,
    shape: tuple[int, int],
    spread: VeilMaps | None = None,
    mm_per_px: float | None = None,
    source_to_detector_mm: float | None = None,
) -> tuple[Beam, Veil | None]:
    """Fit the smooth surface of the open beam, and the veil.

    Parameters
    ----------
    samples : BeamSamples
        Exposure where nothing lies in the beam, and on uniform bars; what is not positive is left out.
    shape : tuple of int
        Rows and columns of the image.
    spread : VeilMaps, optional
        Exposure spread out; without it no veil is fitted.
    mm_per_px, source_to_detector_mm : float, optional
        Scale of the image and distance of the source, where they are known.

    Returns
    -------
    beam : Beam
        The surface; even, and with a standard deviation to match, where there are no samples.
    veil : Veil or None
        None without ``spread``.

    Notes
    -----
    Medians of the samples in a grid of 20 x 20 cells are fitted by least squares with Tukey's
    biweight (iterated), and with priors on the coefficients:
    ``C = (A' W A / v + P)^-1, a = C A' W ln E / v`` with ``v`` four times the robust variance of the
    cells about the surface, since its misfit is common to neighbouring cells. Beside the terms of the surface, A has a
    column for the level of each bar and one for each reach of the veil, its map over the exposure: ``E = E0 + f V``
    is ``ln E = ln E0 + f V / E`` as long as the veil is small. Shares of the veil are not less than 0.
    """
    good = np.isfinite(samples.intensity) & (samples.intensity > 0)
    if not good.any():
        return even_beam(1.0, shape=shape), None if spread is None else usual_veil(spread)
    bar = np.zeros(len(samples), np.int64) if samples.bar is None else samples.bar
    cells = _cell_medians(samples.x_px[good], samples.y_px[good], np.log(samples.intensity[good]), bar[good], shape)
    centre, half = frame(shape)
    tubes = usual_tubes(None if mm_per_px is None else half * mm_per_px, source_to_detector_mm)
    design, mean, precision = _design(cells, centre, half, spread, tubes)
    n_terms = len(POWERS)
    n_veils = 0 if spread is None else len(spread.maps)
    coefficients, covariance, residual = _robust_fit(design, cells.log, mean, precision, n_veils=n_veils)
    n = int(good.sum())
    what = "open beam" if not bar.any() else "uniform bars" if bar.all() else "open beam and uniform bars"
    method = (f"The open beam was modelled as a third-order surface of the logarithm of intensity, fitted to "
              f"{n} samples of {what} with a scatter of {100 * residual:.2f} %.")
    beam = Beam(coefficients=coefficients[:n_terms], covariance=covariance[:n_terms, :n_terms], centre_px=centre,
                half_px=half, residual_frac=residual, n_samples=n, method=method)
    if spread is None:
        return beam, None
    return beam, Veil(spread=spread, shares=coefficients[-n_veils:], covariance=covariance[-n_veils:, -n_veils:])


class _Cells(NamedTuple):
    """Mean position, median value and bar of the samples in each occupied cell of a grid."""

    x: FloatArray
    y: FloatArray
    log: FloatArray
    bar: NDArray[np.int64]


def _cell_medians(x: FloatArray, y: FloatArray, log: FloatArray, bar: NDArray[np.int64],
                  shape: tuple[int, int]) -> _Cells:
    """Put samples together, those of different bars apart."""
    cell_px = max(shape) / _CELLS
    cell = ((bar * (_CELLS + 1)) + (y // cell_px).astype(int)) * (_CELLS + 1) + (x // cell_px).astype(int)
    order = np.argsort(cell, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(cell[order])) + 1)
    return _Cells(np.array([x[g].mean() for g in groups]), np.array([y[g].mean() for g in groups]),
                  np.array([np.median(log[g]) for g in groups]), np.array([bar[g[0]] for g in groups]))


def _design(cells: _Cells, centre: tuple[float, float], half: float, spread: VeilMaps | None,
            tubes: tuple[FloatArray, FloatArray]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Columns of the fit, with the mean and the precision of their prior."""
    columns = [terms((cells.x - centre[0]) / half, (cells.y - centre[1]) / half)]
    mean, covariance = tubes[0].copy(), tubes[1].copy()
    is_open = cells.bar == 0
    # Without open beam its level is only known to lie above the bars, about as far as a bar usually dims.
    mean[0] = np.median(cells.log[is_open]) if is_open.any() else np.median(cells.log) + UNKNOWN_LEVEL_SD
    covariance[0, 0] = _FREE_LEVEL_SD**2 if is_open.any() else UNKNOWN_LEVEL_SD**2
    means = [mean]
    bars = np.unique(cells.bar[~is_open])
    columns.append((cells.bar[:, None] == bars).astype(np.float64))
    means.append(np.full(len(bars), -UNKNOWN_LEVEL_SD))
    if spread is not None:
        columns.append(spread.at(cells.x, cells.y) / np.exp(cells.log)[:, None])
        means.append(np.full(len(spread.maps), VEIL_MEAN))
    blocks = [covariance, _FREE_LEVEL_SD**2 * np.eye(len(bars))]
    if spread is not None:
        blocks.append(usual_covariance(len(spread.maps)))
    return np.concatenate(columns, axis=1), np.concatenate(means), _inverses(blocks)


def _inverses(blocks: list[FloatArray]) -> FloatArray:
    """Inverse of a matrix of blocks along the diagonal."""
    total = np.zeros((sum(len(b) for b in blocks),) * 2)
    start = 0
    for block in blocks:
        end = start + len(block)
        total[start:end, start:end] = np.linalg.inv(block)
        start = end
    return total


def _robust_fit(design: FloatArray, values: FloatArray, mean: FloatArray, precision: FloatArray, *,
                n_veils: int) -> tuple[FloatArray, FloatArray, float]:
    """Coefficients, covariance and robust scatter of a linear model with priors; the last ones not below 0."""
    weights = np.ones(len(values))
    scatter = 0.003
    for _ in range(12):
        weighted = design * weights[:, None] / (_CELLS_TOGETHER * scatter**2)
        information = design.T @ weighted + precision
        right = weighted.T @ values + precision @ mean
        covariance: FloatArray = np.asarray(np.linalg.inv(information), np.float64)
        coefficients = covariance @ right
        kept = np.ones(len(mean), dtype=bool)
        kept[len(mean) - n_veils :] = coefficients[len(mean) - n_veils :] > 0
        if not kept.all():
            coefficients = np.zeros(len(mean))
            coefficients[kept] = np.linalg.solve(information[np.ix_(kept, kept)], right[kept])
            coefficients[len(mean) - n_veils :] = np.maximum(coefficients[len(mean) - n_veils :], 0.0)
        residual = values - design @ coefficients
        robust = robust_sd(residual, about=0.0)
        # Few cells follow the surface too well to show its misfit.
        scatter = max(robust, _MIN_RESIDUAL) if len(values) > len(POWERS) else max(robust, 0.003)
        weights = np.clip(1 - (residual / (_TUKEY * scatter)) ** 2, 0, None) ** 2
    return coefficients, covariance, scatter
