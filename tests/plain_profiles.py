"""Profiles of known years: crests one by one on a slow ground, with texture that two looks share in nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

STEP_MM = 0.1


@dataclass(frozen=True, kw_only=True, eq=False)
class Profile:
    """A profile, two looks at it, and where its annual crests are."""

    depth_mm: np.ndarray
    value: np.ndarray
    looks: np.ndarray
    marks_mm: np.ndarray
    year_mm: float

    def right(self, found_mm: np.ndarray, within_yr: float = 0.3) -> np.ndarray:
        """Which of the found marks is the nearest to a true one of its own."""
        local = np.interp(found_mm, self.marks_mm[1:], np.diff(self.marks_mm))
        nearest = np.argmin(np.abs(found_mm[:, None] - self.marks_mm[None, :]), axis=1)
        away = np.abs(found_mm - self.marks_mm[nearest])
        first = [np.flatnonzero(nearest == k)[np.argmin(away[nearest == k])] for k in np.unique(nearest)]
        return (away < within_yr * local) & np.isin(np.arange(len(found_mm)), first)


def autoregressive(rng: np.random.Generator, n: int, length_mm: float, *, step_mm: float = STEP_MM) -> np.ndarray:
    """Texture of the first order, of standard deviation 1, whose correlation falls by e in so many mm."""
    r = np.exp(-step_mm / length_mm)
    return lfilter([np.sqrt(1 - r * r)], [1.0, -r], rng.standard_normal(n + 500))[500:]


def profile(seed: int, *, year_mm: float = 9.0, n_years: int = 15, cv: float = 0.2, texture: float = 0.3,
            texture_mm: float = 1.0, doublet: float = 0.0, drift: float = 0.25) -> Profile:
    """Crests a third of a year wide, lengths of years by the gamma distribution, heights from half to one and a half."""
    rng = np.random.default_rng([seed, 20])
    lengths = rng.gamma(1 / cv**2, year_mm * cv**2, n_years + 2)
    at = np.cumsum(lengths) - lengths[0] - rng.uniform(0.1, 0.9) * lengths[1]
    end = at[-1] - rng.uniform(0.1, 0.9) * lengths[-1]
    depth = np.arange(0.0, end, STEP_MM)
    ground = drift * np.sin(2 * np.pi * depth / max(end, 10 * year_mm) + rng.uniform(0, 6))
    edges = np.append(at, at[-1] + year_mm)
    for k, height in enumerate(rng.uniform(0.6, 1.4, len(at))):
        ground += height * _crest(depth, at[k], lengths[k], lengths[min(k + 1, len(at) - 1)])
        second = doublet * rng.uniform(0.5, 1.5) if doublet else 0.0
        between = edges[k] + 0.45 * (edges[k + 1] - edges[k])
        ground += second * np.exp(-0.5 * ((depth - between) / (0.07 * lengths[k])) ** 2)
    looks = ground + np.sqrt(2) * texture * np.stack([autoregressive(rng, len(depth), texture_mm) for _ in range(2)])
    inside = at[(at > 0) & (at < end)]
    return Profile(depth_mm=depth, value=looks.mean(axis=0), looks=looks, marks_mm=inside, year_mm=year_mm)


def _crest(depth: np.ndarray, at: float, outer: float, inner: float) -> np.ndarray:
    """A hump over half the year on both sides, steeper outside."""
    u = np.where(depth < at, (depth - at) / (0.85 * outer), (depth - at) / inner)
    return np.where(np.abs(u) < 0.5, np.cos(np.pi * u) ** 2, 0.0)
