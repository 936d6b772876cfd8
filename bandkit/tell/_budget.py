"""Rows of the budget of density's error, and the sentences on thickness and weighing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from bandkit.budget import BulkCheck
from bandkit.density import Thickness
from bandkit.growth import SOURCES, SYSTEMATIC_SOURCES, track_means
from bandkit.tracks import MeasuredTrack


def budget_rows(track: MeasuredTrack) -> list[dict[str, Any]]:
    """One row per source: of the median whole year, and of the mean over all of them; none without a density."""
    growth, means = track.growth, track_means(track.growth)
    whole = growth.complete & np.isfinite(growth.density_g_cm3)
    if not whole.any():
        return []
    year = {source: float(np.median(growth.density_budget.of(source)[whole])) for source in SOURCES}
    mean = {source: float(means.density_budget.of(source)[0]) for source in SOURCES}
    return [
        {
            "track": track.spec.name,
            "source": source,
            "kind": "systematic" if source in SYSTEMATIC_SOURCES else "random",
            "year_sd_g_cm3": year[source],
            "year_share_frac": _share(year, source),
            "mean_sd_g_cm3": mean[source],
            "mean_share_frac": _share(mean, source),
        }
        for source in SOURCES
    ]


def mass_sentences(
    thickness: Thickness | None, bulk: BulkCheck | None, tracks: Sequence[MeasuredTrack]
) -> list[str]:
    """How thick the slab was taken to be, and what it weighed; nothing where there is no density."""
    if not any(track.density_g_cm3 is not None for track in tracks):
        return []
    sentences = [thickness.method] if thickness is not None else []
    if bulk is not None:
        sentences.append(bulk.method)
    return sentences


def _share(sd: dict[str, float], source: str) -> float:
    """Share of the variance; NaN of nothing."""
    total = sum(value**2 for value in sd.values())
    return sd[source] ** 2 / total if total > 0 else float("nan")
