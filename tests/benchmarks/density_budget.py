"""Density of radiographs from `generators.polychromatic`: bias, scatter and coverage per response and kind of standards.

    python density_budget.py [slabs] [words of the case] [first seed]

A line per case: bias, root mean square and standard deviation between slabs of the error of annual density against
the track's own strip in g/cm3, the standard deviation that was stated, the share of years that its 90 % interval
holds (each slab counting once), and the flags with the number of slabs that bear them.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from generators.polychromatic import RESPONSES, Exposure, Radiograph, make_radiograph

import bandkit

CASES = [*((response, steps) for response in RESPONSES for steps in (("aragonite",), ("aluminium",))),
         ("linear", ("clam",)), ("film", ("aluminium", "aragonite"))]


# What the density of the track's own strip is off by, between bounds that are taken as found.
SOURCES = ("calibration", "beam", "thickness", "noise")


def year_errors(slab: Radiograph, result: bandkit.SlabResult) -> tuple[np.ndarray, np.ndarray]:
    """Error of the strip's density per whole year, and its standard deviation as stated."""
    growth = result.growth
    whole = np.flatnonzero((growth.complete == "yes") & np.isfinite(growth.density_g_cm3))
    true = np.array([slab.mean_density(growth.start_mm[k], growth.end_mm[k]) for k in whole])
    sd = np.sqrt(sum(getattr(growth, f"density_{source}_sd_g_cm3")[whole] ** 2 for source in SOURCES))
    return growth.density_g_cm3[whole] - true, sd


def measured(exposure: Exposure, seed: int, *, more: str = "") -> tuple[np.ndarray, np.ndarray, list[str], float]:
    """Errors and standard deviations per year, codes of the flags, and the fitted energy."""
    slab = make_radiograph(exposure, seed)
    with tempfile.TemporaryDirectory() as folder:
        result = bandkit.measure(slab.write(Path(folder), more=more))
    error, sd = year_errors(slab, result)
    kev = result.calibration.parameters.get("effective_kev_fitted", np.nan) if result.calibration else np.nan
    return error, sd, [flag.code for flag in result.flags], kev


def main(n_slabs: int, wanted: str = "", first_seed: int = 0) -> None:
    """Print one line per case."""
    for response, steps in CASES:
        if wanted and wanted not in f"{response} {'+'.join(steps)}":
            continue
        start, errors, sds, seen, means, keVs = time.perf_counter(), [], [], {}, [], []
        for seed in range(first_seed, first_seed + n_slabs):
            try:
                error, sd, codes, kev = measured(Exposure(response=response, steps=steps), seed)
            except bandkit.BandkitError as refused:
                seen[str(refused)[-90:]] = seen.get(str(refused)[-90:], 0) + 1
                continue
            errors, sds, means, keVs = [*errors, error], [*sds, sd], [*means, error.mean()], [*keVs, kev]
            for code in dict.fromkeys(codes):
                seen[code] = seen.get(code, 0) + 1
        error, sd = np.concatenate(errors or [np.full(1, np.nan)]), np.concatenate(sds or [np.full(1, np.nan)])
        # Years of a slab share most of their error: each slab counts once.
        covered = np.mean([np.mean(np.abs(e) <= 1.645 * s) for e, s in zip(errors, sds, strict=True)]) if errors else np.nan
        line = (f"{response:16s} {'+'.join(steps):20s} bias {error.mean():+.4f} rmse {np.sqrt(np.mean(error**2)):.4f} "
              f"sd of slabs {np.std(means):.4f} stated {np.median(sd):.4f} covered {covered:.2f} "
              f"keV {np.nanmean(keVs):.1f} {(time.perf_counter() - start) / n_slabs:.1f} s  {seen}\n")
        sys.stdout.write(line)
        sys.stdout.flush()


if __name__ == "__main__":
    slabs, case, first = (sys.argv[1:] + ["10", "", "0"][len(sys.argv) - 1 :])[:3]
    main(int(slabs), case, int(first))
