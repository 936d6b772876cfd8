"""Find the annual marks on a profile."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from bandkit.bands.crests import find_doublets, find_stress_bands
from bandkit.bands.ensemble import Ensemble, draw_ensemble
from bandkit.bands.lattice import Lattice, best_sequence, make_lattice, posterior_of
from bandkit.bands.learn import NOISE_MM, first_guess, learn
from bandkit.bands.model import SAMPLES_PER_YEAR, AnnualMarks, Series, YearModel, log_noise, prepare
from bandkit.bands.place import local_year_mm, place_on_peaks
from bandkit.bands.spacing import compare_spacings
from bandkit.bands.texture import Texture, even_out, texture_of

FloatArray = NDArray[np.float64]

N_HARMONICS = 3
# A profile with fewer samples holds no years.
LEAST_SAMPLES = 20
# While spacings are compared, the evened texture is taken to be independent this often, as a fraction of the
# distance at which the texture's correlation has fallen to a half.
NOISE_PER_TEXTURE = 0.55


def find_marks(  # noqa: PLR0913  # what a person may know, each on its own and by name
    value: FloatArray,
    depth_mm: FloatArray,
    *,
    dense_side: int = 1,
    known_frac: FloatArray | None = None,
    looks: FloatArray | None = None,
    spacing_mm: float | None = None,
    outer_part_yr: float | None = None,
    fixed_mm: FloatArray | None = None,
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
        Two looks at the same bands through different corallites (`bandkit.follow.two_looks`): their difference
        tells what the texture is like and how well a mark is placed, their agreement tells bands from texture.
    spacing_mm : float, optional
        Expected length of a year, in mm; learnt from the profile where absent.
    outer_part_yr : float, optional
        Part of a year between the newest mark and the surface, from the dates.
    fixed_mm : ndarray, shape (n_fixed,), optional
        Depths that a person is certain are annual marks: no year leaves one of them out as long as the years
        between them are neither too short nor too long for the model. Others may lie between them.
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
    up = dense_side * value
    coarse = prepare(up, depth_mm, known_frac, step_mm=_coarse_step(depth_mm), fixed_mm=fixed_mm)
    if not coarse.weight.any():
        return _nothing()
    texture = _texture(looks, depth_mm, known_frac, coarse.step_mm)
    even = even_out(coarse, texture)
    noise_mm = NOISE_MM if texture is None else NOISE_PER_TEXTURE * texture.length_mm
    fits = compare_spacings(even, spacing_mm, outer_part_yr, noise_mm=noise_mm)
    best = fits[0][0]
    fine = prepare(up, depth_mm, known_frac, step_mm=_fine_step(depth_mm, best.spacing_mm), fixed_mm=fixed_mm)
    fine = even_out(fine, None)
    guess = replace(first_guess(fine, best.spacing_mm), spacing_log_sd=best.spacing_log_sd)
    model = learn(fine, guess, outer_part_yr, n_rounds=3, n_harmonics=N_HARMONICS, expected_mm=best.spacing_mm)
    lattice = make_lattice(fine, model, outer_part_yr)
    ensemble = draw_ensemble(even, fits, outer_part_yr, n_draws=n_draws)
    marks = _summarise(fine, model, lattice, ensemble)
    upright = None if looks is None else dense_side * looks
    marks = place_on_peaks(marks, up, upright, depth_mm, fixed_mm=coarse.fixed_mm)
    return _with_crests(marks, up, depth_mm)


def _texture(
    looks: FloatArray | None, depth_mm: FloatArray, known_frac: FloatArray | None, step_mm: float
) -> Texture | None:
    """What the texture is like, from half the difference of two looks."""
    if looks is None:
        return None
    difference = 0.5 * (looks[0] - looks[1])
    if np.isfinite(difference).sum() < LEAST_SAMPLES:
        return None
    return texture_of(prepare(difference, depth_mm, known_frac, step_mm=step_mm))


def _with_crests(marks: AnnualMarks, value: FloatArray, depth_mm: FloatArray) -> AnnualMarks:
    """The marks with the crests that are none: second ones of a year, and stress bands."""
    stress = find_stress_bands(value, depth_mm, marks.depth_mm, marks.model.spacing_mm)
    doublet = find_doublets(value, depth_mm, marks.depth_mm, marks.model.spacing_mm, stress)
    return replace(marks, doublet_mm=doublet, stress_mm=stress)


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


def _summarise(series: Series, model: YearModel, lattice: Lattice, ensemble: Ensemble) -> AnnualMarks:
    """Marks of the most probable sequence; how sure, and how many, by the ensemble."""
    path = best_sequence(lattice)
    inside = path[(path > lattice.pad) & (path < lattice.pad + series.n)]
    posterior = posterior_of(lattice)
    place = [_place(series, model, lattice.pad, posterior, inside, i) for i in range(len(inside))]
    depth, lo, hi, sd = (np.array(v, dtype=float) for v in (zip(*place, strict=True) if place else ([],) * 4))
    total_lo, total_hi = ensemble.count_within(np.array([np.inf]))
    year = local_year_mm(depth, model.spacing_mm)
    lo_at, hi_at = ensemble.count_within(depth + 0.5 * year)
    amplitude = float(np.ptp(model.shape(np.linspace(0, 1, 64)))) / 2
    rival = int(np.argmax(ensemble.share[1:])) + 1 if (ensemble.share[1:] > 0).any() else None
    return AnnualMarks(
        depth_mm=depth,
        lo_mm=lo,
        hi_mm=hi,
        sd_mm=sd,
        probability=ensemble.probability(depth, year),
        count_lo=min(int(total_lo[0]), len(depth)),
        count_hi=max(int(total_hi[0]), len(depth)),
        count_lo_at=lo_at,
        count_hi_at=hi_at,
        draws_mm=ensemble.draws_mm,
        model=model,
        cycle_snr=amplitude / model.noise_sd,
        log_odds_cycle=_cycle_log_odds(series, model, lattice),
        rival_spacing_mm=float("nan") if rival is None else float(ensemble.spacing_mm[rival]),
        rival_probability=0.0 if rival is None else float(ensemble.share[rival]),
    )


def _to_mm(series: Series, pad: int, at: NDArray[np.generic] | float) -> FloatArray:
    """Turn padded boundary positions into depth in mm: a boundary lies between two samples."""
    return np.asarray(series.start_mm + (np.asarray(at, float) - pad - 0.5) * series.step_mm)


def _place(
    series: Series, model: YearModel, pad: int, posterior: FloatArray, path: NDArray[np.int64], i: int
) -> tuple[float, float, float, float]:
    """Depth, 90 % interval and standard deviation of one mark."""
    at = int(path[i])
    gaps = [abs(int(path[j]) - at) for j in (i - 1, i + 1) if 0 <= j < len(path)]
    year = min(gaps) if gaps else model.spacing_mm / series.step_mm
    half = max(int(0.5 * year), 1)
    lo, hi = max(at - half, 0), min(at + half + 1, len(posterior))
    p = posterior[lo:hi]
    where = np.arange(lo, hi)
    p = p / max(float(p.sum()), 1e-12)
    cum = np.cumsum(p)
    mean = float((where * p).sum())
    # A boundary is known to one step at best; the interval includes that.
    sd = float(np.sqrt(((where - mean) ** 2 * p).sum() + 1.0 / 12.0)) * series.step_mm
    low = float(np.interp(0.05, cum, where)) - 0.5
    high = float(np.interp(0.95, cum, where)) + 0.5
    median = float(np.interp(0.5, cum - 0.5 * p, where))
    depth, lo_mm, hi_mm = (float(_to_mm(series, pad, v)) for v in (median, low, high))
    return depth, lo_mm, hi_mm, sd


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
