"""Stain lines on simulated photographs of set contrast, beside the straight script.

    python stain_lines.py --out FOLDER [--contrasts 0 0.3 0.5 1 2 5] [--slabs 20] [--first-seed 0] [--jpeg QUALITY]

The straight script averages redness over a track of 5 mm and takes the largest peak, where it stands three standard
deviations above the rest. Contrast 0 is unstained. Writes `contrasts.csv` (a row per contrast), `slabs.csv` and
`reliability.csv` (stated confidence against the share of such lines that is right), and prints the first.
"""

from __future__ import annotations

import argparse
import csv
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from generators.dyed_slab import Picture, Slab, draw_slab, take, undyed

TRACK_MM, SMOOTH_MM, STANDS_OUT_SD = 5.0, 0.5, 3.0
# A line further off than this is another.
SAME_MM = 1.0
RIM_MM = 0.25
BINS = (0.0, 0.1, 0.3, 0.5, 0.8, 0.95, 1.001)


@dataclass(frozen=True, kw_only=True)
class Run:
    """One photograph, measured and read by the script."""

    contrast: float
    seed: int
    slab: Slab
    depth_mm: float
    sd_mm: float
    confidence: float
    script_mm: float
    seconds: float

    @property
    def true_mm(self) -> float:
        """Where the line is; NaN where there is none."""
        return self.slab.lines_mm[0] if self.slab.lines_mm and self.contrast > 0 else float("nan")


def straight_script(rgb: np.ndarray, depth_mm: np.ndarray, across_mm: np.ndarray) -> float:
    """Depth of the largest peak of redness, or NaN."""
    track = rgb[:, np.abs(across_mm) <= TRACK_MM / 2]
    share = track[..., 0] / np.maximum(track.sum(axis=-1), 1.0)
    known = np.isfinite(share)
    redness = np.where(known.any(axis=1), np.nansum(share, axis=1) / np.maximum(known.sum(axis=1), 1), np.nan)
    width = max(round(SMOOTH_MM / (depth_mm[1] - depth_mm[0])), 1)
    smooth = np.convolve(np.nan_to_num(redness, nan=float(np.nanmedian(redness))), np.ones(width) / width, "same")
    inside = slice(2 * width, len(smooth) - 2 * width)
    best = int(np.argmax(smooth[inside])) + 2 * width
    stands_out = smooth[best] - np.mean(smooth[inside]) > STANDS_OUT_SD * np.std(smooth[inside])
    return float(depth_mm[best]) if stands_out else float("nan")


def skeleton_of(picture: Picture) -> tuple[np.ndarray, np.ndarray]:
    """Colours and depths without what lies outside the outer surface."""
    rgb, depth = picture.strip
    rgb = rgb.astype(np.float64)
    rgb[depth[:, None] < picture.bend_mm[None, :] + RIM_MM] = np.nan
    return rgb, depth


def run_slab(contrast: float, seed: int, **fixed: Any) -> Run:
    """Make one photograph, measure it and let the script read it."""
    from bandkit.stain import find_stains

    slab = draw_slab(seed, contrast=contrast, **fixed)
    picture = take(slab if contrast > 0 else undyed(slab))
    rgb, depth = skeleton_of(picture)
    start = time.process_time()
    line = find_stains(rgb, depth, picture.across_mm, full_scale=picture.full_scale, count=1)[0]
    seconds = time.process_time() - start
    return Run(contrast=contrast, seed=seed, slab=slab, depth_mm=line.depth_mm, sd_mm=line.depth_sd_mm,
               confidence=line.confidence, script_mm=straight_script(rgb, depth, picture.across_mm), seconds=seconds)


def contrast_row(runs: Sequence[Run]) -> dict[str, float]:
    """All figures of one contrast."""
    true = np.array([run.true_mm for run in runs])
    got, script, sd = (np.array([getattr(run, name) for run in runs]) for name in ("depth_mm", "script_mm", "sd_mm"))
    half_px = np.array([run.slab.mm_per_px / 2 for run in runs])
    row: dict[str, float] = {"contrast": runs[0].contrast, "slabs": len(runs)}
    for name, depth in (("", got), ("script_", script)):
        error = np.abs(depth - true)
        right = error < SAME_MM
        row |= {f"{name}right_pct": 100 * float(right.mean()),
                f"{name}wrong_pct": 100 * float((np.isfinite(depth) & ~right).mean()),
                f"{name}median_error_mm": float(np.median(error[right])) if right.any() else float("nan")}
        if not name:
            row |= {"within_0.05_mm_or_half_px_pct": _pct(error[right] <= np.maximum(0.05, half_px[right])),
                    "coverage_90_pct": _pct(error[right] <= 1.645 * sd[right])}
    return row | {"seconds": float(np.median([run.seconds for run in runs]))}


def _pct(values: np.ndarray) -> float:
    """Share in per cent, or NaN of nothing."""
    return 100 * float(values.mean()) if len(values) else float("nan")


def reliability_rows(runs: Sequence[Run]) -> list[dict[str, float]]:
    """Stated confidence of lines that were found against the share that is right, by bins.

    What is not found is not right: its confidence is that of the likeliest path left, whose place is not told.
    """
    found = [run for run in runs if np.isfinite(run.depth_mm)]
    stated = np.array([run.confidence for run in found])
    right = np.array([abs(run.depth_mm - run.true_mm) < SAME_MM for run in found])
    rows = []
    for low, high in pairwise(BINS):
        here = (stated >= low) & (stated < high)
        if here.any():
            rows.append({"from": low, "to": min(high, 1.0), "lines": int(here.sum()), "stated": float(stated[here].mean()),
                         "right": float(right[here].mean())})
    return rows


def write_rows(path: Path, rows: Sequence[dict[str, Any]]) -> None:
    """Write rows as CSV; the first row has all columns."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def main() -> None:
    """Run all contrasts and write the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--contrasts", type=float, nargs="+", default=[0.0, 0.3, 0.5, 1.0, 2.0, 5.0])
    parser.add_argument("--slabs", type=int, default=20)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--jpeg", type=int, help="quality of the camera's JPEG; none where absent")
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    runs = [run_slab(contrast, seed, jpeg=asked.jpeg) for contrast in asked.contrasts
            for seed in range(asked.first_seed, asked.first_seed + asked.slabs)]
    rows = [contrast_row([run for run in runs if run.contrast == contrast]) for contrast in asked.contrasts]
    write_rows(asked.out / "contrasts.csv", [{k: round(v, 4) for k, v in row.items()} for row in rows])
    write_rows(asked.out / "slabs.csv", [
        {"contrast": run.contrast, "seed": run.seed, "true_mm": run.true_mm, "depth_mm": run.depth_mm,
         "sd_mm": run.sd_mm, "confidence": run.confidence, "script_mm": run.script_mm} for run in runs])
    if reliability := reliability_rows(runs):
        write_rows(asked.out / "reliability.csv", reliability)
    for row in rows:
        sys.stdout.write("  ".join(f"{name} {value:.3g}" for name, value in row.items()) + "\n")


if __name__ == "__main__":
    main()
