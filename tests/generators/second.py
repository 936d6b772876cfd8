"""Second forward model: layers painted on a grid, for tuning.

Bands are height lines of a depth field over a standing slab: tilted, domed, and
wavy with waves that wander. Density over depth is a skewed circular bump per year; the
texture is blotches of three sizes about the year's, each as strong as the next. X-rays of three
energies pass the slab, with a polynomial fall-off of the beam and Poisson noise; the plate
shows dense as bright.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates, uniform_filter1d

from generators import ARAGONITE_G_CM3, GRADES, LONGEST_TRACK_MM, TRACK_WIDTH_MM, Grade, Slab, Standard, soften

# Three energies stand for a tube at 70 kV behind the slab: share of the dose, and CaCO3's mass attenuation in cm2/g
# at 38, 48 and 60 keV (rounded from the usual tables).
SPECTRUM = ((0.25, 0.96), (0.45, 0.58), (0.30, 0.376))
DEPTH_STEP_MM = 0.02
COARSE_MM = 0.3
PHOTONS = 25_000.0
# Half of the longest plate, over which the beam falls off by the amounts drawn.
BEAM_HALF_MM = 200.0
# Sizes of the texture's blotches along the track, in years: what is much finer or coarser hides no band.
BLOTCHES_YR = (0.07, 0.12, 0.18)
# Texture of all sizes together over that of the one which competes most with the year. Set so that a straight profile
# with a peak finder told the spacing reaches about F1 1.0, 0.85 and 0.7, as it did in the trials that defined the grades.
TEXTURE_GAIN = {"easy": 1.0, "ordinary": 2.8, "hard": 1.7}
FULL_SCALE = 65535


@dataclass(frozen=True, eq=False)
class _Growth:
    """Marks and relative density of the bands over depth."""

    marks_mm: np.ndarray
    end_mm: float
    depth_mm: np.ndarray
    relative: np.ndarray
    spacing_mm: float
    outer_part_yr: float


@dataclass(frozen=True, eq=False)
class _Frame:
    """Where things lie on the plate, in mm from its upper left corner."""

    mm_per_px: float
    width_mm: float
    height_mm: float
    left_mm: float
    right_mm: float
    track_mm: float
    top_mm: float

    @property
    def shape(self) -> tuple[int, int]:
        return int(self.height_mm / self.mm_per_px), int(self.width_mm / self.mm_per_px)

    def grid(self, step_mm: float | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Across from the track and down from the surface's place on it, in mm."""
        step = step_mm or self.mm_per_px
        x = np.arange(int(self.width_mm / step) + (step_mm is not None) * 2, dtype=np.float32) * step - self.track_mm
        y = np.arange(int(self.height_mm / step) + (step_mm is not None) * 2, dtype=np.float32) * step - self.top_mm
        return x[None, :], y[:, None]


def make_radiograph(grade: str, seed: int, *, texture_gain: float | None = None) -> Slab:
    """Make the radiograph of one slab; the same seed gives the same slab, with more or less texture if asked."""
    g = GRADES[grade]
    rng = np.random.default_rng([2, sorted(GRADES).index(grade), seed])
    growth = _grow(g, rng)
    frame = _lay_out(growth, rng)
    warp = _Warp(g, rng)
    x, y = frame.grid()
    depth = warp.depth(x, y)
    inside = (depth > 0) & (x > frame.left_mm - frame.track_mm) & (x < frame.right_mm - frame.track_mm)
    inside &= y < growth.end_mm
    mean_density = rng.uniform(1.1, 1.45)
    bands = np.interp(depth, growth.depth_mm, growth.relative).astype(np.float32)
    density = mean_density * bands * (1 + _texture(frame, g.texture_frac * (texture_gain or TEXTURE_GAIN[grade]), growth.spacing_mm, rng))
    truth = _truth(growth, warp, frame, density=density, depth=depth, mean_density=mean_density)
    bored = np.where(_borings(x, y, frame, growth.end_mm, n=g.borings, rng=rng), np.float32(0.06), density)
    thickness = float(rng.uniform(5.0, 7.5))
    areal = np.where(inside, bored, 0).astype(np.float32) * np.float32(thickness / 10)
    standards = _place_standards(areal, frame)
    bar = _bar_box(frame)
    image = _expose(areal, bar, frame, rng)
    ends, length = _bar_ends(bar, frame)
    return Slab(image=image, mm_per_px=frame.mm_per_px, dense="bright", bar_px=ends, bar_length_mm=length,
                standards=standards, slab_thickness_mm=thickness, mark_date="09-12",
                collected=dt.date(2018, 9, 12) + dt.timedelta(days=round(365.25 * growth.outer_part_yr)), **truth)


def _grow(g: Grade, rng: np.random.Generator) -> _Growth:
    """Extension of every year, and the density that goes with it."""
    spacing = np.exp(rng.uniform(np.log(3.5), np.log(18.0)))
    n = int(min(rng.integers(12, 31), max(LONGEST_TRACK_MM / spacing, 12)))
    log_sd = np.sqrt(np.log1p(g.extension_cv**2))
    # More years than the track crosses: one outside the surface, and those that tilted bands bring in at the sides.
    extension = spacing * np.exp(log_sd * rng.standard_normal(n + 1 + int(25.0 / spacing) + 3) - log_sd**2 / 2)
    outer = rng.uniform(0.12, 0.95)
    edges = np.concatenate([[0.0], np.cumsum(extension)]) - (1.0 - outer) * extension[0]
    end = edges[n] + rng.uniform(0.3, 0.9) * extension[n]
    depth = np.arange(0.0, edges[-1], DEPTH_STEP_MM)
    relative = _relative_density(g, edges, depth, spacing, rng)
    marks = edges[1:]
    return _Growth(marks[marks < end], end, depth, relative, float(spacing), outer)


def _relative_density(g: Grade, edges: np.ndarray, depth: np.ndarray, spacing: float, rng: np.random.Generator
                      ) -> np.ndarray:
    """Density of the bands over depth as a multiple of the mean: level, cycle, second bands, stress bands."""
    n = len(edges)
    year = np.interp(depth, edges, np.arange(n))
    phase = year - np.floor(year)
    skew = phase + rng.uniform(-0.5, 0.5) * (1 - np.cos(2 * np.pi * phase)) / (2 * np.pi)
    bump = np.exp(rng.uniform(0.6, 1.8) * (np.cos(2 * np.pi * skew) - 1))
    bump = 2 * (bump - bump.mean()) / np.ptp(bump)
    amplitude = g.cycle_frac * np.exp(g.amplitude_cv * rng.standard_normal(n))
    level = 1 + 0.03 * rng.standard_normal(n)
    relative = np.interp(year, np.arange(n), level) + np.interp(year, np.arange(n), amplitude) * bump
    second = g.doublet * (rng.random(n) < g.doublet_share) * rng.uniform(0.7, 1.3, n)
    centre, which = rng.uniform(0.35, 0.65, n), np.floor(year).astype(int)
    relative += 2 * (second * amplitude)[which] * np.exp(-0.5 * ((phase - centre[which]) / 0.08) ** 2)
    for _ in range(g.stress_bands):
        at = rng.uniform(edges[1], 0.9 * edges[-1])
        relative += 2 * g.cycle_frac * np.exp(-0.5 * ((depth - at) / min(0.45, spacing / 12)) ** 2)
    return relative / relative.mean()


def _lay_out(growth: _Growth, rng: np.random.Generator) -> _Frame:
    """Bar on the left, slab in the middle, steps on the right."""
    slab = rng.uniform(40.0, 75.0)
    left = 14.0
    return _Frame(mm_per_px=float(rng.uniform(0.085, 0.1)), width_mm=left + slab + 26.0, left_mm=left,
                  height_mm=max(growth.end_mm + 34.0, 68.0), right_mm=left + slab,
                  track_mm=left + slab * rng.uniform(0.4, 0.6), top_mm=26.0)


class _Warp:
    """Depth below the surface as a function of the place on the slab."""

    def __init__(self, g: Grade, rng: np.random.Generator) -> None:
        self.slope = float(np.tan(np.radians(rng.uniform(*g.tilt_deg))) * rng.choice([-1, 1]))
        self.dome = float(rng.choice([0.0, 1.0, 1.0]) / rng.uniform(90.0, 300.0))
        self.dome_at_mm = float(rng.uniform(-8.0, 8.0))
        self.waves = [(rng.uniform(0.1, 0.45), rng.uniform(14.0, 45.0), rng.uniform(0, 6.28), rng.uniform(-0.02, 0.02))
                      for _ in range(3)]

    def depth(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Depth in mm at x across from the track and y down from the surface on it."""
        fall = self.slope * x + 0.5 * self.dome * ((x - self.dome_at_mm) ** 2 - self.dome_at_mm**2)
        depth = y - np.asarray(fall, dtype=np.result_type(x))
        for height, length, phase, drift in self.waves:
            turn = drift * y + phase
            k = 2 * np.pi / length
            # sin(k x + turn) - sin(turn), as products of a row and a column; it is 0 on the track.
            depth = depth - height * (np.sin(k * x) * np.cos(turn) + (np.cos(k * x) - 1) * np.sin(turn))
        return depth


def _texture(frame: _Frame, texture_frac: float, spacing_mm: float, rng: np.random.Generator) -> np.ndarray:
    """Blotches of several sizes with the same strength each, and fine grain; scaled on a 5 mm wide mean."""
    x, y = frame.grid(COARSE_MM)
    shape = (y.shape[0], x.shape[1])
    total = np.zeros(shape, dtype=np.float32)
    for size_mm in np.multiply(BLOTCHES_YR, spacing_mm):
        across_mm = min(max(0.8 * size_mm, 0.4), 0.9)
        blotch = gaussian_filter(rng.standard_normal(shape, dtype=np.float32), (size_mm / COARSE_MM, across_mm / COARSE_MM),
                                 mode="wrap", truncate=3.0)
        averaged = uniform_filter1d(blotch, round(TRACK_WIDTH_MM / COARSE_MM), axis=1, mode="wrap")
        total += blotch / averaged.std()
    averaged = uniform_filter1d(total, round(TRACK_WIDTH_MM / COARSE_MM), axis=1, mode="wrap")
    total *= texture_frac / averaged.std()
    n_y, n_x = frame.shape
    step = frame.mm_per_px / COARSE_MM
    at = np.meshgrid(np.arange(n_y, dtype=np.float32) * step, np.arange(n_x, dtype=np.float32) * step, indexing="ij")
    grain = gaussian_filter(rng.standard_normal((n_y, n_x), dtype=np.float32), 1.2, truncate=2.0)
    return soften(map_coordinates(total, at, order=1)) + grain * np.float32(0.05 / grain.std())


def _borings(x: np.ndarray, y: np.ndarray, frame: _Frame, end_mm: float, *, n: int, rng: np.random.Generator) -> np.ndarray:
    """Elliptic holes anywhere in the slab; rows and columns are broadcast only round each hole."""
    holes = np.zeros(frame.shape, dtype=bool)
    for _ in range(n):
        at_x, at_y = rng.uniform(frame.left_mm, frame.right_mm) - frame.track_mm, rng.uniform(8.0, end_mm)
        long, short, turn = rng.uniform(2.0, 7.0), rng.uniform(0.8, 2.5), rng.uniform(0, np.pi)
        rows = slice(*np.searchsorted(y[:, 0], [at_y - 8, at_y + 8]))
        columns = slice(*np.searchsorted(x[0], [at_x - 8, at_x + 8]))
        dx, dy = x[:, columns] - at_x, y[rows] - at_y
        along, across = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
        holes[rows, columns] |= (along / long) ** 2 + (across / short) ** 2 < 1
    return holes


def _truth(growth: _Growth, warp: _Warp, frame: _Frame, *, density: np.ndarray, depth: np.ndarray, mean_density: float
           ) -> dict:
    """What is true on a standing track: marks, extension square to the bands, density."""
    px = frame.mm_per_px
    y = np.arange(0.0, growth.end_mm, 0.01)
    on_track, beside = (warp.depth(np.float64(x), y) for x in (0.0, 1e-3))
    slope_y, slope_x = np.gradient(on_track, y), (beside - on_track) / 1e-3
    square = np.concatenate([[0.0], np.cumsum(0.01 * slope_y / np.hypot(slope_x, slope_y))[:-1]])
    length = float(np.interp(growth.end_mm, on_track, y) - 2.5)
    marks = np.interp(growth.marks_mm, on_track, y)
    marks = marks[marks < length]
    of_mark = growth.marks_mm[: len(marks)]
    x, _ = frame.grid()
    columns = np.abs(x[0]) <= TRACK_WIDTH_MM / 2
    year = np.searchsorted(of_mark, depth[:, columns].ravel())
    count = np.bincount(year, minlength=len(marks) + 1)[1 : len(marks)]
    mass = np.bincount(year, density[:, columns].ravel(), minlength=len(marks) + 1)[1 : len(marks)]
    total = np.concatenate([[0.0], np.cumsum(growth.relative) * DEPTH_STEP_MM])
    in_bands = np.diff(np.interp(of_mark, np.append(growth.depth_mm, growth.depth_mm[-1] + DEPTH_STEP_MM), total))
    at_x, at_y = frame.track_mm / px, frame.top_mm / px
    return {"points_px": ((at_x, at_y - 5.0 / px), (at_x, at_y + length / px)), "surface_px": (at_x, at_y),
            "track_length_mm": length, "mark_depth_mm": marks,
            "year_extension_mm": np.diff(np.interp(marks, y, square)), "year_density_g_cm3": mass / count,
            "band_density_g_cm3": mean_density * in_bands / np.diff(of_mark)}


def _place_standards(areal: np.ndarray, frame: _Frame) -> tuple[Standard, ...]:
    """Paint steps of aragonite, 1 to 6 mm, down the right side; boxes lie well inside them."""
    px = frame.mm_per_px
    x0, y0, side = frame.right_mm + 10.0, 8.0, 8.0
    standards = []
    for k in range(6):
        top = y0 + k * side
        rows, columns = slice(round(top / px), round((top + side) / px)), slice(round(x0 / px), round((x0 + 9.0) / px))
        areal[rows, columns] = ARAGONITE_G_CM3 * (k + 1.0) / 10
        box = (columns.start + 10, rows.start + 10, columns.stop - 10, rows.stop - 10)
        standards.append(Standard(box_px=box, thickness_mm=k + 1.0))
    return tuple(standards)


def _bar_box(frame: _Frame) -> tuple[slice, slice]:
    """Rows and columns of the lead bar."""
    px = frame.mm_per_px
    length = 50.0
    top = round(0.5 * (frame.height_mm - length) / px)
    return slice(top, top + round(length / px)), slice(round(4.0 / px), round(6.0 / px))


def _bar_ends(bar: tuple[slice, slice], frame: _Frame) -> tuple[tuple[tuple[float, float], tuple[float, float]], float]:
    """Ends of the bar at pixel edges, and its length."""
    rows, columns = bar
    x = 0.5 * (columns.start + columns.stop - 1)
    return ((x, rows.start - 0.5), (x, rows.stop - 0.5)), (rows.stop - rows.start) * frame.mm_per_px


def _expose(areal: np.ndarray, bar: tuple[slice, slice], frame: _Frame, rng: np.random.Generator) -> np.ndarray:
    """Shine three energies through the slab onto the plate."""
    areal = gaussian_filter(areal, 0.1 / frame.mm_per_px, truncate=3.0)
    # The sum over the energies is smooth in mass per area: a fine table is exact enough and quicker.
    table = np.linspace(0.0, 6.0, 6001)
    through = sum(share * np.exp(-mu * table) for share, mu in SPECTRUM)
    dose = np.interp(areal, table, through).astype(np.float32)
    dose[bar] = 0.002
    n_y, n_x = areal.shape
    # The fall-off belongs to the tube: it depends on the distance in mm, not on how the plate was cut.
    u, v = (np.arange(n, dtype=np.float32) * (frame.mm_per_px / BEAM_HALF_MM) - rng.uniform(0.2, 1.0) for n in (n_x, n_y))
    u, v = u[None, :], v[:, None]
    heel, bow = rng.uniform(-0.1, 0.1, 2), rng.uniform(0.02, 0.06, 2)
    dose *= (1 + heel[0] * u - bow[0] * u**2) * (1 + heel[1] * v - bow[1] * v**2)
    dose += rng.standard_normal(dose.shape, dtype=np.float32) * np.sqrt(np.maximum(dose, 0) / PHOTONS)
    grey = rng.uniform(300, 900) + 0.82 * FULL_SCALE * dose
    return (FULL_SCALE - np.clip(np.rint(grey), 0, FULL_SCALE)).astype(np.uint16)
