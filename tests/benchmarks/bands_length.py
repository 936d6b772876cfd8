"""Time of finding the marks against the length of the track.

    python bands_length.py [--year-mm 9] [--years 25 50 100 200 400]

Prints the processor time of each length and the exponent of its growth from the second on (1 is in
proportion to the length; what is compared over the outer part only does not grow at all), and fails
where a track of twice the length takes more than three times as long.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from plain_profiles import profile

from bandkit.bands import find_marks


def seconds(year_mm: float, n_years: int) -> float:
    """Least processor time of three runs: whatever else the machine does only adds."""
    made = profile(1, year_mm=year_mm, n_years=n_years)
    taken = []
    for _ in range(3):
        start = time.process_time()
        find_marks(made.value, made.depth_mm, looks=made.looks)
        taken.append(time.process_time() - start)
    return min(taken)


def main() -> int:
    """Run all lengths."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--year-mm", type=float, default=9.0)
    parser.add_argument("--years", type=int, nargs="+", default=[25, 50, 100, 200, 400])
    given = parser.parse_args()
    years = sorted(given.years)
    taken = []
    for n in years:
        taken.append(seconds(given.year_mm, n))
        sys.stdout.write(f"{n:5d} years, {n * given.year_mm:7.0f} mm: {taken[-1]:6.2f} s\n")
    exponents = np.diff(np.log(taken)) / np.diff(np.log(years))
    sys.stdout.write("exponents: " + ", ".join(f"{exponent:.2f}" for exponent in exponents) + "\n")
    return int(bool((exponents > np.log2(3)).any()))


if __name__ == "__main__":
    sys.exit(main())
