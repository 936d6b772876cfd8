"""The line as a curve, and its distal edge at the track centre."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandkit.stain.blocks import block_edges
from bandkit.stain.colour import COLUMN_MM, DyeIndex, log_ratios
from bandkit.stain.edge import EdgeFit, edge_shape, fit_edge
from bandkit.stain.shifts import MATCH_MM, column_shifts
from bandkit.stats import mean_known, robust_mean

FloatArray = NDArray[np.float64]

# Part of the profile that the edge is fitted to, outwards and inwards of the path.
OUTER_MM, INNER_MM = 4.0, 8.0
# Samples count less with distance from the edge: the shape of a far tail must not pull the edge.
WEIGHT_MM = 2.0
NARROW_MM = (-1.5, 2.0)
# Bends finer than the lobes, and the choice of the lobes' size itself, add to what the shifts' own scatter tells.
PATH_FACTOR = 1.7
# Residuals of an averaged profile hold less than the whole of what moves its edge. Calices stand out by a tenth of a
# millimetre or so, one every 1.5 mm: over the 15 mm or so that an edge is averaged along, that leaves 0.03 mm.
EDGE_FACTOR = 2.0
RELIEF_SD_MM = 0.03
ROUNDS = 3
# How far from the path the edge may be, at first and once the columns are aligned.
FIRST_REACH_MM, LATER_REACH_MM = 1.0, 0.4
# The true shape of seepage is unknown: between an exponential and a diffusive tail the edge moves
# by about this share of the blur.
SHAPE_SD_FRAC = 0.2
# Share of light that dye can take at most; keeps its logarithm finite.
MAX_LOST_FRAC = 0.95
# A column shows the line when it has this share of its amplitude.
SHOWN_FRAC = 0.35


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """A strip prepared for looking at lines closely.

    Parameters
    ----------
    light : ndarray, shape (n_depth, n_across, 3)
        Linear light, 0 where unknown.
    known : ndarray of bool, shape (n_depth, n_across)
        Where light is known.
    depth_mm, across_mm : ndarray
        Positions of the samples.
    index : DyeIndex
        Dye index on the working grid.
    """

    light: FloatArray
    known: NDArray[np.bool_]
    depth_mm: FloatArray
    across_mm: FloatArray
    index: DyeIndex


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """A traced line.

    Parameters
    ----------
    edge_mm : ndarray, shape (n_columns,)
        Distal edge in each column of the working grid.
    centre_mm : float
        Distal edge at the track centre.
    path_sd_mm : float
        Standard error of the path at the track centre, from the scatter of the columns.
    fit : EdgeFit
        Fit to the profile averaged along the line.
    hue_deg, hue_sd_deg : float
        Direction of the colour change in (ln(R/G), ln(B/G)).
    shown_frac : float
        Share of the columns that show the line.
    weights : ndarray, shape (2,)
        Weights of the two log ratios that the edge was fitted in.
    """

    edge_mm: FloatArray
    centre_mm: float
    path_sd_mm: float
    fit: EdgeFit
    hue_deg: float
    hue_sd_deg: float
    shown_frac: float
    weights: FloatArray

    @property
    def centre_sd_mm(self) -> float:
        """Standard error of the distal edge at the track centre."""
        return self._sd_mm(PATH_FACTOR, EDGE_FACTOR, RELIEF_SD_MM)

    @property
    def placed_sd_mm(self) -> float:
        """How well the edge can be placed by the scatter that is seen, without what is not."""
        return self._sd_mm(1.0, 1.0, 0.0)

    def _sd_mm(self, path_factor: float, edge_factor: float, relief_mm: float) -> float:
        """Errors of the edge, the path, the shape and the relief together."""
        parts = (edge_factor * self.fit.edge_sd_mm, path_factor * self.path_sd_mm, SHAPE_SD_FRAC * self.fit.blur_mm,
                 relief_mm)
        return float(np.sqrt(sum(part**2 for part in parts)))

    def dye(self, depth_mm: FloatArray) -> FloatArray:
        """Dye index of this line alone.

        Parameters
        ----------
        depth_mm : ndarray, shape (n, n_columns)
            Depths in each column of the working grid.

        Returns
        -------
        ndarray, shape (n, n_columns)
            Index that the line adds.
        """
        lost = self.fit.amplitude * edge_shape(depth_mm - self.edge_mm, self.fit.blur_mm, self.fit.tail_mm)
        return -np.log1p(-np.minimum(lost, MAX_LOST_FRAC))


def trace_line(scene: Scene, path_mm: FloatArray, others: tuple[Trace, ...] = (), *,
               weights: FloatArray | None = None) -> Trace | None:
    """Refine a path to the distal edge of a stain line.

    Parameters
    ----------
    scene : Scene
        The strip.
    path_mm : ndarray, shape (n_columns,)
        Rough depth of the line in each column of the working grid.
    others : tuple of Trace
        Other lines, whose dye is taken off first.
    weights : ndarray, shape (2,), optional
        Weights of the two log ratios; those of the strip's index where absent.

    Returns
    -------
    Trace or None
        None where no edge fits.

    Notes
    -----
    In turns: columns are aligned along the path and averaged, the edge model is fitted
    to the average, and each column is shifted to where the fitted shape explains most of it, smoothed along the
    line. The standard error adds that of the averaged edge and that of the path at the centre, from the scatter
    of the columns about it.
    """
    across = scene.index.across_mm
    path = path_mm.astype(np.float64)
    scatter, reach = 0.0, FIRST_REACH_MM
    weights = scene.index.weights if weights is None else weights
    for _ in range(ROUNDS - 1):
        u, _, columns, path = _straightened(scene, path, others, weights)
        fit = _surest_fit(robust_mean(columns), u, reach)
        if fit is None:
            return None
        shift, scatter = column_shifts(columns, u, fit, across)
        path, reach = path + shift, LATER_REACH_MM
    u, chroma, columns, path = _straightened(scene, path, others, weights)
    fit = _surest_fit(robust_mean(columns), u, reach)
    if fit is None:
        return None
    centre = float(np.interp(0.0, across, path)) + fit.edge_mm
    hue, hue_sd = _hue(chroma, u, fit)
    return Trace(edge_mm=path + fit.edge_mm, centre_mm=centre, path_sd_mm=scatter, fit=fit, hue_deg=hue,
                 hue_sd_deg=hue_sd, shown_frac=_shown(columns, u, fit), weights=weights)


def _straightened(scene: Scene, path_mm: FloatArray, others: tuple[Trace, ...], weights: FloatArray
                  ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Distance from the path, log ratios, the share of light that dye takes, column by column, and the path."""
    u, chroma, path = aligned(scene, path_mm, others)
    # The lens adds light, not logarithms: the blurred edge is symmetric in the share of light, not in its logarithm.
    return u, chroma, -np.expm1(-(chroma @ weights)), path


def _surest_fit(profile: FloatArray, u: FloatArray, reach_mm: float) -> EdgeFit | None:
    """Fit to a wide and to a narrow part of a profile; the one that places the edge better."""
    wide = 1.0 / (1.0 + (u / WEIGHT_MM) ** 2)
    # Next to a green band or another line only the nearest part is straight outside the edge.
    narrow = ((u >= NARROW_MM[0]) & (u <= NARROW_MM[1])).astype(np.float64)
    fits = [fit_edge(profile, u, weight, near_mm=0.0, reach_mm=reach_mm) for weight in (wide, narrow)]
    return min((f for f in fits if f is not None), key=lambda f: f.edge_sd_mm, default=None)


def aligned(scene: Scene, path_mm: FloatArray, others: tuple[Trace, ...] = ()
            ) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log ratios along a path, column by column, clean skeleton and other lines taken off.

    Parameters
    ----------
    scene : Scene
        The strip.
    path_mm : ndarray, shape (n_columns,)
        Depth of the path in each column of the working grid.
    others : tuple of Trace
        Lines to take off.

    Returns
    -------
    distance_mm : ndarray, shape (n,)
        Distance inwards from the path.
    chroma : ndarray, shape (n, n_columns, 2)
        ln(R/G) and ln(B/G); NaN where unknown.
    path_mm : ndarray, shape (n_columns,)
        The path that was followed: on whole samples, averaged over each column.
    """
    step = float(scene.depth_mm[1] - scene.depth_mm[0])
    offsets = np.arange(-round(OUTER_MM / step), round(INNER_MM / step) + 1)
    index = scene.index
    starts, _ = block_edges(scene.across_mm, COLUMN_MM)
    rows = np.rint((_at_samples(path_mm, index.across_mm, scene.across_mm) - scene.depth_mm[0]) / step).astype(np.int64)
    count = np.diff(np.append(starts, len(rows)))
    followed: FloatArray = scene.depth_mm[0] + step * np.add.reduceat(rows, starts) / count
    chroma = log_ratios(np.add.reduceat(_rows_of(scene, rows[None, :] + offsets[:, None]), starts, axis=1))
    u: FloatArray = offsets.astype(np.float64) * step
    depth = followed[None, :] + u[:, None]
    for j in range(len(followed)):
        for c in range(2):
            chroma[:, j, c] -= np.interp(depth[:, j], index.depth_mm, index.drift[:, j, c])
    # Other lines are known in the index; their share in the two ratios follows from their hue.
    for other in others:
        hue = np.radians(other.hue_deg)
        direction = np.array([np.cos(hue), np.sin(hue)])
        gain = max(float(direction @ other.weights), 0.2)
        chroma -= other.dye(depth)[..., None] * direction / gain
    return u, chroma, followed


def _rows_of(scene: Scene, rows: NDArray[np.int64]) -> FloatArray:
    """Light at given rows of each sample column, 0 where unknown."""
    last = len(scene.depth_mm) - 1
    light = scene.light[np.clip(rows, 0, last), np.arange(len(scene.across_mm))[None, :]]
    light[(rows < 0) | (rows > last)] = 0.0
    return np.asarray(light)


def _at_samples(values: FloatArray, columns_mm: FloatArray, across_mm: FloatArray) -> FloatArray:
    """Values of the working columns at the samples across, straight on beyond the outermost centres."""
    if len(columns_mm) < 2:
        return np.full(len(across_mm), values[0])
    out = np.interp(across_mm, columns_mm, values)
    for end, inner, side in ((0, 1, across_mm < columns_mm[0]), (-1, -2, across_mm > columns_mm[-1])):
        slope = (values[end] - values[inner]) / (columns_mm[end] - columns_mm[inner])
        out[side] = values[end] + slope * (across_mm[side] - columns_mm[end])
    return out


def edge_across(trace: Trace, scene: Scene) -> FloatArray:
    """Distal edge of a line at each sample across the strip.

    Parameters
    ----------
    trace : Trace
        The line.
    scene : Scene
        The strip.

    Returns
    -------
    ndarray, shape (n_across,)
        Depth in mm.
    """
    return _at_samples(trace.edge_mm, scene.index.across_mm, scene.across_mm)


def _shown(columns: FloatArray, u: FloatArray, fit: EdgeFit) -> float:
    """Share of the columns whose own amplitude is a fair part of the line's."""
    near = (u >= MATCH_MM[0]) & (u <= MATCH_MM[1])
    shape = edge_shape(u[near] - fit.edge_mm, max(fit.blur_mm, 0.08), fit.tail_mm)
    shape -= shape.mean()
    y = columns[near]
    enough = np.isfinite(y).mean(axis=0) > 0.5
    y = np.where(np.isfinite(y), y - mean_known(y, 0), 0.0)
    amplitude = shape @ y / max(float(shape @ shape), 1e-30)
    return float(np.mean(amplitude[enough] > SHOWN_FRAC * fit.amplitude)) if enough.any() else 0.0


def _hue(chroma: FloatArray, u: FloatArray, fit: EdgeFit) -> tuple[float, float]:
    """Direction of the colour change at the edge, and its standard error, in degrees."""
    shape = edge_shape(u - fit.edge_mm, fit.blur_mm, fit.tail_mm)
    near = (u >= NARROW_MM[0]) & (u <= NARROW_MM[1])
    steps, errors = [], []
    for c in range(2):
        profile = robust_mean(chroma[..., c])
        use = np.isfinite(profile) & near
        design = np.stack([shape, np.ones_like(u), u], axis=1)[use]
        solution = np.linalg.lstsq(design, profile[use], rcond=None)[0]
        residual = profile[use] - design @ solution
        # Texture is alike over about half a millimetre: as many samples as that are one.
        alike = max(0.5 / float(u[1] - u[0]), 1.0)
        spread = np.linalg.pinv(design.T @ design)[0, 0] * float(residual @ residual) / max(len(residual) - 3, 1)
        steps.append(float(solution[0]))
        errors.append(float(np.sqrt(max(spread, 0.0) * alike)))
    size = max(float(np.hypot(steps[0], steps[1])), 1e-12)
    return float(np.degrees(np.arctan2(steps[1], steps[0]))), float(np.degrees(np.hypot(errors[0], errors[1]) / size))
