"""Fourth forward model: a slab of single corallites on a skew plate, for judging.

Corallite tubes of a fixed size in mm grow from the base of the slab to its surface; they fan, bud, crowd each other
out, and close dissepiments behind the polyps. Together with slow patches they are the texture. The bands are
height lines of a smooth random relief that changes slowly as the colony grows; the density within a year has a
shape drawn for the slab. Bivalves and sponges bore through part of the thickness. The slab lies askew among discs of
aragonite on a flat panel of 14 bits, with a beam that hardens; dense is dark.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d, map_coordinates, zoom

from generators import ARAGONITE_G_CM3, GRADES, LONGEST_TRACK_MM, TRACK_WIDTH_MM, Grade, Slab, Standard, soften
from generators.corallites import CELL_MM, MOST_TEXTURE_FRAC, ROW_MM, bivalve, draw_texture, nominal_scale, sponge

# Texture over the grade's nominal one, before it is softened; set with the straight script on slabs 50 to 55, as for the
# other models. At a gain of 1 the mean profile of the track scatters by the grade's percentage, texture of all sizes
# together; at these gains, for the softening, by about 19 and 22 % on ordinary and hard slabs.
TEXTURE_GAIN = {"easy": 1.0, "ordinary": 2.6, "hard": 2.4}

TABLE_STEP_MM = 0.01
RELIEF_STEP_MM = 1.0
# What the texture reaches above the surface and beyond the sides.
ROOM_MM = 3.0
STRIP_STEP_MM = (0.1, 0.25)

OUTSIDE_MM = 5.0
MARGIN_MM, BAR_STRIP_MM = 17.0, 16.0
DISC_RADIUS_MM = 5.0
DISCS_MM = (1.0, 4.4, 0.6, 6.8, 1.7, 2.8)
BAR_MM = 30.0

MASS_ATTENUATION_CM2_G = 0.62
HARDENING_CM2_G = 0.03
FULL_SCALE = 16383
PHOTONS = 12_000.0


def smoothstep(x: np.ndarray) -> np.ndarray:
    """From 0 to 1 with no slope at either end."""
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3 - 2 * x)


def annual_shape(rng: np.random.Generator, n: int = 720) -> np.ndarray:
    """Density over the year, from crest to crest, from 0 to 1: one of four families."""
    x = np.arange(n) / n
    kind = rng.integers(4)
    if kind == 0:
        # Sawtooth: the short side is on the older or on the younger one.
        short = rng.uniform(0.15, 0.3)
        shape = np.interp(x, [0.0, short, 1.0], [1.0, 0.0, 1.0])[:: rng.choice([-1, 1])]
    elif kind == 1:
        shape = 1 / (1 + (np.minimum(x, 1 - x) / rng.uniform(0.1, 0.17)) ** 2)
    elif kind == 2:
        shape = np.tanh(rng.uniform(1.0, 1.8) * np.cos(2 * np.pi * x) + 0.4)
    else:
        shape = np.cos(2 * np.pi * x ** rng.choice([rng.uniform(0.6, 0.8), rng.uniform(1.25, 1.6)]))
    shape = gaussian_filter1d(shape, 0.03 * n, mode="wrap")
    shape = np.roll(shape, -int(np.argmax(shape)))
    return (shape - shape.min()) / np.ptp(shape)


@dataclass(frozen=True, kw_only=True, eq=False)
class Years:
    """Marks below the surface, and density of the bands over depth as a multiple of the mean.

    The first of ``edges_mm`` lies above the surface; ``end_mm`` is where the track shall end.
    """

    edges_mm: np.ndarray
    end_mm: float
    outer_part_yr: float
    relative: np.ndarray

    @classmethod
    def draw(cls, g: Grade, tilt: float, rng: np.random.Generator) -> Years:
        """Let good years follow good ones; the whole years keep to the spacing that was drawn."""
        spacing = float(np.exp(rng.uniform(np.log(3.6), np.log(17.8))))
        n = int(min(rng.integers(12, 31), LONGEST_TRACK_MM / spacing - 2))
        more = int(40.0 / spacing) + 4
        fortune = rng.standard_normal(n + more)
        for k in range(1, len(fortune)):
            fortune[k] = 0.35 * fortune[k - 1] + np.sqrt(1 - 0.35**2) * fortune[k]
        years = np.maximum(1 + g.extension_cv * fortune, 0.35)
        # The spacing is meant along the track, to which the bands are tilted.
        years *= spacing * np.cos(tilt) / years[1 : n + 1].mean()
        outer = float(rng.uniform(0.12, 0.95))
        edges = np.concatenate([[0.0], np.cumsum(years)]) - (1 - outer) * years[0]
        end = float(edges[n + 1] + rng.uniform(0.35, 0.9) * years[n + 1])
        return cls(edges_mm=edges, end_mm=end, outer_part_yr=outer, relative=relative_density(g, edges, end, rng))

    def at(self, depth_mm: np.ndarray) -> np.ndarray:
        """Relative density of the bands at depths."""
        return self.relative[np.clip(depth_mm * (1 / TABLE_STEP_MM), 0, len(self.relative) - 1).astype(np.int32)]


def relative_density(g: Grade, edges: np.ndarray, end: float, rng: np.random.Generator) -> np.ndarray:
    """Cycle, second bands, stress bands and the thin skeleton within the tissue, every 0.01 mm from the surface."""
    n = len(edges)
    depth = np.arange(0.0, edges[-1], TABLE_STEP_MM)
    year = np.interp(depth, edges, np.arange(n))
    which = year.astype(int)
    phase = year - which
    shape = annual_shape(rng)
    amplitude = g.cycle_frac * np.maximum(1 + g.amplitude_cv * rng.standard_normal(n), 0.35)
    level = 1 + 0.03 * rng.standard_normal(n)
    second = g.doublet * rng.uniform(0.7, 1.3, n) * (rng.random(n) < g.doublet_share)
    centre, width = rng.uniform(0.3, 0.7, n), rng.uniform(0.05, 0.09, n)
    twice = second[which] / np.cosh((phase - centre[which]) / width[which]) ** 2
    cycle = (np.interp(phase, np.linspace(0, 1, len(shape) + 1), np.append(shape, shape[0])) ** 4 + twice**4) ** 0.25
    # From year to year amplitude and level change without a slope at the marks, which so stay on the crests.
    gently = which + smoothstep(phase)
    values = np.interp(gently, np.arange(n), level)
    values += 2 * np.interp(gently, np.arange(n), amplitude) * (cycle - shape.mean())
    for k in range(g.stress_bands):
        at, half_width = rng.uniform(edges[2], 0.9 * end), rng.uniform(0.15, 0.4)
        values += g.cycle_frac * rng.uniform(2, 4) * np.exp(-0.5 * ((depth - at) / half_width) ** 2)
        if k % 2 == 0:
            # Growth stood still: a thin line with hardly any skeleton on the outer side.
            values -= rng.uniform(0.2, 0.4) * np.exp(-0.5 * ((depth - at + 2.5 * half_width) / 0.1) ** 2)
    return (values * (1 - 0.12 * np.exp(-((depth / 1.6) ** 2)))).astype(np.float32)


@dataclass(frozen=True, kw_only=True, eq=False)
class Layers:
    """Growth surfaces: tilted, domed, and with a relief; ``u`` runs inwards from the surface and ``v`` across, in mm."""

    tilt: float
    curvature_per_mm: float
    relief_mm: np.ndarray
    origin_mm: tuple[float, float]

    @classmethod
    def draw(cls, tilt: float, length_mm: float, width_mm: float, rng: np.random.Generator) -> Layers:
        """Lay bumps of 8 to 40 mm that last for 20 to 100 mm of growth."""
        origin = (-30.0, -width_mm)
        shape = (int((length_mm + 80.0) / RELIEF_STEP_MM), int(2 * width_mm / RELIEF_STEP_MM))
        relief = np.zeros(shape)
        for _ in range(3):
            across_mm, inwards_mm = np.exp(rng.uniform(np.log([8, 20]), np.log([40, 100])))
            # About 2.5 standard deviations of the smoothing make the size of a bump.
            bumps = gaussian_filter(rng.standard_normal(shape), (inwards_mm / 2.5, across_mm / 2.5), truncate=3)
            relief += rng.uniform(0.01, 0.035) * across_mm * bumps / bumps.std()
        return cls(tilt=tilt, curvature_per_mm=float(rng.uniform(0.0, 1 / 90.0)), relief_mm=relief.astype(np.float32),
                   origin_mm=origin)

    def depth(self, u: np.ndarray, v: np.ndarray) -> np.ndarray:
        """Distance from the living surface in mm."""
        kind = np.result_type(u, v).type
        u, v = np.broadcast_arrays(u, v)
        places = [(c - kind(o)) / kind(RELIEF_STEP_MM) for c, o in zip((u, v), self.origin_mm, strict=True)]
        flat = u * kind(np.cos(self.tilt)) + v * kind(np.sin(self.tilt)) - v * v * kind(self.curvature_per_mm / 2)
        return flat - map_coordinates(self.relief_mm, places, order=1, mode="nearest", output=kind)

    def highest_mm(self, low_mm: float, high_mm: float) -> float:
        """The least ``u`` at which the surface lies between two sides."""
        u = np.arange(-28.0, 30.0, 0.5)[:, None]
        return float(u[(self.depth(u, np.linspace(low_mm, high_mm, 60)[None, :]) > 0).any(axis=1)][0, 0])


@dataclass(frozen=True, kw_only=True, eq=False)
class Track:
    """A gently bent line across the slab; ``along`` is 0 at the surface."""

    u: np.ndarray
    v: np.ndarray
    along: np.ndarray
    depth: np.ndarray

    @classmethod
    def draw(cls, years: Years, layers: Layers, rng: np.random.Generator) -> Track:
        """Bend a track once and then once more, by up to 2 and 1 mm."""
        u = np.arange(-20.0, 1.2 * years.end_mm + 20.0, 0.02)
        t = u / years.end_mm
        once, twice = rng.uniform(-1, 1), rng.uniform(-0.5, 0.5)
        v = min(2.0, 0.015 * years.end_mm) * (once * 4 * t * (1 - t) + twice * np.sin(2 * np.pi * t))
        along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(u), np.diff(v)))])
        depth = layers.depth(u, v)
        along -= np.interp(0.0, depth, along)
        use = (along >= -OUTSIDE_MM) & (depth <= years.end_mm)
        return cls(u=u[use], v=v[use], along=along[use], depth=depth[use])

    def edges_mm(self, years: Years) -> np.ndarray:
        """Depths below the surface, square to the bands, of the marks that the track crosses."""
        return years.edges_mm[(years.edges_mm > 0) & (years.edges_mm < self.depth[-1])]

    def strip(self) -> tuple[np.ndarray, np.ndarray]:
        """Places on the track's whole width, along it in rows and across in columns."""
        along = np.arange(0.0, self.along[-1], STRIP_STEP_MM[0])[:, None]
        across = np.arange(-TRACK_WIDTH_MM / 2, TRACK_WIDTH_MM / 2 + 0.01, STRIP_STEP_MM[1])[None, :]
        u, v, du, dv = (np.interp(along, self.along, c) for c in (
            self.u, self.v, np.gradient(self.u, self.along), np.gradient(self.v, self.along)))
        return u - across * dv, v + across * du

    def extension_mm(self, marks_mm: np.ndarray, layers: Layers) -> np.ndarray:
        """Growth of every whole year, square to the bands all the way along the track."""
        tiny = 1e-3
        slope_u, slope_v = ((layers.depth(self.u + tiny * (k == 0), self.v + tiny * (k == 1)) - self.depth) / tiny
                            for k in range(2))
        du, dv = np.gradient(self.u, self.along), np.gradient(self.v, self.along)
        square = (slope_u * du + slope_v * dv) / np.hypot(slope_u, slope_v)
        grown = np.concatenate([[0.0], np.cumsum(0.5 * (square[1:] + square[:-1]) * np.diff(self.along))])
        return np.diff(np.interp(marks_mm, self.along, grown))


@dataclass(frozen=True, kw_only=True, eq=False)
class Skeleton:
    """What is laid down: bands and texture, before anything bores it; texture in rows of equal depth."""

    years: Years
    layers: Layers
    track: Track
    sides_mm: tuple[float, float]
    foot_mm: float
    texture: np.ndarray
    mean_g_cm3: float

    @classmethod
    def draw(cls, g: Grade, rng: np.random.Generator) -> Skeleton:
        """Draw geometry, years and texture; on the track the texture has the grade's percentage."""
        # A tenth more than the grade says: up to 22 degrees.
        tilt = float(np.radians(rng.choice([-1, 1]) * 1.1 * rng.uniform(*g.tilt_deg)))
        years = Years.draw(g, tilt, rng)
        width = float(rng.uniform(40.0, 70.0))
        layers = Layers.draw(tilt, years.end_mm, width, rng)
        track = Track.draw(years, layers, rng)
        low = -width * rng.uniform(0.4, 0.6)
        sides, foot = (float(low), float(low + width)), float(track.u[-1] + rng.uniform(3.0, 6.0))
        deepest = foot * np.cos(tilt) + max(abs(s) for s in sides) * abs(np.sin(tilt)) + 6.0
        texture = draw_texture(deepest + ROOM_MM, (sides[0] - ROOM_MM, sides[1] + ROOM_MM), lean=float(np.sin(tilt)),
                               fan_per_mm=layers.curvature_per_mm, rng=rng)
        skeleton = cls(years=years, layers=layers, track=track, sides_mm=sides, foot_mm=foot, texture=texture,
                       mean_g_cm3=float(rng.uniform(1.05, 1.45)))
        u, v = track.strip()
        scale = nominal_scale(skeleton.raw(layers.depth(u, v), v), g.texture_frac)
        return replace(skeleton, texture=texture * np.float32(scale))

    def raw(self, depth: np.ndarray, v: np.ndarray) -> np.ndarray:
        """Texture at places, before it is softened."""
        kind = np.result_type(depth).type
        places = [(depth + kind(ROOM_MM)) * kind(1 / ROW_MM), (v - kind(self.sides_mm[0] - ROOM_MM)) * kind(1 / CELL_MM)]
        return map_coordinates(self.texture, np.broadcast_arrays(*places), order=1, mode="nearest", output=kind)

    def density(self, depth: np.ndarray, v: np.ndarray, gain: float) -> np.ndarray:
        """Density in g/cm3 at places, with a multiple of the nominal texture."""
        texture = soften(self.raw(depth, v) * np.float32(gain), MOST_TEXTURE_FRAC)
        return self.years.at(depth) * np.float32(self.mean_g_cm3) * (1 + texture)


@dataclass(frozen=True, kw_only=True, eq=False)
class Panel:
    """The flat panel, on which the slab lies askew."""

    mm_per_px: float
    turn: float
    centre_uv_mm: tuple[float, float]
    size_mm: tuple[float, float]

    @classmethod
    def draw(cls, skeleton: Skeleton, rng: np.random.Generator) -> Panel:
        """Turn the slab by up to 8 degrees, less if it is long, with its surface up or down."""
        (low, high), top = skeleton.sides_mm, skeleton.layers.highest_mm(*skeleton.sides_mm) - 1.5
        length, width = skeleton.foot_mm + 1.0 - top, high - low
        turn = rng.uniform(-1, 1) * min(np.radians(8.0), np.arcsin(18.0 / length))
        size = (length * abs(np.sin(turn)) + width * np.cos(turn) + 2 * MARGIN_MM,
                max(length * np.cos(turn) + width * abs(np.sin(turn)), 45.0) + 2 * BAR_STRIP_MM)
        return cls(mm_per_px=float(rng.uniform(0.085, 0.1)), turn=float(turn + np.pi * rng.integers(2)), size_mm=size,
                   centre_uv_mm=(0.5 * (top + skeleton.foot_mm + 1.0), 0.5 * (low + high)))

    @property
    def shape(self) -> tuple[int, int]:
        return int(self.size_mm[1] / self.mm_per_px), int(self.size_mm[0] / self.mm_per_px)

    def places(self) -> tuple[np.ndarray, np.ndarray]:
        """Inward and across positions of all pixels, float32."""
        y, x = ((np.arange(n, dtype=np.float32) - np.float32((n - 1) / 2)) * np.float32(self.mm_per_px) for n in self.shape)
        c, s = np.float32(np.cos(self.turn)), np.float32(np.sin(self.turn))
        u0, v0 = (np.float32(c) for c in self.centre_uv_mm)
        return (y * c + u0)[:, None] + (x * s)[None, :], (x * c + v0)[None, :] - (y * s)[:, None]

    def to_px(self, u: float, v: float) -> tuple[float, float]:
        """Pixel position of a place on the slab."""
        du, dv = u - self.centre_uv_mm[0], v - self.centre_uv_mm[1]
        c, s = np.cos(self.turn), np.sin(self.turn)
        x, y = ((d / self.mm_per_px + (n - 1) / 2) for d, n in zip((du * s + dv * c, du * c - dv * s), self.shape[::-1], strict=True))
        return float(x), float(y)


def make_radiograph(grade: str, seed: int, *, texture_gain: float | None = None) -> Slab:
    """Make the radiograph of one slab; the same seed gives the same slab, with more or less texture if asked."""
    g = GRADES[grade]
    rng = np.random.default_rng([4, sorted(GRADES).index(grade), seed])
    skeleton = Skeleton.draw(g, rng)
    panel = Panel.draw(skeleton, rng)
    gain = TEXTURE_GAIN[grade] if texture_gain is None else texture_gain
    thickness = float(rng.uniform(5.0, 8.0))
    u, v = panel.places()
    depth = skeleton.layers.depth(u, v)
    areal = skeleton.density(depth, v, gain) * np.float32(thickness / 10)
    areal[~on_slab(skeleton, depth, u, v, rng)] = 0
    bore(areal, panel, skeleton, n=g.borings, rng=rng)
    standards, bar = add_discs(areal, panel), add_bar(areal, panel, rng)
    track = skeleton.track
    points = np.interp(np.linspace(0, 1, 6), np.linspace(0, 1, len(track.u)), np.arange(len(track.u))).astype(int)
    at = int(np.searchsorted(track.along, 0.0))
    days = round(365.25 * skeleton.years.outer_part_yr)
    return Slab(image=expose(areal, panel.mm_per_px, rng), mm_per_px=panel.mm_per_px, dense="dark", bar_px=bar,
                bar_length_mm=BAR_MM, standards=standards, slab_thickness_mm=thickness, mark_date="07-05",
                points_px=tuple(panel.to_px(track.u[k], track.v[k]) for k in points),
                surface_px=panel.to_px(track.u[at], track.v[at]), track_length_mm=float(track.along[-1]),
                collected=dt.date(2023, 7, 5) + dt.timedelta(days=days), **truth_of(skeleton, gain))


def truth_of(skeleton: Skeleton, gain: float) -> dict[str, np.ndarray]:
    """Marks along the track; extension and density of the whole years between them."""
    track, layers = skeleton.track, skeleton.layers
    edges = track.edges_mm(skeleton.years)
    marks = np.interp(edges, track.depth, track.along)
    u, v = track.strip()
    depth = layers.depth(u, v)
    year = np.searchsorted(edges, depth.ravel())
    count = np.bincount(year, minlength=len(edges) + 1)
    with_texture, bands = (np.bincount(year, skeleton.density(depth, v, times).ravel(), minlength=len(edges) + 1) / count
                           for times in (gain, 0.0))
    return {"mark_depth_mm": marks, "year_extension_mm": track.extension_mm(marks, layers),
            "year_density_g_cm3": with_texture[1:-1], "band_density_g_cm3": bands[1:-1]}


def on_slab(skeleton: Skeleton, depth: np.ndarray, u: np.ndarray, v: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Where there is slab: below the surface, between straight cuts, above a foot that was chiselled off."""
    low, high = skeleton.sides_mm
    chipped = gaussian_filter1d(rng.standard_normal(200), 2.0)
    foot = skeleton.foot_mm - 1.0 + np.float32(0.5 / chipped.std()) * chipped.astype(np.float32)
    cell = np.clip((v - np.float32(low)) * np.float32(199 / (high - low)), 0, 199).astype(np.int16)
    return (depth > 0) & (v > low) & (v < high) & (u < foot[cell])


def bore(areal: np.ndarray, panel: Panel, skeleton: Skeleton, *, n: int, rng: np.random.Generator) -> None:
    """Let bivalves and, every other time, sponges remove a part of the thickness."""
    reach = int(12.0 / panel.mm_per_px)
    for k in range(n):
        x, y = panel.to_px(rng.uniform(4.0, skeleton.foot_mm), rng.uniform(*skeleton.sides_mm))
        window = tuple(slice(max(int(c) - reach, 0), int(c) + reach) for c in (y, x))
        dy, dx = ((np.arange(n_px)[w] - c) * panel.mm_per_px for n_px, w, c in zip(panel.shape, window, (y, x), strict=True))
        hole = (sponge if k % 2 else bivalve)(dx[None, :], dy[:, None], rng)
        areal[window][hole] *= np.float32(1 - rng.uniform(0.4, 1.0))


def add_discs(areal: np.ndarray, panel: Panel) -> tuple[Standard, ...]:
    """Discs of aragonite by turns on the left and on the right of the slab; the boxes lie within them."""
    px, (width, height) = panel.mm_per_px, panel.size_mm
    radius, half = DISC_RADIUS_MM / px, int(0.58 * DISC_RADIUS_MM / px)
    standards = []
    for k, thickness in enumerate(DISCS_MM):
        x = round((8.0 if k % 2 == 0 else width - 8.0) / px)
        y = round((9.0 + (height - 36.0) * k / (len(DISCS_MM) - 1)) / px)
        reach = int(radius) + 1
        off = np.arange(-reach, reach + 1)
        disc = off[:, None] ** 2 + off[None, :] ** 2 <= radius**2
        areal[y - reach : y + reach + 1, x - reach : x + reach + 1][disc] = ARAGONITE_G_CM3 * thickness / 10
        standards.append(Standard(box_px=(x - half, y - half, x + half, y + half), thickness_mm=thickness))
    return tuple(standards)


def add_bar(areal: np.ndarray, panel: Panel, rng: np.random.Generator) -> tuple[tuple[float, float], tuple[float, float]]:
    """A slanting lead bar below the slab; gives its ends."""
    px, (n_y, n_x) = panel.mm_per_px, panel.shape
    turn, x0, y0 = np.radians(rng.uniform(-6, 6)), n_x / 2, n_y - 7.0 / px
    rows = slice(int(y0 - 4.0 / px), int(y0 + 4.0 / px))
    x, y = (np.arange(n_x) - x0)[None, :] * px, (np.arange(rows.start, rows.stop) - y0)[:, None] * px
    lead = (np.abs(x * np.cos(turn) + y * np.sin(turn)) <= BAR_MM / 2) & (np.abs(y * np.cos(turn) - x * np.sin(turn)) <= 0.8)
    areal[rows][lead] = 15.0
    dx, dy = BAR_MM / 2 / px * np.cos(turn), BAR_MM / 2 / px * np.sin(turn)
    return (float(x0 - dx), float(y0 - dy)), (float(x0 + dx), float(y0 + dy))


def expose(areal: np.ndarray, mm_per_px: float, rng: np.random.Generator) -> np.ndarray:
    """A hardening beam on a panel whose columns differ a little; counts grow with the dose."""
    n_y, n_x = areal.shape
    # Harder the more it has passed: the attenuation falls behind a straight line.
    dose = np.exp(np.float32(-MASS_ATTENUATION_CM2_G) * areal / (1 + np.float32(HARDENING_CM2_G) * areal))
    # Most light stays near, some spreads in the scintillator.
    wide = gaussian_filter(dose[::4, ::4], 0.6 / mm_per_px / 4, truncate=3.0)
    wide = zoom(wide, (n_y / wide.shape[0], n_x / wide.shape[1]), order=1, grid_mode=True, mode="nearest")
    dose = np.float32(0.92) * gaussian_filter(dose, 0.09 / mm_per_px, truncate=3.0) + np.float32(0.08) * wide
    y, x = ((np.arange(n, dtype=np.float32) * mm_per_px - rng.uniform(0.35, 0.65) * n * mm_per_px) / 200.0 for n in (n_y, n_x))
    slope = rng.uniform(-0.06, 0.06, 2)
    field_y, field_x = ((1 + s * c - rng.uniform(0.02, 0.06) * c**2 - 0.03 * c**4) for s, c in zip(slope, (y, x), strict=True))
    columns = 1 + 0.002 * rng.standard_normal(n_x)
    dose *= field_y.astype(np.float32)[:, None] * (field_x * columns).astype(np.float32)[None, :]
    dose += rng.standard_normal(dose.shape, dtype=np.float32) * np.sqrt(np.maximum(dose, 0) / np.float32(PHOTONS))
    counts = rng.uniform(80, 250) + rng.uniform(0.75, 0.88) * FULL_SCALE * dose
    return np.clip(np.rint(counts), 0, FULL_SCALE).astype(np.uint16)
