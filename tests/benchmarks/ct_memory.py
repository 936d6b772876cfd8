"""Time and memory of a scan of 512 x 512 x 800 voxels, from its slices to growth per year.

Writes the slices (420 MB) into a temporary folder and measures them in a process of its own::

    python tests/benchmarks/ct_memory.py [SLICES]
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from generators.ct_phantom import Phantom, Rod, write_slice

SIDE_PX = 512
REPEATED = 4
MEASURE = """
import pathlib, resource, sys, time
import bandkit
from bandkit.images.slab import open_slab
from bandkit.record import read_record
start = time.perf_counter()
with open_slab(read_record(sys.argv[1])) as image:
    cut = image.read(0, 0, image.width_px, image.height_px)
cut_s = time.perf_counter() - start
start, worked = time.perf_counter(), time.process_time()
result = bandkit.measure(sys.argv[1])
# What getrusage tells of a process that was just started may be its parent's; Linux tells its own.
status = pathlib.Path("/proc/self/status")
own = [line.split()[1] for line in status.read_text().splitlines() if line.startswith("VmHWM")] if status.exists() else []
peak = int(own[0]) if own else resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(f"{cut_s:.1f} {time.perf_counter() - start:.1f} {peak / 1024:.0f} {cut.shape[1]}x{cut.shape[0]} "
      f"{len(result.marks.depth_mm)} {time.process_time() - worked:.1f}")
"""


def large_phantom(n_slices: int) -> Phantom:
    """A core that fills a field of 102 mm, on voxels of 0.2 x 0.2 mm."""
    rods = (Rod(x_mm=8, y_mm=8, radius_mm=5, density_g_cm3=0.90), Rod(x_mm=94, y_mm=8, radius_mm=5, density_g_cm3=1.55),
            Rod(x_mm=8, y_mm=94, radius_mm=5, density_g_cm3=2.10))
    step_mm = 0.25
    return Phantom(seed=5, size_px=(SIDE_PX, SIDE_PX, n_slices), voxel_mm=(0.2, 0.2, step_mm), rods=rods, radius_mm=35.0,
                   n_years=int(0.8 * n_slices * step_mm / 9.0), lean=(0.08, -0.05))


def write_scan(folder: Path, n_slices: int) -> Path:
    """Slices and record; neighbouring slices are alike but for their place, to save time."""
    phantom = large_phantom(n_slices)
    (folder / "scan").mkdir()
    for number in range(n_slices):
        if number % REPEATED == 0:
            values = phantom.slice_hu(number + REPEATED // 2)
        write_slice(folder / "scan" / f"{number:04d}.dcm", values, phantom.voxel_mm[:2],
                    (0.0, 0.0, number * phantom.voxel_mm[2]), number=number + 1)
    from bandkit.cut import VoxelGrid, frame_cut

    grid = VoxelGrid(size_px=phantom.size_px, x_mm_px=phantom.voxel_mm[0], y_mm_px=phantom.voxel_mm[1],
                     slice_mm=np.arange(n_slices) * phantom.voxel_mm[2], shift_mm=np.zeros((n_slices, 2)))
    ends = [phantom.top_mm - 4 * phantom.way, phantom.top_mm + (phantom.length_mm - 1) * phantom.way]
    record = folder / "TB-31.toml"
    record.write_text(phantom.record_text("scan", frame_cut(grid, phantom.points_px).to_px(np.array(ends))), encoding="utf-8")
    return record


def measured(record: Path) -> tuple[float, float, float, str, int, float]:
    """Seconds of the cut alone and of the whole job, peak memory in MB, size of the cut, marks, processor seconds of the job."""
    done = subprocess.run([sys.executable, "-c", MEASURE, str(record)], capture_output=True, text=True, check=True)
    cut_s, whole_s, peak_mb, size, marks, worked_s = done.stdout.split()
    return float(cut_s), float(whole_s), float(peak_mb), size, int(marks), float(worked_s)


def main() -> None:
    """Write, measure, print."""
    n_slices = int(sys.argv[1]) if len(sys.argv) > 1 else 800
    with tempfile.TemporaryDirectory() as folder:
        record = write_scan(Path(folder), n_slices)
        cut_s, whole_s, peak_mb, size, marks, worked_s = measured(record)
    sys.stdout.write(f"{SIDE_PX} x {SIDE_PX} x {n_slices}: cut of {size} px {cut_s:.1f} s, whole job {whole_s:.1f} s "
                     f"({worked_s:.1f} s of one processor), peak memory {peak_mb:.0f} MB, {marks} marks\n")


if __name__ == "__main__":
    main()
