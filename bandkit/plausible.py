"""What is plausible: ranges by genus, and what tissue and slab leave of a band.

The ranges are for warnings, never for errors: a value outside them may be right,
but somebody should look. They hold for a genus as a whole; "from memory" marks
numbers that are customary in the trade but were not checked against a source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# Bulk density of any coral skeleton, g/cm3; outside, polarity or calibration is wrong.
DENSITY_RANGE_G_CM3 = (0.6, 2.4)

# Names under which older collections keep what is now another genus.
OLDER_NAMES = {"montastraea": "orbicella", "montastrea": "orbicella"}


@dataclass(frozen=True, slots=True, kw_only=True)
class GenusRange:
    """What a genus is known to grow.

    Parameters
    ----------
    extension_mm_yr : tuple of float
        Least and most linear extension, in mm/yr.
    density_g_cm3 : tuple of float or None
        Least and most bulk density, in g/cm3; None where too little is known.
    source : str
        Where the numbers come from.
    """

    extension_mm_yr: tuple[float, float]
    density_g_cm3: tuple[float, float] | None
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TissueLayer:
    """Thickness of the living tissue above the bare skeleton.

    Parameters
    ----------
    mean_mm, sd_mm : float
        Mean and standard deviation between colonies, in mm.
    least_mm, most_mm : float
        Range seen, in mm.
    source : str
        Where the numbers come from.
    """

    mean_mm: float
    sd_mm: float
    least_mm: float
    most_mm: float
    source: str


GENUS_RANGES = {
    "porites": GenusRange(
        extension_mm_yr=(2.0, 25.0), density_g_cm3=(0.8, 1.7),
        source="site means of 2.3-23.8 mm/yr and 0.80-1.68 g/cm3 in L. Bertini's compilation of 59 published studies; "
               "upper limits from memory"),
    "siderastrea": GenusRange(
        extension_mm_yr=(2.0, 6.0), density_g_cm3=(1.2, 1.8),
        source="2.6-5.2 mm/yr and 1.23-1.54 g/cm3 in 125 years of a Florida Keys core; wider limits from memory"),
    "orbicella": GenusRange(extension_mm_yr=(5.0, 12.0), density_g_cm3=(1.1, 2.0), source="from memory"),
    "diploria": GenusRange(
        extension_mm_yr=(2.0, 10.0), density_g_cm3=None,
        source="about 3.5 and 5 mm/yr at Bermuda; limits from memory"),
    "diploastrea": GenusRange(
        extension_mm_yr=(2.0, 6.0), density_g_cm3=None, source="2-6 mm/yr, Watanabe et al. 2003"),
    "pocillopora": GenusRange(
        extension_mm_yr=(2.0, 31.0), density_g_cm3=None,
        source="0.2-2.9 mm in 35 days between kinds of branch tip of Pocillopora damicornis"),
    "acropora": GenusRange(
        extension_mm_yr=(40.0, 150.0), density_g_cm3=(0.8, 1.7),
        source="Acropora yongei at 32 degrees south 51 mm/yr; branch tips 0.86-1.68 g/cm3, Bucher et al. 1998; "
               "upper limits from memory"),
}

TISSUE_LAYERS = {
    "porites": TissueLayer(mean_mm=5.43, sd_mm=1.48, least_mm=2.13, most_mm=10.20,
                           source="284 colonies of massive Porites on 46 reefs, Barnes & Lough 1992"),
}


def genus_range(taxon: str) -> GenusRange | None:
    """Look up what the genus of a taxon is known to grow.

    Parameters
    ----------
    taxon : str
        Scientific name, genus first; case does not matter.

    Returns
    -------
    GenusRange or None
        None for a genus that is not listed.
    """
    return GENUS_RANGES.get(_genus(taxon))


def tissue_layer(taxon: str) -> TissueLayer | None:
    """Thickness of the tissue layer of a taxon's genus.

    Parameters
    ----------
    taxon : str
        Scientific name, genus first; case does not matter.

    Returns
    -------
    TissueLayer or None
        None for a genus that is not listed.
    """
    return TISSUE_LAYERS.get(_genus(taxon))


def tissue_window_yr(tissue_mm: float, extension_mm_yr: float) -> float:
    """Time over which the skeleton at one depth goes on thickening.

    Parameters
    ----------
    tissue_mm : float
        Thickness of the tissue layer, in mm.
    extension_mm_yr : float
        Linear extension, in mm/yr.

    Returns
    -------
    float
        ``tissue_mm / extension_mm_yr``, in years.

    References
    ----------
    Barnes & Lough 1993: skeleton is thickened through the depth of the tissue.
    """
    return tissue_mm / extension_mm_yr


def annual_cycle_left(window_yr: ArrayLike) -> FloatArray:
    """Share of an annual cycle that is left after uniform smoothing over a window.

    Parameters
    ----------
    window_yr : array_like
        Length of the window, in years.

    Returns
    -------
    ndarray
        Amplitude after over amplitude before, 1 for no window, 0 for a whole year.

    Notes
    -----
    The transfer function of a running mean of length w at one cycle a year,
    ``|sin(pi w) / (pi w)|``.
    """
    return np.abs(np.sinc(np.asarray(window_yr, dtype=np.float64)))


def band_smear_mm(slab_thickness_mm: ArrayLike, out_of_face_deg: ArrayLike) -> FloatArray:
    """Width over which a band is smeared that is inclined to the X-ray beam.

    Parameters
    ----------
    slab_thickness_mm : array_like
        Thickness of the slab, in mm.
    out_of_face_deg : array_like
        Angle between the band and the beam, in degrees.

    Returns
    -------
    ndarray
        ``slab_thickness_mm * tan(out_of_face_deg)``, in mm.
    """
    return np.asarray(slab_thickness_mm, np.float64) * np.tan(np.radians(np.asarray(out_of_face_deg, np.float64)))


def _genus(taxon: str) -> str:
    """First word of a scientific name in lower case, under its present name."""
    words = taxon.lower().split()
    genus = words[0] if words else ""
    return OLDER_NAMES.get(genus, genus)
