"""Skeleton of the fourth forward model: corallite tubes grown one by one, slow patches, and what bores them.

Rows of texture run down through the growth layers and cells across the slab; no length is tied to the year.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d, zoom

from generators import TRACK_WIDTH_MM, soften

ROW_MM, CELL_MM = 0.12, 0.15
SHEETS = 3
WALL_MM = 0.2
# Polyps next to each other share much of their fortune; of unit variance.
NEIGHBOURS = np.array([1, 2, 1]) / np.sqrt(6)
PATCH_STEP_MM = 0.6
MOST_TEXTURE_FRAC = 0.5


@dataclass(frozen=True, kw_only=True)
class Polyps:
    """Habits of the corallites of a slab; lengths in mm, none of them tied to the year."""

    calice_mm: float
    fortune_mm: float
    dissepiment_mm: float
    wall: float
    lean: float
    fan_per_mm: float


def grow_tubes(polyps: Polyps, n_rows: int, sides_mm: tuple[float, float], rng: np.random.Generator) -> np.ndarray:
    """One sheet of corallites, grown row by row from the base: relative density, surface first.

    Each tube keeps its place, the slant of its own, its fortune, and how far it has come to the next dissepiment.
    """
    cells = np.arange(*sides_mm, CELL_MM)
    size = polyps.calice_mm
    place = np.arange(sides_mm[0] - size, sides_mm[1] + size, size) + rng.uniform(-0.2, 0.2) * size
    slant, fortune = 0.05 * rng.standard_normal(len(place)), rng.standard_normal(len(place))
    beat, rhythm = rng.random(len(place)), rng.uniform(0.75, 1.25, len(place)) / polyps.dissepiment_mm
    keep = np.exp(-ROW_MM / polyps.fortune_mm)
    sway = gaussian_filter1d(rng.standard_normal(n_rows), 60.0, mode="wrap")
    sway *= 0.08 / sway.std()
    sheet = np.empty((n_rows, len(cells)), dtype=np.float32)
    for row in range(n_rows - 1, -1, -1):
        slant += 0.01 * rng.standard_normal(len(place)) - 0.02 * slant
        place += ROW_MM * (slant + sway[row] - polyps.lean + polyps.fan_per_mm * place)
        fortune = keep * fortune + np.sqrt(1 - keep**2) * np.convolve(rng.standard_normal(len(place)), NEIGHBOURS, "same")
        beat += ROW_MM * rhythm
        if row % 4 == 0:
            tubes = crowd_and_bud(np.array([place, slant, fortune, beat, rhythm]), size, sides_mm)
            place, slant, fortune, beat, rhythm = tubes
        walls = np.concatenate([place[:1] - size, 0.5 * (place[1:] + place[:-1]), place[-1:] + size])
        tube = np.searchsorted(walls[1:-1], cells)
        floor = 0.5 * (np.cos(2 * np.pi * beat) + 1) ** 2 - 0.75
        away = np.minimum(cells - walls[tube], walls[tube + 1] - cells)
        sheet[row] = (fortune + 0.4 * floor)[tube] + polyps.wall * np.exp(-away / WALL_MM)
    return sheet


def crowd_and_bud(tubes: np.ndarray, size_mm: float, sides_mm: tuple[float, float]) -> np.ndarray:
    """Drop tubes that are crowded out or have left the slab, and bud new ones where there is room."""
    place = tubes[0]
    room = np.append(np.diff(place), size_mm)
    stays = (room > 0.55 * size_mm) & (place > sides_mm[0] - 2 * size_mm) & (place < sides_mm[1] + 2 * size_mm)
    tubes = tubes[:, stays]
    ends = [[sides_mm[0] - 2 * size_mm], [sides_mm[1] + 2 * size_mm]]
    gaps = np.diff(np.concatenate([ends[0], tubes[0], ends[1]]))
    wide = np.flatnonzero(gaps > 1.5 * size_mm)
    # A bud takes after its elder neighbour, but has a rhythm and a fortune of its own.
    buds = tubes[:, np.maximum(wide - 1, 0)]
    buds[0] = np.concatenate([ends[0], tubes[0]])[wide] + 0.5 * gaps[wide]
    buds[2], buds[3] = -buds[2], buds[3] + 0.5
    return np.insert(tubes, wide, buds, axis=1)


def slow_patches(shape: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """Noise with a power law between wavelengths of 2.5 and 30 mm, stronger in some parts of the slab than in others."""
    rows, cells = (int(n * step / PATCH_STEP_MM) + 2 for n, step in zip(shape, (ROW_MM, CELL_MM), strict=True))
    along, across = np.fft.fftfreq(2 * rows, PATCH_STEP_MM)[:, None], np.fft.rfftfreq(2 * cells, PATCH_STEP_MM)[None, :]
    wave = np.hypot(along, across * rng.uniform(0.7, 1.5)) + 1e-9
    strength = wave ** -rng.uniform(0.8, 1.6) * (wave > 1 / 30) / (1 + (2.5 * wave) ** 4)
    noise = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((2 * rows, 2 * cells))) * strength)[:rows, :cells]
    swell = gaussian_filter(rng.standard_normal((rows, cells)), 12.0 / PATCH_STEP_MM, mode="wrap")
    noise *= np.exp(0.3 * swell / swell.std())
    fine = zoom(noise.astype(np.float32), (ROW_MM ** -1 * PATCH_STEP_MM, CELL_MM ** -1 * PATCH_STEP_MM), order=1)
    return fine[: shape[0], : shape[1]]


def draw_texture(height_mm: float, sides_mm: tuple[float, float], *, lean: float, fan_per_mm: float, rng: np.random.Generator
                 ) -> np.ndarray:
    """Sheets of tubes through the thickness and slow patches, in shares drawn for the slab; surface first.

    ``lean`` is how far tubes move aside on their way in, ``fan_per_mm`` how quickly they spread on their way out.
    """
    polyps = Polyps(calice_mm=float(rng.uniform(1.0, 1.6)), fortune_mm=float(np.exp(rng.uniform(np.log(0.5), np.log(2.5)))),
                    dissepiment_mm=float(rng.uniform(0.3, 0.8)), wall=float(rng.uniform(0.8, 1.8)),
                    lean=lean, fan_per_mm=fan_per_mm)
    tubes = sum(grow_tubes(polyps, int(height_mm / ROW_MM), sides_mm, rng) for _ in range(SHEETS))
    patches, share = slow_patches(tubes.shape, rng), rng.uniform(0.4, 0.75)
    n = round(TRACK_WIDTH_MM / CELL_MM)
    tubes -= tubes.mean()
    # Each counts as much as is left of it on a track's width.
    of_tubes, of_patches = (np.diff(np.cumsum(f, axis=1)[:, ::n], axis=1).std() / n for f in (tubes, patches))
    return tubes * np.float32(np.sqrt(share) / of_tubes) + patches * np.float32(np.sqrt(1 - share) / of_patches)


def nominal_scale(raw: np.ndarray, texture_frac: float) -> float:
    """Factor that gives the mean profile of the track's strip the wanted scatter, softened as it will be."""
    scale = texture_frac / raw.mean(axis=1).std()
    for _ in range(6):
        scale *= texture_frac / soften(raw * np.float32(scale), MOST_TEXTURE_FRAC).mean(axis=1).std()
    return float(scale)


def bivalve(dx: np.ndarray, dy: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A club-shaped hole, 8 to 20 mm long, blunt at its wide end."""
    turn, length, width = rng.uniform(0, 2 * np.pi), rng.uniform(8.0, 20.0), rng.uniform(2.0, 4.5)
    part = np.clip((dx * np.cos(turn) + dy * np.sin(turn)) / length + 0.5, 0, 1)
    half_width = 0.5 * width * (0.3 * (part > 0) + 0.7 * part) * np.sqrt(1 - part**6)
    return np.abs(dy * np.cos(turn) - dx * np.sin(turn)) < half_width


def sponge(dx: np.ndarray, dy: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A cluster of small round chambers."""
    hole = np.zeros(np.broadcast_shapes(dx.shape, dy.shape), dtype=bool)
    for _ in range(rng.integers(6, 15)):
        at_x, at_y = rng.normal(0.0, 2.5, 2)
        hole |= (dx - at_x) ** 2 + (dy - at_y) ** 2 < rng.uniform(0.4, 1.1) ** 2
    return hole
