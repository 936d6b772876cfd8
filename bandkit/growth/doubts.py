"""Which years somebody should look at before using them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bandkit.flags import Flag, join_codes
from bandkit.plausible import DENSITY_RANGE_G_CM3, genus_range, tissue_layer

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
StrArray = NDArray[np.str_]

# Fewer whole years than this carry no mean.
FEW_YEARS = 3

# A year is held against so many whole years to either side, within these limits of their median.
N_NEIGHBOURS = 2
OUTLIER_LIMITS = (0.5, 2.0)

# Less of a piece than this with a density counts as masked; the odd sample at its ends does not.
WHOLLY_MEASURED = 0.98


def doubtful_pieces(
    length_mm: FloatArray,
    extension_mm_yr: FloatArray,
    density_g_cm3: FloatArray,
    measured_frac: FloatArray,
    *,
    complete: BoolArray,
    crosses_gap: BoolArray,
    taxon: str,
) -> dict[str, BoolArray]:
    """Which pieces each flag code applies to.

    Parameters
    ----------
    length_mm, extension_mm_yr, density_g_cm3, measured_frac : ndarray, shape (n,)
        Growth of each piece; see `bandkit.growth.YearGrowth`.
    complete, crosses_gap : ndarray of bool, shape (n,)
        Whole years, and pieces with a gap in them.
    taxon : str
        Scientific name, for the ranges that are plausible.

    Returns
    -------
    dict of str to ndarray of bool, shape (n,)
        A mask for each flag code.
    """
    grown = complete & (extension_mm_yr > 0)
    masks = {
        "partial": ~complete,
        "gap": crosses_gap,
        "mark-in-tissue": _bounded_in_tissue(length_mm, taxon),
        "extension-outlier": _outliers(extension_mm_yr, grown),
        "masked-part": (measured_frac < WHOLLY_MEASURED) & (length_mm > 0),
        "density-implausible": _outside(density_g_cm3, DENSITY_RANGE_G_CM3),
    }
    known = genus_range(taxon)
    if known is not None:
        masks["extension-implausible"] = grown & _outside(extension_mm_yr, known.extension_mm_yr)
        if known.density_g_cm3 is not None:
            masks["density-unusual"] = _outside(density_g_cm3, known.density_g_cm3)
    return masks


def flag_codes(masks: dict[str, BoolArray], n_pieces: int) -> StrArray:
    """Write the flag codes of each piece into one cell.

    Parameters
    ----------
    masks : dict of str to ndarray of bool, shape (n_pieces,)
        A mask for each flag code.
    n_pieces : int
        Number of pieces.

    Returns
    -------
    ndarray of str, shape (n_pieces,)
        Codes parted by spaces.
    """
    cells = [join_codes(code for code, mask in masks.items() if mask[i]) for i in range(n_pieces)]
    return np.array(cells, dtype=np.str_)


def doubts(
    masks: dict[str, BoolArray],
    bound_mm: FloatArray,
    extension_mm_yr: FloatArray,
    density_g_cm3: FloatArray,
    *,
    n_years: int,
    track: str,
) -> tuple[Flag, ...]:
    """Put the doubts into flags with their values.

    Parameters
    ----------
    masks : dict of str to ndarray of bool, shape (n,)
        A mask for each flag code.
    bound_mm : ndarray, shape (n + 1,)
        Depths between the pieces, in mm.
    extension_mm_yr, density_g_cm3 : ndarray, shape (n,)
        Growth of each piece.
    n_years : int
        Whole years on the track.
    track : str
        Name of the track.

    Returns
    -------
    tuple of Flag
        One per piece and code; partial ends are the rule and gaps are flagged with the dates.
    """
    found = []
    for code, mask in masks.items():
        for i in np.flatnonzero(mask) if code not in {"partial", "gap"} else ():
            detail = ""
            if code.startswith("extension"):
                detail = f"{extension_mm_yr[i]:.1f} mm/yr"
            elif code.startswith("density"):
                detail = f"{density_g_cm3[i]:.2f} g/cm3"
            found.append(Flag(code=code, detail=detail, track=track, depth_mm=float(bound_mm[i : i + 2].mean())))
    if n_years < FEW_YEARS:
        found.append(Flag(code="few-years", detail=f"{n_years} whole years", track=track))
    return tuple(found)


def _bounded_in_tissue(length_mm: FloatArray, taxon: str) -> BoolArray:
    """Mark the two pieces at a newest mark that lies less deep than the usual tissue layer."""
    masked = np.zeros(length_mm.shape, dtype=np.bool_)
    tissue = tissue_layer(taxon)
    if tissue is not None and length_mm.size > 1:
        masked[:2] = length_mm[0] < tissue.mean_mm
    return masked


def _outside(values: FloatArray, limits: tuple[float, float]) -> BoolArray:
    """Values outside limits; NaN is not."""
    return (values < limits[0]) | (values > limits[1])


def _outliers(extension_mm_yr: FloatArray, grown: BoolArray) -> BoolArray:
    """Years less than half or more than twice the median of up to two years to either side."""
    rows = np.flatnonzero(grown)
    values = extension_mm_yr[rows]
    flagged = np.zeros(grown.shape, dtype=np.bool_)
    for i, row in enumerate(rows):
        neighbours = np.concatenate([values[max(i - N_NEIGHBOURS, 0) : i], values[i + 1 : i + 1 + N_NEIGHBOURS]])
        if neighbours.size >= N_NEIGHBOURS:
            ratio = values[i] / np.median(neighbours)
            flagged[row] = ratio < OUTLIER_LIMITS[0] or ratio > OUTLIER_LIMITS[1]
    return flagged
