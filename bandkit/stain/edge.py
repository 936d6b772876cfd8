"""The distal edge of a stain: a sharp rise, a seepage tail inwards, blurred by the lens."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Bounds of what a photograph of a slab can show, in mm.
BLUR_MM = (0.02, 0.6)
TAIL_MM = (0.2, 10.0)
# First guesses, then refined.
BLUR_GRID_MM = np.array([0.06, 0.15, 0.3])
TAIL_GRID_MM = np.array([0.4, 0.9, 2.0, 4.0])
# Residuals further apart than this are taken as independent.
MEMORY_MM = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeFit:
    """Fitted edge model of one averaged profile.

    Parameters
    ----------
    edge_mm, edge_sd_mm : float
        Distal edge in the profile's own depth, and its standard error.
    blur_mm, tail_mm : float
        Standard deviation of the blur; depth over which the dye falls by 1/e.
    amplitude, amplitude_sd : float
        Step at the edge before blur, in units of the profile, and its standard error.
    base, base_per_mm : float
        Unstained skeleton: value at depth 0 and slope.
    residual_sd : float
        Standard deviation of what the model does not explain.
    """

    edge_mm: float
    edge_sd_mm: float
    blur_mm: float
    tail_mm: float
    amplitude: float
    amplitude_sd: float
    base: float
    base_per_mm: float
    residual_sd: float


def edge_shape(distance_mm: FloatArray, blur_mm: float | FloatArray, tail_mm: float | FloatArray) -> FloatArray:
    """Dye against distance inwards from the edge: an exponential tail blurred by a Gaussian.

    Parameters
    ----------
    distance_mm : ndarray
        Distance from the edge, positive inwards.
    blur_mm, tail_mm : float or ndarray, broadcastable
        Standard deviation of the blur, length of the tail.

    Returns
    -------
    ndarray
        Shape of unit step before blur.

    Notes
    -----
    ``0.5 exp(s^2 / 2 t^2 - u / t) erfc((s / t - u / s) / sqrt 2)``: the convolution of
    ``exp(-u / t)`` for u > 0, 0 elsewhere, with a normal density of standard deviation s.
    """
    # Imported here: fitting needs it, asking for help does not.
    from scipy.special import erfc

    u = np.asarray(distance_mm, dtype=np.float64)
    # Far outside, the exponential grows while erfc is 0; the bound keeps their product finite.
    exponent = np.minimum(0.5 * (blur_mm / tail_mm) ** 2 - u / tail_mm, 300.0)
    return np.asarray(0.5 * np.exp(exponent) * erfc((blur_mm / tail_mm - u / blur_mm) / np.sqrt(2.0)))


def fit_edge(profile: FloatArray, depth_mm: FloatArray, weight: FloatArray, *, near_mm: float, reach_mm: float
             ) -> EdgeFit | None:
    """Fit the edge model to a profile by weighted least squares.

    Parameters
    ----------
    profile : ndarray, shape (n,)
        Dye index against depth; NaN where unknown.
    depth_mm : ndarray, shape (n,)
        Depth, increasing, equally spaced.
    weight : ndarray, shape (n,)
        Weight of each sample, 0 to leave it out.
    near_mm, reach_mm : float
        The edge is looked for within ``reach_mm`` of ``near_mm``.

    Returns
    -------
    EdgeFit or None
        None where too little is known or no rise fits.

    Notes
    -----
    ``f(d) = b0 + b1 d + a E(d - d0; s, t)`` with the shape E of `edge_shape`. A grid over
    d0, s and t with a, b0, b1 solved in each cell is the start, Gauss-Newton steps with Marquardt's
    damping the end. The standard error is the sandwich form with the autocovariance of
    the residuals, tapered to nothing at 1.5 mm, since neighbouring samples share texture.

    References
    ----------
    Marquardt, D. W. (1963) J. SIAM 11, 431-441.
    Newey, W. K. and West, K. D. (1987) Econometrica 55, 703-708.
    """
    use = np.isfinite(profile) & (weight > 0)
    outside = use & (depth_mm < near_mm)
    if use.sum() < 12 or outside.sum() < 3:
        return None
    y, d, w = profile[use], depth_mm[use], np.sqrt(weight[use])
    start = _grid_start(y, d, w, near_mm, reach_mm)
    if start is None:
        return None
    parameters = _refine(start, y, d, w, (near_mm - reach_mm, near_mm + reach_mm))
    shape, (amplitude, base, slope) = _solve_linear(parameters, y, d, w)
    residual = y - amplitude * shape - base - slope * d
    if not amplitude > 0:
        return None
    edge_sd, amplitude_sd = _standard_errors(parameters, amplitude, residual, d, w)
    return EdgeFit(edge_mm=float(parameters[0]), edge_sd_mm=edge_sd, amplitude_sd=amplitude_sd,
                   blur_mm=float(np.exp(parameters[1])), tail_mm=float(np.exp(parameters[2])),
                   amplitude=float(amplitude), base=float(base), base_per_mm=float(slope),
                   residual_sd=float(np.sqrt(np.average(residual**2, weights=w**2))))


def _grid_start(y: FloatArray, d: FloatArray, w: FloatArray, near: float, reach: float) -> FloatArray | None:
    """Best cell of a grid over edge, blur and tail; the linear part is solved by projection."""
    step = float(np.median(np.diff(d)))
    edges = np.arange(near - reach, near + reach + step / 2, max(step, 0.05))
    e, s, t = (a.ravel() for a in np.meshgrid(edges, BLUR_GRID_MM, TAIL_GRID_MM, indexing="ij"))
    shapes = edge_shape(d[None, :] - e[:, None], s[:, None], t[:, None]) * w
    base, _ = np.linalg.qr(np.stack([w, d * w], axis=1))
    shapes -= (shapes @ base) @ base.T
    target = y * w - base @ (base.T @ (y * w))
    norm = np.sqrt((shapes**2).sum(axis=1))
    explained = np.where(norm > 1e-9, (shapes @ target) / np.maximum(norm, 1e-9), -np.inf)
    best = int(np.argmax(explained))
    if not explained[best] > 0:
        return None
    return np.array([e[best], np.log(s[best]), np.log(t[best])])


def _solve_linear(parameters: FloatArray, y: FloatArray, d: FloatArray, w: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Shape for given edge, blur and tail, and the best amplitude, base and slope."""
    shape = edge_shape(d - parameters[0], float(np.exp(parameters[1])), float(np.exp(parameters[2])))
    design = np.stack([shape, np.ones_like(d), d], axis=1)
    weighted = design * w[:, None]
    normal = weighted.T @ weighted
    # The ridge only matters where the shape is nothing or straight, and keeps that from being an error.
    return shape, np.linalg.solve(normal + 1e-10 * np.trace(normal) * np.eye(3), weighted.T @ (y * w))


def _refine(start: FloatArray, y: FloatArray, d: FloatArray, w: FloatArray, bounds: tuple[float, float]) -> FloatArray:
    """Damped Gauss-Newton over edge, log blur and log tail, the linear part solved at each step."""
    low = np.array([bounds[0], np.log(BLUR_MM[0]), np.log(TAIL_MM[0])])
    high = np.array([bounds[1], np.log(BLUR_MM[1]), np.log(TAIL_MM[1])])
    parameters, damping = start, 1e-2
    residual = _residual(parameters, y, d, w)
    for _ in range(15):
        jacobian = np.stack([(_residual(parameters + h, y, d, w) - residual) / 1e-4 for h in 1e-4 * np.eye(3)], axis=1)
        normal = jacobian.T @ jacobian
        normal += damping * np.diag(np.diag(normal) + 1e-12)
        trial = np.clip(parameters - np.linalg.solve(normal, jacobian.T @ residual), low, high)
        trial_residual = _residual(trial, y, d, w)
        if trial_residual @ trial_residual < residual @ residual:
            moved = float(np.max(np.abs(trial - parameters)))
            parameters, residual, damping = trial, trial_residual, damping / 5.0
            if moved < 1e-4:
                break
        else:
            damping *= 5.0
            if damping > 1e6:
                break
    return parameters


def _residual(parameters: FloatArray, y: FloatArray, d: FloatArray, w: FloatArray) -> FloatArray:
    """Weighted residual with the linear part at its best (variable projection)."""
    shape, (amplitude, base, slope) = _solve_linear(parameters, y, d, w)
    return np.asarray((y - amplitude * shape - base - slope * d) * w)


def _standard_errors(parameters: FloatArray, amplitude: float, residual: FloatArray, d: FloatArray, w: FloatArray
                     ) -> tuple[float, float]:
    """Standard errors of the edge and of the amplitude with autocorrelated residuals."""
    def shape(p: FloatArray) -> FloatArray:
        return amplitude * edge_shape(d - p[0], float(np.exp(p[1])), float(np.exp(p[2])))

    jacobian = np.stack([*[(shape(parameters + h) - shape(parameters - h)) / 2e-3 for h in 1e-3 * np.eye(3)],
                         shape(parameters) / amplitude, np.ones_like(d), d - d.mean()], axis=1)
    # A little ridge on blur and tail: at their bounds they carry no information and must not spoil the inverse.
    weighted = jacobian * w[:, None]
    normal = weighted.T @ weighted
    inverse = np.linalg.pinv(normal + 1e-9 * np.trace(normal) * np.diag([0, 1, 1, 0, 0, 0]))
    influence = (inverse @ (jacobian * (w**2)[:, None]).T)[[0, 3]]
    step = float(np.median(np.diff(d)))
    lags = min(max(round(MEMORY_MM / step), 1), len(d) - 1)
    spare = len(d) / max(len(d) - 6, 1)
    variance = np.zeros(2)
    for lag in range(lags + 1):
        covariance = float(np.mean(residual[lag:] * residual[:len(residual) - lag])) * spare
        overlap = np.einsum("ij,ij->i", influence[:, lag:], influence[:, :len(residual) - lag])
        variance += (1.0 if lag == 0 else 2.0) * (1.0 - lag / (lags + 1)) * covariance * overlap
    edge_sd, amplitude_sd = np.sqrt(np.maximum(variance, 0.0))
    return float(edge_sd), float(amplitude_sd)
