"""Accuracy on simulated slabs of three grades, beside the straight script.

    python bands_grades.py --out FOLDER [--generator third] [--slabs 20] [--grades easy ordinary hard] [--first-seed 0]
        [--texture-gain 1]

Every slab is written to a temporary folder as image and record and measured from there; the
record tells what a person knows (scale, standards, dates, a track) and not the spacing, which the
straight script is told. The calibrated texture is stronger than the grade's nominal one, so that
the script is right as often as scripts were in the trials that defined the grades; a gain of 1
gives the nominal texture. Writes `grades.csv`, `slabs.csv` (a row per slab, with its seed) and
`reliability.png`, and prints the table.
"""

from __future__ import annotations

import argparse
import csv
import importlib
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.straight_script import find_bands
from generators import GRADES, Slab
from generators.score import SlabScore, Verdict, judge, nothing_measured, pool, reliability, score_marks


@dataclass(frozen=True, kw_only=True, eq=False)
class Run:
    """One slab, measured and read by the script."""

    grade: str
    seed: int
    slab: Slab
    verdict: Verdict
    script: SlabScore
    seconds: float
    script_seconds: float
    flags: str


def run_slab(generator: str, grade: str, seed: int, *, texture_gain: float | None = None) -> Run:
    """Make one slab, measure it and let the script read it."""
    import bandkit
    from bandkit.errors import DetectionError

    slab = importlib.import_module(f"generators.{generator}").make_radiograph(grade, seed, texture_gain=texture_gain)
    with tempfile.TemporaryDirectory() as folder:
        record = slab.write(Path(folder))
        start = time.perf_counter()
        try:
            result = bandkit.measure(record)
            verdict, flags = judge(slab, result), " ".join(sorted({flag.code for flag in result.flags}))
        except DetectionError as refused:
            verdict, flags = nothing_measured(slab), f"refused: {refused}"
        seconds = time.perf_counter() - start
    start = time.perf_counter()
    found = find_bands(slab.image, slab.points_px, slab.mm_per_px, spacing_mm=slab.spacing_mm, dense=slab.dense)
    script_seconds = time.perf_counter() - start
    return Run(grade=grade, seed=seed, slab=slab, verdict=verdict, seconds=seconds, script_seconds=script_seconds,
               script=score_marks(found, slab.mark_depth_mm, slab.track_length_mm), flags=flags)


def marks_columns(scores: Sequence[SlabScore]) -> dict[str, float]:
    """Figures that both methods have."""
    return {"slabs": len(scores), "f1": float(np.mean([s.f1 for s in scores])),
            "count_right_pct": 100 * float(np.mean([s.count_right for s in scores])),
            "boundary_error_pct": 100 * pool(scores).median_error_yr}


def grade_row(runs: Sequence[Run]) -> dict[str, float]:
    """All figures of the measurement of one grade's slabs."""
    verdicts = [run.verdict for run in runs]
    every = {name: np.concatenate([getattr(v, name) for v in verdicts]) for name in (
        "extension_error_frac", "extension_covered", "density_error_g_cm3", "density_covered", "band_density_error_g_cm3",
        "band_density_covered")}
    return marks_columns([v.marks for v in verdicts]) | {
        "mark_coverage_pct": 100 * _mean(pool([v.marks for v in verdicts]).covered),
        "count_coverage_pct": 100 * _mean([v.count_covered for v in verdicts]),
        "extension_error_pct": 100 * _median(np.abs(every["extension_error_frac"])),
        "extension_coverage_pct": 100 * _mean(every["extension_covered"]),
        "density_rmse_g_cm3": _rms(every["density_error_g_cm3"]),
        "density_coverage_pct": 100 * _mean(every["density_covered"]),
        "band_density_rmse_g_cm3": _rms(every["band_density_error_g_cm3"]),
        "band_density_coverage_pct": 100 * _mean(every["band_density_covered"]),
        "seconds": float(np.median([run.seconds for run in runs]))}


def _mean(values: Sequence[bool] | np.ndarray) -> float:
    """Mean, or NaN of nothing."""
    return float(np.mean(values)) if len(values) else float("nan")


def _median(values: np.ndarray) -> float:
    """Median, or NaN of nothing."""
    return float(np.median(values)) if len(values) else float("nan")


def _rms(values: np.ndarray) -> float:
    """Root mean square, or NaN of nothing."""
    return float(np.sqrt(_mean(values**2)))


def slab_row(generator: str, run: Run) -> dict[str, Any]:
    """One slab in `slabs.csv`."""
    marks = run.verdict.marks
    return {"generator": generator, "grade": run.grade, "seed": run.seed, "spacing_mm": round(run.slab.spacing_mm, 2),
            "true_marks": marks.n_true, "found_marks": marks.n_found, "right_marks": marks.n_right,
            "f1": round(marks.f1, 3), "boundary_error_pct": round(100 * marks.median_error_yr, 2),
            "mark_coverage_pct": round(100 * _mean(marks.covered), 1), "count_covered": run.verdict.count_covered,
            "density_rmse_g_cm3": round(_rms(run.verdict.density_error_g_cm3), 4), "script_f1": round(run.script.f1, 3),
            "seconds": round(run.seconds, 2), "flags": run.flags}


def write_rows(path: Path, rows: Sequence[dict[str, Any]]) -> None:
    """Write rows as CSV; the first row has all columns."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def draw_reliability(path: Path, runs: Sequence[Run]) -> None:
    """Stated probability of a mark against the share of such marks that is right."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(5.2, 5.0), layout="constrained")
    axes = figure.add_subplot()
    axes.plot([0, 1], [0, 1], color="0.6", linewidth=1)
    for grade, symbol, shade in zip(GRADES, "os^", ("0.75", "0.45", "0.0"), strict=True):
        scores = [run.verdict.marks for run in runs if run.grade == grade]
        if not scores or not len((marks := pool(scores)).probability):
            continue
        stated, right, number = np.array(reliability(marks.probability, marks.right)).T
        # One standard error of a share, with half a success and half a failure added.
        share = (right * number + 0.5) / (number + 1)
        axes.errorbar(stated, right, yerr=np.sqrt(share * (1 - share) / number), fmt=symbol, color=shade, capsize=2,
                      label=f"{grade} ({len(scores)} slabs)")
        for x, y, n in zip(stated, right, number, strict=True):
            axes.annotate(f"{n:.0f}", (x, y), xytext=(5, -9), textcoords="offset points", fontsize=7, color=shade)
    axes.set(xlabel="stated probability of a mark", ylabel="share that is right", xlim=(0, 1.03), ylim=(0, 1.03),
             title="Simulated slabs; number of marks beside each point")
    axes.legend(loc="upper left", frameon=False)
    figure.savefig(path, dpi=150)


def format_table(rows: Sequence[dict[str, Any]]) -> str:
    """Rows as a table for people; empty where a method has no such figure."""
    names = list(rows[0])
    cells = [names] + [["" if v is None or v == "" else f"{v:.3f}".rstrip("0").rstrip(".") if isinstance(v, float) else str(v)
                        for v in (row.get(n) for n in names)] for row in rows]
    widths = [max(len(line[k]) for line in cells) for k in range(len(names))]
    lines = ["| " + " | ".join(c.ljust(w) for c, w in zip(line, widths, strict=True)) + " |" for line in cells]
    return "\n".join([lines[0], "|" + "|".join("-" * (w + 2) for w in widths) + "|", *lines[1:]]) + "\n"


def main(arguments: list[str] | None = None) -> None:
    """Run the grades."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--generator", choices=("second", "third", "fourth"), default="third")
    parser.add_argument("--slabs", type=int, default=20)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--texture-gain", type=float, help="texture over the grade's nominal one, instead of the calibrated gain")
    parser.add_argument("--grades", nargs="+", choices=list(GRADES), default=list(GRADES))
    given = parser.parse_args(arguments)
    given.out.mkdir(parents=True, exist_ok=True)
    runs, rows = [], []
    for grade in given.grades:
        of_grade = [run_slab(given.generator, grade, given.first_seed + k, texture_gain=given.texture_gain)
                    for k in range(given.slabs)]
        measured = {"generator": given.generator, "grade": grade, "method": "bandkit", **grade_row(of_grade)}
        script = marks_columns([run.script for run in of_grade])
        script["seconds"] = float(np.median([run.script_seconds for run in of_grade]))
        rows += [measured, dict.fromkeys(measured, "") | {"generator": given.generator, "grade": grade,
                                                         "method": "straight script, told the spacing", **script}]
        runs += of_grade
    write_rows(given.out / "grades.csv", rows)
    write_rows(given.out / "slabs.csv", [slab_row(given.generator, run) for run in runs])
    draw_reliability(given.out / "reliability.png", runs)
    sys.stdout.write(format_table(rows))


if __name__ == "__main__":
    main()
