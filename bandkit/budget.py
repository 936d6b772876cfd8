"""What the error of density consists of on each track, and what the balance says beside the image."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from bandkit.table import Table

FloatArray = NDArray[np.float64]
StrArray = NDArray[np.str_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BudgetTable(Table):
    """One row per track and source of density's error, the largest systematic ones and the random ones apart.

    ``kind`` is "systematic" (common to all years: never averaged away) or "random"; ``year_sd_g_cm3`` is that of
    the median whole year and ``mean_sd_g_cm3`` that of the mean over the track's whole years; the shares are of the
    variance.
    """

    text_columns: ClassVar[frozenset[str]] = frozenset({"track", "source", "kind"})

    track: StrArray
    source: StrArray
    kind: StrArray
    year_sd_g_cm3: FloatArray
    year_share_frac: FloatArray
    mean_sd_g_cm3: FloatArray
    mean_share_frac: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class BulkCheck:
    """Density of one piece by the balance and by the image.

    Parameters
    ----------
    piece : str
        What was compared: "slab", "piece" (its outline) or "track A".
    weighed_g_cm3, weighed_sd_g_cm3 : float
        By the balance, with its standard deviation.
    image_g_cm3, image_sd_g_cm3 : float
        By the image over the same piece; NaN where the image gives none.
    z_score : float
        Image minus balance, over both standard deviations together; beyond 2 either way they disagree.
    dry_g, volume_cm3 : float
        Mass and enclosed volume on the balance.
    water_density_g_cm3 : float
        Of the water that it was weighed in; NaN where it was not.
    micro_density_g_cm3, micro_density_sd_g_cm3 : float
        Density of the solid skeleton; NaN where it is not known.
    micro_source : str
        "stated", "weighed" or empty.
    weighed_porosity_frac, weighed_porosity_sd_frac : float
        Share of pores by the balance; NaN without micro-density.
    image_porosity_frac, image_porosity_sd_frac : float
        The same by the image.
    method : str
        What was done on the balance, one sentence.
    """

    piece: str
    weighed_g_cm3: float
    weighed_sd_g_cm3: float
    image_g_cm3: float
    image_sd_g_cm3: float
    z_score: float
    dry_g: float
    volume_cm3: float
    water_density_g_cm3: float
    micro_density_g_cm3: float
    micro_density_sd_g_cm3: float
    micro_source: str
    weighed_porosity_frac: float
    weighed_porosity_sd_frac: float
    image_porosity_frac: float
    image_porosity_sd_frac: float
    method: str
