"""Find the annual marks on a profile."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bandkit.bands.lattice import Lattice, best_sequence, draw_sequences, make_lattice, posterior_of
from bandkit.bands.learn import learn
from bandkit.bands.model import SAMPLES_PER_YEAR, AnnualMarks, Series, YearModel, log_noise, prepare
from bandkit.bands.place import place_on_peaks
from bandkit.bands.spacing import compare_spacings, rival_of

FloatArray = NDArray[np.float64]

N_HARMONICS = 3
# A profile with fewer samples holds no years.
LEAST_SAMPLES = 20
# The same profile always gives the same draws.
DRAW_SEED = 0


def find_marks(
    value: FloatArray,
    depth_mm: FloatArray,
    *,
    dense_side: int = 1,
    known_frac: FloatArray | None = None,
    looks: FloatArray | None = None,
    spacing_mm: float | None = None,
    outer_part_yr: float | None = None,
    n_draws: int = 500,
) -> AnnualMarks:
    """Find the annual marks on a profile.

    Parameters
    ----------
    value : ndarray, shape (n_depth,)
        Profile in any unit; NaN where unknown.
    depth_mm : ndarray, shape (n_depth,)
        Depth from the outer surface, in mm, equally spaced, increasing.
    dense_side : {1, -1}
        1 when the mark is a maximum of the profile, -1 when it is a minimum.
    known_frac : ndarray, shape (n_depth,), optional
        Share of the strip's width that was known, 0 to 1; weighs the samples.
    looks : ndarray, shape (2, n_depth), optional
        Two looks at the same bands through different corallites (`bandkit.follow.two_looks`): whether
        they agree tells bands from texture, and how far their peaks disagree how well a mark is placed.
    spacing_mm : float, optional
        Expected length of a year, in mm; learnt from the profile where absent.
    outer_part_yr : float, optional
        Part of a year between the newest mark and the surface, from the dates.
    n_draws : int
        Number of sequences to draw.

    Returns
    -------
    AnnualMarks
        The most probable sequence with probabilities and intervals; no marks where
        the track is shorter than a year and a half of the least spacing.
    """
    if np.isfinite(value).sum() < LEAST_SAMPLES:
        return _nothing()
    coarse = prepare(dense_side * value, depth_mm, known_frac, step_mm=_coarse_step(depth_mm))
    fits = compare_spacings(coarse, spacing_mm, outer_part_yr)
    best = fits[0][0]
    fine = prepare(dense_side * value, depth_mm, known_frac, step_mm=_fine_step(depth_mm, best.spacing_mm))
    model = learn(fine, best, outer_part_yr, n_rounds=3, n_harmonics=N_HARMONICS, expected_mm=spacing_mm)
    lattice = make_lattice(fine, model, outer_part_yr)
    marks = _summarise(fine, model, lattice, rival_of(fits), n_draws=n_draws)
    return place_on_peaks(marks, dense_side * value, None if looks is None else dense_side * looks, depth_mm)


def _nothing() -> AnnualMarks:
    """No marks: there is no profile to find them on."""
    none = np.empty(0)
    blank = YearModel(
        spacing_mm=float("nan"),
        spacing_log_sd=float("nan"),
        harmonics=np.zeros((2, N_HARMONICS)),
        amplitude_sd=float("nan"),
        level_sd=float("nan"),
        noise_sd=float("nan"),
        noise_mm=float("nan"),
    )
    return AnnualMarks(
        depth_mm=none,
        lo_mm=none,
        hi_mm=none,
        sd_mm=none,
        probability=none,
        count_lo=0,
        count_hi=0,
        count_lo_at=none,
        count_hi_at=none,
        draws_mm=[],
        model=blank,
        cycle_snr=0.0,
        log_odds_cycle=float("-inf"),
        rival_spacing_mm=float("nan"),
        rival_probability=0.0,
    )


def _coarse_step(depth_mm: FloatArray) -> float:
    """Step for comparing spacings: never finer than the data."""
    return max(0.25, float(depth_mm[1] - depth_mm[0]))


def _fine_step(depth_mm: FloatArray, spacing_mm: float) -> float:
    """Step for placing marks, never finer than the data."""
    return max(spacing_mm / SAMPLES_PER_YEAR, float(depth_mm[1] - depth_mm[0]))


def _summarise(
    series: Series, model: YearModel, lattice: Lattice, rival: tuple[float, float], *, n_draws: int
) -> AnnualMarks:
    """Marks with probability and interval, the count and its interval."""
    path = best_sequence(lattice)
    pad, end = lattice.pad, lattice.pad + series.n
    inside = path[(path > pad) & (path < end)]
    posterior = posterior_of(lattice)
    draws = [d[(d > pad) & (d < end)] for d in draw_sequences(lattice, n_draws, DRAW_SEED)]
    place = [_place(series, model, lattice.pad, posterior, inside, i) for i in range(len(inside))]
    depth, lo, hi, sd, probability = (
        np.array(v, dtype=float) for v in (zip(*place, strict=True) if place else ([],) * 5)
    )
    counts = np.array([len(d) for d in draws])
    lo_at, hi_at = _running_count(draws, inside, model.spacing_mm / series.step_mm)
    amplitude = float(np.ptp(model.shape(np.linspace(0, 1, 64)))) / 2
    return AnnualMarks(
        depth_mm=depth,
        lo_mm=lo,
        hi_mm=hi,
        sd_mm=sd,
        probability=probability,
        count_lo=int(np.quantile(counts, 0.05, method="inverted_cdf")),
        count_hi=int(np.quantile(counts, 0.95, method="inverted_cdf")),
        count_lo_at=lo_at,
        count_hi_at=hi_at,
        draws_mm=[_to_mm(series, pad, d) for d in draws],
        model=model,
        cycle_snr=amplitude / model.noise_sd,
        log_odds_cycle=_cycle_log_odds(series, model, lattice),
        rival_spacing_mm=rival[0],
        rival_probability=rival[1],
    )


def _to_mm(series: Series, pad: int, at: NDArray[np.generic] | float) -> FloatArray:
    """Turn padded boundary positions into depth in mm: a boundary lies between two samples."""
    return np.asarray(series.start_mm + (np.asarray(at, float) - pad - 0.5) * series.step_mm)


def _place(
    series: Series, model: YearModel, pad: int, posterior: FloatArray, path: NDArray[np.int64], i: int
) -> tuple[float, float, float, float, float]:
    """Depth, 90 % interval, standard deviation and probability of one mark."""
    at = int(path[i])
    gaps = [abs(int(path[j]) - at) for j in (i - 1, i + 1) if 0 <= j < len(path)]
    year = min(gaps) if gaps else model.spacing_mm / series.step_mm
    half = max(int(0.5 * year), 1)
    near = max(round(0.3 * year), 1)
    lo, hi = max(at - half, 0), min(at + half + 1, len(posterior))
    p = posterior[lo:hi]
    where = np.arange(lo, hi)
    probability = float(np.clip(posterior[max(at - near, 0) : at + near + 1].sum(), 0.0, 1.0))
    p = p / max(float(p.sum()), 1e-12)
    cum = np.cumsum(p)
    mean = float((where * p).sum())
    # A boundary is known to one step at best; the interval includes that.
    sd = float(np.sqrt(((where - mean) ** 2 * p).sum() + 1.0 / 12.0)) * series.step_mm
    low = float(np.interp(0.05, cum, where)) - 0.5
    high = float(np.interp(0.95, cum, where)) + 0.5
    median = float(np.interp(0.5, cum - 0.5 * p, where))
    depth, lo_mm, hi_mm = (float(_to_mm(series, pad, v)) for v in (median, low, high))
    return depth, lo_mm, hi_mm, sd, probability


def _running_count(
    draws: list[NDArray[np.int64]], inside: NDArray[np.int64], year: float
) -> tuple[FloatArray, FloatArray]:
    """90 % interval of the number of marks down to each mark, itself included."""
    if len(inside) == 0:
        return np.empty(0), np.empty(0)
    counts = np.stack([np.searchsorted(d, inside + 0.5 * year, side="right") for d in draws])
    return (
        np.quantile(counts, 0.05, axis=0, method="inverted_cdf").astype(float),
        np.quantile(counts, 0.95, axis=0, method="inverted_cdf").astype(float),
    )


def _cycle_log_odds(series: Series, model: YearModel, lattice: Lattice) -> float:
    """Log likelihood of the annual model over noise with the same level changes, per year."""
    from scipy.ndimage import gaussian_filter1d

    y, w = series.value, series.weight
    years = max(series.n * series.step_mm / model.spacing_mm, 1.0)
    share = min(series.step_mm / model.noise_mm, 1.0)
    sd = 0.5 * model.spacing_mm / series.step_mm
    slow = gaussian_filter1d(y * w, sd) / np.maximum(gaussian_filter1d(w, sd), 1e-9)
    rest = float((w * (y - slow) ** 2).sum())
    n_eff = share * float(w.sum())
    free = 0.5 * n_eff * (np.log(max(rest / max(float(w.sum()), 1e-9), 1e-12)) + 1.0)
    free += 0.5 * n_eff * np.log(2 * np.pi)
    return float(lattice.log_evidence + log_noise(series, model) + free) / years
