"""How old a colony is: from its size, its growth, and the years counted in a slab of it.

Age is length over the mean growth of a lifetime. Of that lifetime a slab shows the last years and a rate taken
from elsewhere shows none, so that the age is an estimate with a wide interval; the years counted are its firm part.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from bandkit.analysis.colony import MM_PER_M, ColonyRate, ColonySize, Slowing, need_positive
from bandkit.errors import InputError

FloatArray = NDArray[np.float64]
Basis = Literal["height", "radius"]

N_DRAWS = 20_000

# Somewhat beyond the largest massive colony on record, 8 m tall and 69 m round (Scientific Reports 10, 2020), and the
# oldest age given for one, 800 years.
MOST_HEIGHT_M = 10.0
MOST_CIRCUMFERENCE_M = 80.0
MOST_AGE_YR = 1000.0
# What a tape gives on a rounded, overgrown colony under water: common practice, no source.
SIZE_SD_FRAC = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeEstimate:
    """Age by one measure of size.

    Parameters
    ----------
    basis : {"height", "radius"}
        Which.
    length_m, length_sd_m : float
        Its length and error, in m.
    age_yr : float
        Estimate, in years.
    age_lo_yr, age_hi_yr : float
        90 % interval; infinite where growth may have been too slow, long ago, for that size ever to be reached.
    counted_yr : float
        Years of it that were counted.
    mean_rate_mm_yr : float
        Growth averaged over that lifetime, in mm/yr.
    size_share_frac, rate_share_frac, slowing_share_frac, count_share_frac : float
        Shares of the estimate's variance: of the size, the rate, the slowing, the count; NaN of an exact one.
    """

    basis: Basis
    length_m: float
    length_sd_m: float
    age_yr: float
    age_lo_yr: float
    age_hi_yr: float
    counted_yr: float
    mean_rate_mm_yr: float
    size_share_frac: float
    rate_share_frac: float
    slowing_share_frac: float
    count_share_frac: float


def estimate_age(
    length_m: float, length_sd_m: float, rate: ColonyRate, *, basis: Basis = "height",
    slowing: Slowing | None = None, seed: int = 0,
) -> AgeEstimate:  # fmt: skip
    """Tell how long a colony took to grow a length.

    Parameters
    ----------
    length_m, length_sd_m : float
        Length along the growth, and what it may be off by, in m.
    rate : ColonyRate
        Its growth.
    basis : {"height", "radius"}
        What the length is.
    slowing : Slowing, optional
        How growth changed with age; constant growth where absent.
    seed : int
        Of the draws behind the interval.

    Returns
    -------
    AgeEstimate
        Estimate, interval and what it is off by.

    Raises
    ------
    InputError
        A length or a rate that is not above 0, an error below 0, a slab longer than the colony, or a slowing of
        100 percent and more per century.

    Notes
    -----
    ``age = counted + m``, where the m years below the count grew the rest of the length L. With growth constant but
    for year-to-year change, ``m = L / E``. Where it fell exponentially at a rate s, the rate ``t`` years ago was
    ``E exp(s (t - counted / 2))``, so that ``m = log(1 + s L / (E exp(s counted / 2))) / s``.

    The mean of the m unseen years differs from that of the n seen ones by the error of measurement and by
    ``years_sd * sqrt(1 / n' + 1 / m')`` times Student's t, n' and m' being the numbers of independent years; both are
    taken as relative, so that growth stays above 0. The interval is that of seeded draws of size, rate, slowing and
    count; the estimate itself is none of them.
    """
    slowing = slowing or Slowing()
    _check(length_m, length_sd_m, rate, slowing, basis)
    rng = np.random.default_rng(seed)
    size, off, fall, count = rng.standard_normal((4, N_DRAWS))
    chance = rng.standard_t(max(rate.effective(rate.n_years) - 1, 2.0), N_DRAWS)
    draws = [size * length_sd_m / length_m, _rate_off(length_m, rate, off, chance), fall, count]
    nothing = np.zeros(1)

    def ages(*used: int) -> FloatArray:
        parts = [part if i in used else nothing for i, part in enumerate(draws)]
        return _ages(length_m, rate, slowing, parts)

    with np.errstate(invalid="ignore"):
        # Infinite ages have no variance to share; the shares then are NaN.
        spreads = np.array([np.subtract(*np.quantile(ages(i), (0.84, 0.16))) for i in range(len(draws))]) ** 2
        shares = spreads / spreads.sum() if spreads.sum() > 0 else np.full(len(draws), np.nan)
    low, high = _interval(ages(*range(len(draws))))
    age = float(ages()[0])
    return AgeEstimate(
        basis=basis, length_m=length_m, length_sd_m=length_sd_m, age_yr=age, age_lo_yr=low, age_hi_yr=high,
        counted_yr=rate.counted_yr, mean_rate_mm_yr=MM_PER_M * length_m / age if age else float("nan"),
        size_share_frac=float(shares[0]), rate_share_frac=float(shares[1]), slowing_share_frac=float(shares[2]),
        count_share_frac=float(shares[3]),
    )  # fmt: skip


def colony_ages(
    size: ColonySize, rate: ColonyRate, *, slowing: Slowing | None = None, seed: int = 0
) -> tuple[AgeEstimate, ...]:
    """Tell a colony's age by each measure of its size.

    Parameters
    ----------
    size : ColonySize
        Height, circumference or both.
    rate : ColonyRate
        Its growth.
    slowing : Slowing, optional
        How growth changed with age; constant growth where absent.
    seed : int
        Of the draws behind the intervals.

    Returns
    -------
    tuple of AgeEstimate
        By height first, because the rate is that of upward growth; then by radius, which holds if the colony grew
        sideways as fast as up.

    Raises
    ------
    InputError
        No size at all, and what `estimate_age` says.
    """
    lengths: list[tuple[Basis, float, float]] = [
        ("height", size.height_m, size.height_sd_m), ("radius", size.radius_m, size.radius_sd_m),
    ]  # fmt: skip
    known = [entry for entry in lengths if np.isfinite(entry[1])]
    if not known:
        msg = "size: neither height nor circumference is given; give one of them, in metres"
        raise InputError(msg)
    return tuple(
        estimate_age(length, SIZE_SD_FRAC * length if np.isnan(sd) else sd, rate, basis=basis, slowing=slowing,
                     seed=seed)
        for basis, length, sd in known
    )  # fmt: skip


def age_doubts(size: ColonySize, estimates: tuple[AgeEstimate, ...]) -> tuple[str, ...]:
    """Tell what no massive colony is known for.

    Parameters
    ----------
    size : ColonySize
        Height and circumference.
    estimates : tuple of AgeEstimate
        The ages by them.

    Returns
    -------
    tuple of str
        In words; empty where nothing is doubtful.
    """
    doubts = []
    if size.height_m > MOST_HEIGHT_M or size.circumference_m > MOST_CIRCUMFERENCE_M:
        doubts.append("the largest massive colony on record is 8 m tall and 69 m round (Scientific Reports 10, 2020); "
                      "check that sizes are in metres")
    # By height where there is one: a flat colony grew faster sideways.
    if estimates[0].age_yr > MOST_AGE_YR:
        doubts.append(f"an age over {MOST_AGE_YR:g} years is more than massive colonies are put at; check that the "
                      "rate is in mm/yr")
    return tuple(doubts)


def _rate_off(length_m: float, rate: ColonyRate, off: FloatArray, chance: FloatArray) -> FloatArray:
    """By how much, relative to the mean seen, the mean of the unseen years is drawn to be off."""
    by_chance = 0.0
    if rate.n_years:
        unseen_yr = max(MM_PER_M * length_m - rate.counted_mm, 0.0) / rate.mean_mm_yr
        worth = 1 / rate.effective(rate.n_years) + 1 / rate.effective(unseen_yr)
        by_chance = rate.years_sd_mm_yr * float(np.sqrt(worth))
    return (off * rate.sd_mm_yr + chance * by_chance) / rate.mean_mm_yr


def _ages(length_m: float, rate: ColonyRate, slowing: Slowing, draws: list[FloatArray]) -> FloatArray:
    """Ages for relative errors of size and rate, standard ones of slowing and count; infinite where never reached."""
    size, off, fall, count = draws
    rest_mm = np.maximum(MM_PER_M * length_m * np.exp(size) - rate.counted_mm, 0.0)
    per_yr = slowing.per_yr + slowing.sd_per_yr * fall
    unseen_yr = rest_mm / (rate.mean_mm_yr * np.exp(off) * np.exp(per_yr * rate.counted_yr / 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        bent = np.log1p(np.maximum(per_yr * unseen_yr, -1.0)) / per_yr
    unseen_yr = np.where(np.abs(per_yr * unseen_yr) < 1e-9, unseen_yr, bent)
    counted_yr = np.maximum(rate.counted_yr + rate.counted_sd_yr * count, 0.0)
    return np.asarray(counted_yr + unseen_yr)


def _interval(ages_yr: FloatArray) -> tuple[float, float]:
    """Tell the middle 90 % of some ages, among which infinite ones may be."""
    ordered = np.sort(ages_yr)
    # Picked, not interpolated: between a number and infinity lies nothing.
    return float(ordered[int(0.05 * ordered.size)]), float(ordered[int(0.95 * ordered.size) - 1])


def _check(length_m: float, length_sd_m: float, rate: ColonyRate, slowing: Slowing, basis: Basis) -> None:
    """Refuse what cannot be an age."""
    need_positive(length_m, f"{basis}_m")
    need_positive(rate.mean_mm_yr, "rate_mm_yr")
    errors = {f"{basis}_sd_m": length_sd_m, "rate_sd_mm_yr": rate.sd_mm_yr, "slowing_sd": slowing.sd_frac_per_century}
    for name, sd in errors.items():
        if not 0 <= sd < np.inf:
            msg = f"{name}: {sd:g} is no error; give a standard deviation of 0 or more"
            raise InputError(msg)
    if not slowing.frac_per_century < 1:
        msg = f"slowing: {100 * slowing.frac_per_century:g} percent per century leaves no growth; give less than 100"
        raise InputError(msg)
    if rate.counted_mm > MM_PER_M * (length_m + 2 * length_sd_m):
        msg = (f"{basis}_m: {length_m:g} m is less than the {rate.counted_mm / MM_PER_M:.2f} m counted in the slab; "
               "give sizes in metres, and check that slab and colony belong together")
        raise InputError(msg)
