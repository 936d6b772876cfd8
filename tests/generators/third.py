"""Third forward model: a colony that grows from its centre, for judging.

Growth is radial and slower to the sides, with lobes that rise and fade, so that bands are
arcs round a centre outside the slab. Density is calcification over extension as both change
with the season, laid down faster or slower in space, and thickened within the tissue. The texture
is a bundle of corallite columns, each with its own fortune over time. Borings are winding
tubes, some filled. A point source with a worn anode exposes film with grain; the slab lies on its
side, dense is dark or bright.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter, gaussian_filter1d, map_coordinates, uniform_filter1d, zoom
from scipy.signal import lfilter

from generators import ARAGONITE_G_CM3, GRADES, LONGEST_TRACK_MM, TRACK_WIDTH_MM, Grade, Slab, Standard, soften

MASS_ATTENUATION_CM2_G = 0.55
SOURCE_HEIGHT_MM = 1500.0
ANODE_ANGLE_DEG = 17.0
PROFILE_STEP_MM = 0.025
COLUMN_STEP_MM = 0.4
# How long a column's good or bad fortune lasts, in years.
COLUMN_SCALES_YR = (0.12, 0.25)
COLUMN_SMOOTH_YR = 0.06
# Texture of all scales together over that of the one which competes with the year; set with the straight script, like
# its namesake in the second model.
TEXTURE_GAIN = {"easy": 1.0, "ordinary": 3.0, "hard": 1.9}
ABOVE_MM, BELOW_MM, BESIDE_MM = 22.0, 9.0, 18.0
OUTSIDE_MM = 5.0


@dataclass(eq=False)
class Seasons:
    """How density and extension change over a year that begins at the density maximum."""

    rng: np.random.Generator
    space: np.ndarray = field(init=False)
    time: np.ndarray = field(init=False)
    shape: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        self.time = np.linspace(0.0, 1.0, 721)
        lag = self.rng.uniform(-0.12, 0.12)
        extension = 1 + self.rng.uniform(0.25, 0.45) * np.cos(2 * np.pi * (self.time - 0.5 - lag))
        calcification = 1 + self.rng.uniform(0.0, 0.25) * np.cos(2 * np.pi * (self.time - self.rng.uniform(-0.15, 0.15)))
        start = int(np.argmax((calcification / extension)[:-1]))
        extension, calcification = (np.append(np.roll(v[:-1], -start), v[start]) for v in (extension, calcification))
        grown = np.concatenate([[0.0], np.cumsum(0.5 * (extension[1:] + extension[:-1]))])
        # Depth runs back in time.
        self.space = grown / grown[-1]
        density = calcification / extension
        mean = np.trapezoid(density, self.space)
        self.shape = 2 * (density - mean) / np.ptp(density)

    def density(self, space_phase: np.ndarray) -> np.ndarray:
        """Cycle of half range 1 at a phase in space."""
        return np.interp(space_phase, self.space, self.shape)


@dataclass(eq=False)
class Chronicle:
    """Years of the colony: marks below the surface and density over depth."""

    grade: Grade
    rng: np.random.Generator
    spacing_mm: float = field(init=False)
    outer_part_yr: float = field(init=False)
    edges_mm: np.ndarray = field(init=False)
    end_mm: float = field(init=False)
    relative: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        rng, g = self.rng, self.grade
        self.spacing_mm = float(3.5 * (18.0 / 3.5) ** rng.random())
        n = int(min(12 + rng.integers(19), max(LONGEST_TRACK_MM / self.spacing_mm, 12)))
        more = int(30.0 / self.spacing_mm) + 3
        # Good and bad years come in runs, about a slow trend; gamma-distributed like many growth records.
        fortune = lfilter([0.95], [1.0, -0.3], rng.gamma(g.extension_cv**-2, g.extension_cv**2, n + more) - 1.0)
        trend = np.linspace(-1, 1, n + more) * rng.uniform(-0.15, 0.15)
        years = self.spacing_mm * np.maximum(1.0 + fortune + trend, 0.35)
        seasons = Seasons(rng)
        self.outer_part_yr = float(rng.uniform(0.12, 0.95))
        # The newest piece holds the time since the newest mark, laid down at the season's pace.
        newest = float(np.interp(self.outer_part_yr, seasons.time, seasons.space))
        self.edges_mm = np.concatenate([[0.0], np.cumsum(years)]) - (1.0 - newest) * years[0]
        self.end_mm = float(self.edges_mm[n] + rng.uniform(0.3, 0.9) * years[n])
        self.relative = self._density(seasons)

    @property
    def depth_mm(self) -> np.ndarray:
        return np.arange(len(self.relative)) * PROFILE_STEP_MM

    def _density(self, seasons: Seasons) -> np.ndarray:
        """Density over depth as a multiple of the mean."""
        g, rng, n = self.grade, self.rng, len(self.edges_mm)
        depth = np.arange(0.0, self.edges_mm[-1], PROFILE_STEP_MM)
        year = np.interp(depth, self.edges_mm, np.arange(n))
        phase = year % 1.0
        amplitude = g.cycle_frac * rng.gamma(g.amplitude_cv**-2, g.amplitude_cv**2, n)
        level = lfilter([0.025], [1.0, -0.4], rng.standard_normal(n))
        # In space the year runs from its older end outwards, so the phase is turned round.
        values = PchipInterpolator(np.arange(n), amplitude)(year) * seasons.density(1.0 - phase)
        values += 1 + PchipInterpolator(np.arange(n), level)(year)
        twice = np.flatnonzero(rng.random(n) < g.doublet_share)
        for k in twice:
            off = (year - (k + rng.uniform(0.32, 0.68))) / 0.13
            values += g.doublet * rng.uniform(0.7, 1.3) * amplitude[k] * (1 + np.cos(np.pi * np.clip(off, -1, 1)))
        for _ in range(g.stress_bands):
            off = (depth - rng.uniform(0.1, 0.9) * self.edges_mm[-1]) / min(0.8, self.spacing_mm / 8)
            # Dense first, then a trough, as when growth stops and starts again.
            values += 3.3 * g.cycle_frac * off * np.exp(0.5 - 0.5 * off**2) * (0.35 + 0.65 * (off > 0))
        thickened = 1 - 0.2 * np.exp(-depth / 1.8)
        return gaussian_filter1d(values, 0.1 / PROFILE_STEP_MM) * thickened


@dataclass(eq=False)
class Colony:
    """Depth below the living surface at places on the slab; ``a`` runs inwards and ``b`` across it, in mm."""

    grade: Grade
    rng: np.random.Generator
    length_mm: float
    radius_mm: float = field(init=False)
    centre: tuple[float, float] = field(init=False)
    fan: tuple[float, float] = field(init=False)
    lobes: list[tuple[float, float, float, float]] = field(init=False)
    ripples: list[tuple[float, float, float, float]] = field(init=False)

    def __post_init__(self) -> None:
        rng = self.rng
        self.radius_mm = float(max(2.2 * self.length_mm, rng.uniform(110.0, 300.0)))
        # The angle to the radius grows inwards, so it starts at a part of the tilt.
        lean = np.radians(rng.choice([-1, 1]) * 0.65 * rng.uniform(*self.grade.tilt_deg))
        self.centre = (self.radius_mm * np.cos(lean), self.radius_mm * np.sin(lean))
        self.fan = (rng.uniform(0.0, 0.25), rng.uniform(-0.1, 0.1))
        self.lobes = [(rng.uniform(-25, 25), rng.uniform(5, 9), rng.uniform(-0.9, 1.2), rng.uniform(20, 80)) for _ in range(3)]
        self.ripples = [(rng.uniform(0.05, 0.25), rng.uniform(9, 28), rng.uniform(0, 6.28), rng.uniform(25, 90))
                        for _ in range(2)]

    def depth_and_arc(self, a: np.ndarray, b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Depth below the surface, and place along the surface, both in mm."""
        inward, across = self.centre[0] - a, self.centre[1] - b
        angle = np.arctan2(across, inward) - np.arctan2(self.centre[1], self.centre[0]).astype(np.result_type(a))
        arc = angle * np.result_type(a).type(self.radius_mm)
        depth = (self.radius_mm - np.hypot(inward, across)) / (1 - self.fan[0] * (angle - self.fan[1]) ** 2)
        for place, width, height, fading in self.lobes:
            depth = depth + height * np.exp(-0.5 * ((arc - place) / width) ** 2 - np.abs(a) / fading)
        for height, length, turn, period in self.ripples:
            depth = depth + height * np.sin(2 * np.pi * arc / length + turn) * np.cos(2 * np.pi * a / period + turn)
        return depth, arc


@dataclass(frozen=True, eq=False)
class Track:
    """A gently bent track across the slab, as a parabola ``b(a)``."""

    colony: Colony
    chronicle: Chronicle
    a: np.ndarray
    b: np.ndarray
    along: np.ndarray
    depth: np.ndarray

    @classmethod
    def draw(cls, colony: Colony, chronicle: Chronicle, rng: np.random.Generator) -> Track:
        """Lay a track from outside the surface to near the end of the slab; ``along`` is 0 at the surface."""
        a = np.arange(-OUTSIDE_MM - 3.0, chronicle.end_mm + 3.0, 0.01)
        t = a / chronicle.end_mm
        b = min(2.0, 0.01 * chronicle.end_mm) * (rng.uniform(-1, 1) * t + rng.uniform(-2, 2) * t * (1 - t))
        along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(a), np.diff(b)))])
        depth = colony.depth_and_arc(a, b)[0]
        along -= np.interp(0.0, depth, along)
        length = np.interp(chronicle.end_mm, depth, along) - 2.5
        use = (along >= -OUTSIDE_MM) & (along <= length)
        return cls(colony, chronicle, *(v[use] for v in (a, b, along, depth)))

    @property
    def marks_mm(self) -> np.ndarray:
        """Depths of the marks along the track."""
        edges = self.chronicle.edges_mm
        return np.interp(edges[(edges > 0) & (edges < self.depth[-1])], self.depth, self.along)

    def extension_mm(self) -> np.ndarray:
        """Growth of every whole year, square to the bands all the way along the track."""
        tiny = 1e-3
        slope_a, slope_b = ((self.colony.depth_and_arc(self.a + tiny * (k == 0), self.b + tiny * (k == 1))[0] - self.depth)
                            / tiny for k in range(2))
        da, db = np.gradient(self.a, self.along), np.gradient(self.b, self.along)
        square = (slope_a * da + slope_b * db) / np.hypot(slope_a, slope_b)
        grown = np.concatenate([[0.0], np.cumsum(0.5 * (square[1:] + square[:-1]) * np.diff(self.along))])
        return np.diff(np.interp(self.marks_mm, self.along, grown))


@dataclass(frozen=True, eq=False)
class Film:
    """The sheet of film: the slab lies on its side, its surface to the left or to the right."""

    mm_per_px: float
    length_mm: float
    slab_width_mm: float
    surface_left: bool
    track_frac: float

    @property
    def shape(self) -> tuple[int, int]:
        width_mm = max(ABOVE_MM + self.length_mm + BELOW_MM, 75.0)
        return int((self.slab_width_mm + 2 * BESIDE_MM) / self.mm_per_px), int(width_mm / self.mm_per_px)

    def places(self) -> tuple[np.ndarray, np.ndarray]:
        """Inward and across positions of the pixels, as a row and a column."""
        n_y, n_x = self.shape
        a = np.arange(n_x, dtype=np.float32) * np.float32(self.mm_per_px) - np.float32(ABOVE_MM)
        b = np.arange(n_y, dtype=np.float32) * np.float32(self.mm_per_px)
        b -= np.float32(BESIDE_MM + self.track_frac * self.slab_width_mm)
        return (a if self.surface_left else a[::-1])[None, :], b[:, None]

    def to_px(self, a: float, b: float) -> tuple[float, float]:
        """Pixel position of a place on the slab."""
        x = (a + ABOVE_MM) / self.mm_per_px
        y = (b + BESIDE_MM + self.track_frac * self.slab_width_mm) / self.mm_per_px
        return float(x if self.surface_left else self.shape[1] - 1 - x), float(y)


def make_radiograph(grade: str, seed: int, *, texture_gain: float | None = None) -> Slab:
    """Make the radiograph of one slab; the same seed gives the same slab, with more or less texture if asked."""
    g = GRADES[grade]
    rng = np.random.default_rng([3, sorted(GRADES).index(grade), seed])
    chronicle = Chronicle(g, rng)
    colony = Colony(g, rng, chronicle.end_mm)
    track = Track.draw(colony, chronicle, rng)
    film = Film(float(rng.uniform(0.085, 0.1)), chronicle.end_mm, float(rng.uniform(40, 75)), bool(rng.random() < 0.5),
                float(rng.uniform(0.4, 0.6)))
    a, b = film.places()
    depth, arc = colony.depth_and_arc(a, b)
    mean_density, thickness_mm = rng.uniform(1.0, 1.5), float(rng.uniform(5.5, 8.5))
    bands = np.interp(depth.ravel(), chronicle.depth_mm, chronicle.relative).astype(np.float32).reshape(depth.shape)
    texture = corallites(depth, arc, g.texture_frac * (texture_gain or TEXTURE_GAIN[grade]), chronicle.spacing_mm, rng)
    density = bands * (np.float32(mean_density) * (1 + texture))
    densities = true_densities(track, film, density, depth, bands=bands * np.float32(mean_density))
    bore(density, a, b, film, n=g.borings, rng=rng)
    areal = np.where(on_slab(depth, a, b, film, rng), density, 0) * np.float32(thickness_mm / 10)
    standards, bar = add_standards(areal, film), add_bar(areal, film)
    image, dense = expose(areal, film.mm_per_px, rng)
    points = np.linspace(0, len(track.a) - 1, 5).astype(int)
    start = int(np.searchsorted(track.along, 0.0))
    return Slab(image=image, mm_per_px=film.mm_per_px, dense=dense, bar_px=bar[0], bar_length_mm=bar[1], standards=standards,
                points_px=tuple(film.to_px(track.a[k], track.b[k]) for k in points), slab_thickness_mm=thickness_mm,
                surface_px=film.to_px(track.a[start], track.b[start]), track_length_mm=float(track.along[-1]),
                mark_date="02-20", mark_depth_mm=track.marks_mm, year_extension_mm=track.extension_mm(),
                collected=dt.date(2021, 2, 20) + dt.timedelta(days=round(365.25 * chronicle.outer_part_yr)), **densities)


def corallites(depth: np.ndarray, arc: np.ndarray, texture_frac: float, spacing_mm: float, rng: np.random.Generator
               ) -> np.ndarray:
    """Relative density of columns of corallites that sway; each is a sum of relaxing random walks."""
    first, last = float(arc.min()) - 8.0, float(arc.max()) + 8.0
    n_depth = int((float(depth.max()) + 2.0) / COLUMN_STEP_MM) + 2
    places = np.arange(first, last, COLUMN_STEP_MM)
    edges = first + np.cumsum(rng.gamma(6.0, 1.8 / 6.0, int((last - first) / 0.9)))
    column = np.searchsorted(edges, places)
    total = np.zeros((n_depth, len(places)))
    for scale_mm in np.multiply(COLUMN_SCALES_YR, spacing_mm):
        keep = np.exp(-COLUMN_STEP_MM / scale_mm)
        walk = lfilter([np.sqrt(1 - keep**2)], [1.0, -keep], rng.standard_normal((n_depth + 100, len(edges) + 1)), axis=0)
        total += walk[100:, column]
    total = gaussian_filter1d(total, 0.6, axis=1)
    total = gaussian_filter1d(total, COLUMN_SMOOTH_YR * spacing_mm / COLUMN_STEP_MM, axis=0)
    averaged = uniform_filter1d(total, round(TRACK_WIDTH_MM / COLUMN_STEP_MM), axis=1)
    total *= texture_frac / averaged.std()
    # The columns keep their place but sway together by a millimetre or two.
    sway = gaussian_filter1d(rng.standard_normal(n_depth), 12.0, mode="wrap")
    sway *= 1.2 / sway.std()
    rows = np.clip(depth * np.float32(1 / COLUMN_STEP_MM), 0, n_depth - 1)
    swayed = arc + np.interp(rows.ravel(), np.arange(n_depth), sway).astype(np.float32).reshape(rows.shape)
    texture = map_coordinates(total.astype(np.float32), [rows, (swayed - np.float32(first)) / np.float32(COLUMN_STEP_MM)], order=1)
    septa = rng.standard_normal(tuple(n // 3 + 1 for n in depth.shape), dtype=np.float32) * np.float32(0.06)
    return soften(texture) + septa.repeat(3, axis=0)[: depth.shape[0]].repeat(3, axis=1)[:, : depth.shape[1]]


def true_densities(track: Track, film: Film, density: np.ndarray, depth: np.ndarray, *, bands: np.ndarray
                   ) -> dict[str, np.ndarray]:
    """Mean density of every whole year within the track's width, with and without texture."""
    a, b = film.places()
    slope = np.gradient(track.b, track.a)
    beside = (b - np.interp(a[0], track.a, track.b)[None, :]) / np.hypot(1.0, np.interp(a[0], track.a, slope))[None, :]
    near = np.abs(beside) <= TRACK_WIDTH_MM / 2
    edges = track.chronicle.edges_mm
    edges = edges[(edges > 0) & (edges < track.depth[-1])]
    year = np.searchsorted(edges, depth[near])
    count = np.bincount(year, minlength=len(edges) + 1)[1 : len(edges)]
    return {name: np.bincount(year, field_[near], minlength=len(edges) + 1)[1 : len(edges)] / count
            for name, field_ in (("year_density_g_cm3", density), ("band_density_g_cm3", bands))}


def bore(density: np.ndarray, a: np.ndarray, b: np.ndarray, film: Film, *, n: int, rng: np.random.Generator) -> None:
    """Drill winding tubes into the skeleton; every third is filled with mud."""
    for k in range(n):
        steps = int(rng.uniform(8, 26) / 0.5)
        heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.12, steps))
        at_a = rng.uniform(5.0, film.length_mm) + 0.5 * np.cumsum(np.cos(heading))
        at_b = (rng.random() - film.track_frac) * film.slab_width_mm + 0.5 * np.cumsum(np.sin(heading))
        radius = rng.uniform(0.6, 1.7) * np.linspace(0.7, 1.2, steps)
        filling = 0.5 if k % 3 == 2 else 0.03
        columns = np.flatnonzero((a[0] > at_a.min() - 3) & (a[0] < at_a.max() + 3))
        rows = np.flatnonzero((b[:, 0] > at_b.min() - 3) & (b[:, 0] < at_b.max() + 3))
        if len(rows) == 0 or len(columns) == 0:
            continue
        window = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
        part_a, part_b = a[:, window[1]], b[window[0]]
        hole = np.zeros((part_b.shape[0], part_a.shape[1]), dtype=bool)
        for ca, cb, r in zip(at_a, at_b, radius, strict=True):
            hole |= (part_a - ca) ** 2 + (part_b - cb) ** 2 < r**2
        density[window][hole] = filling


def on_slab(depth: np.ndarray, a: np.ndarray, b: np.ndarray, film: Film, rng: np.random.Generator) -> np.ndarray:
    """Where there is slab: below the surface, between sides cut by hand, above a rounded break."""
    side = [0.8 * np.sin(a / rng.uniform(12, 40) + rng.uniform(0, 6.28)) for _ in range(2)]
    low = -film.track_frac * film.slab_width_mm
    high = low + film.slab_width_mm
    middle = 0.5 * (low + high)
    break_at = film.length_mm + 0.5 - 0.0015 * (b - middle) ** 2
    return (depth > 0) & (b > low + side[0]) & (b < high + side[1]) & (a < break_at)


def add_standards(areal: np.ndarray, film: Film) -> tuple[Standard, ...]:
    """A row of aragonite chips of 0.8 to 6.4 mm along the lower rim."""
    px = film.mm_per_px
    n_y = areal.shape[0]
    y0, y1 = n_y - round(12.0 / px), n_y - round(4.0 / px)
    standards = []
    for k, thickness in enumerate((0.8, 1.6, 2.7, 4.2, 6.4)):
        x0, x1 = round((8.0 + 12.0 * k) / px), round((17.0 + 12.0 * k) / px)
        areal[y0:y1, x0:x1] = ARAGONITE_G_CM3 * thickness / 10
        standards.append(Standard(box_px=(x0 + 12, y0 + 12, x1 - 12, y1 - 12), thickness_mm=thickness))
    return tuple(standards)


def add_bar(areal: np.ndarray, film: Film) -> tuple[tuple[tuple[float, float], tuple[float, float]], float]:
    """A lead bar along the upper rim; its ends and its length in mm."""
    px = film.mm_per_px
    x0, n = round(8.0 / px), round(40.0 / px)
    y0, y1 = round(5.0 / px), round(6.5 / px)
    areal[y0:y1, x0 : x0 + n] = 12.0
    y = 0.5 * (y0 + y1 - 1)
    return ((x0 - 0.5, y), (x0 + n - 0.5, y)), n * px


def expose(areal: np.ndarray, mm_per_px: float, rng: np.random.Generator) -> tuple[np.ndarray, str]:
    """Film behind the slab, scanned to 16 bits, with the name of what dense looks like."""
    n_y, n_x = areal.shape
    x = ((np.arange(n_x, dtype=np.float32) - rng.uniform(0.3, 0.7) * n_x) * mm_per_px)[None, :]
    y = ((np.arange(n_y, dtype=np.float32) - rng.uniform(0.3, 0.7) * n_y) * mm_per_px)[:, None]
    fall = (1 + (x**2 + y**2) / np.float32(SOURCE_HEIGHT_MM**2)) ** -1.5
    take_off = np.radians(ANODE_ANGLE_DEG) + np.arctan((x if rng.random() < 0.5 else -x) / SOURCE_HEIGHT_MM)
    heel = np.exp(-rng.uniform(0.05, 0.15) * (np.sin(np.radians(ANODE_ANGLE_DEG)) / np.sin(take_off) - 1))
    dose = np.exp(np.float32(-MASS_ATTENUATION_CM2_G) * areal) * (fall * heel.astype(np.float32))
    dose = gaussian_filter(dose, 0.12 / mm_per_px, truncate=3.0)
    # Scatter: a veil much wider than any band.
    small = gaussian_filter(dose[::16, ::16], 12.0 / mm_per_px / 16, mode="nearest")
    veil = zoom(small, (n_y / small.shape[0], n_x / small.shape[1]), order=1, grid_mode=True, mode="nearest")
    dose += np.float32(0.01) * veil
    grain = gaussian_filter(rng.standard_normal(dose.shape, dtype=np.float32), 0.7, truncate=2.0)
    dose *= 1 + np.float32(0.008 / 0.4) * grain
    grey = rng.uniform(200, 1200) + rng.uniform(44_000, 54_000) * dose
    dark = bool(rng.random() < 0.5)
    scanned = np.clip(np.rint(grey if dark else 65535 - grey), 0, 65535).astype(np.uint16)
    return scanned, "dark" if dark else "bright"
