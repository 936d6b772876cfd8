"""The thing that a scientist who programs would write: a straight profile and a peak finder.

    python straight_script.py image.tif x0 y0 x1 y1 mm_per_px [--spacing-mm 8] [--dark]

The track is averaged over 5 mm, smoothed over half a year (Savitzky and Golay 1964), and its
peaks at least 0.6 of a year apart are the annual marks; depths in mm from the outer surface, a
line each. Without a spacing it is taken from the autocorrelation. It follows no bands,
knows no doubt, and is here to be compared with, in accuracy and in time.
"""

from __future__ import annotations

import argparse
import sys
from itertools import pairwise

import numpy as np
import tifffile
from scipy.ndimage import gaussian_filter1d
from scipy.signal import find_peaks, savgol_filter
from skimage.measure import profile_line

WIDTH_MM = 5.0
SMOOTH_YR = 0.5
LEAST_DISTANCE_YR = 0.6
PROMINENCE_SD = 0.6


def find_bands(image: np.ndarray, points_px: list[tuple[float, float]], mm_per_px: float, *,
               spacing_mm: float | None = None, dense: str = "bright") -> np.ndarray:
    """Depths in mm of density maxima below the surface, along straight legs between the points."""
    legs = [profile_line(image, (y0, x0), (y1, x1), linewidth=round(WIDTH_MM / mm_per_px), mode="nearest")
            for (x0, y0), (x1, y1) in pairwise(points_px)]
    profile = np.concatenate([leg[: None if k == len(legs) - 1 else -1] for k, leg in enumerate(legs)]).astype(float)
    # profile_line spreads ceil(length + 1) samples over the leg's length.
    length = sum(float(np.hypot(x1 - x0, y1 - y0)) for (x0, y0), (x1, y1) in pairwise(points_px))
    step = length * mm_per_px / (len(profile) - 1)
    if dense == "dark":
        profile = -profile
    start = surface_index(profile, step)
    profile = profile[start:]
    spacing = spacing_mm or strongest_period(profile, step)
    window = min(max(int(SMOOTH_YR * spacing / step) // 2 * 2 + 1, 5), (len(profile) - 1) // 2 * 2 + 1)
    smooth = savgol_filter(profile, window, 2)
    flat = smooth - gaussian_filter1d(smooth, spacing / step)
    peaks, _ = find_peaks(flat, distance=max(LEAST_DISTANCE_YR * spacing / step, 1), prominence=PROMINENCE_SD * flat.std())
    return peaks * step


def surface_index(profile: np.ndarray, step_mm: float) -> int:
    """First sample above the level half way between background and skeleton."""
    background = np.median(profile[: max(int(2.0 / step_mm), 1)])
    return int(np.argmax(profile > 0.5 * (background + np.median(profile))))


def strongest_period(profile: np.ndarray, step_mm: float) -> float:
    """Lag in mm, from 3 to 25, of the highest autocorrelation beyond its first minimum."""
    flat = profile - gaussian_filter1d(profile, 10.0 / step_mm)
    size = 2 * len(flat)
    power = np.abs(np.fft.rfft(flat, size)) ** 2
    correlation = np.fft.irfft(power, size)[: min(int(25.0 / step_mm), len(flat) // 2)]
    first = max(int(3.0 / step_mm), int(np.argmax(np.diff(correlation) > 0)))
    return float(first + np.argmax(correlation[first:])) * step_mm


def main(arguments: list[str] | None = None) -> None:
    """Read an image and write the depths of its marks."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("image")
    for name in ("x0", "y0", "x1", "y1", "mm_per_px"):
        parser.add_argument(name, type=float)
    parser.add_argument("--spacing-mm", type=float)
    parser.add_argument("--dark", action="store_true", help="dense is dark")
    given = parser.parse_args(arguments)
    depths = find_bands(tifffile.imread(given.image), [(given.x0, given.y0), (given.x1, given.y1)], given.mm_per_px,
                        spacing_mm=given.spacing_mm, dense="dark" if given.dark else "bright")
    sys.stdout.write("".join(f"{depth:.2f}\n" for depth in depths))


if __name__ == "__main__":
    main()
