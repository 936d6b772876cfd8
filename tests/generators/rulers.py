"""Photographs of rulers with a known answer; shares no code with what reads them.

A pixel is taken back to the plane of the ruler (lens, turn, perspective), and what lies there is looked up: ink,
ruler, or the ground beneath. Nine looks a pixel make its area; then come uneven light, glare, blur and noise.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy import ndimage

FINE = 3

@dataclass(frozen=True, kw_only=True)
class Design:
    """How a ruler is made: lengths in mm, greys from 0 to 1.

    ``levels`` gives the length of the ticks that fall on every n-th one, such as {1: 3, 5: 4.2, 10: 5.5}.
    """

    tick_mm: float = 1.0
    levels: dict[int, float] = field(default_factory=lambda: {1: 3.0, 5: 4.2, 10: 5.5})
    tick_width_mm: float = 0.2
    edge_gap_mm: float = 0.0
    width_mm: float = 18.0
    length_mm: float = 150.0
    ruler_grey: float = 0.85
    ink_grey: float = 0.08
    opacity: float = 1.0
    numerals: bool = True


MM = Design()
STEEL = Design(ruler_grey=0.6, ink_grey=0.15, tick_width_mm=0.15, width_mm=15.0)
WHITE_ON_BLACK = Design(ruler_grey=0.06, ink_grey=0.9, tick_width_mm=0.25, edge_gap_mm=0.8)
PLASTIC = Design(ruler_grey=0.6, ink_grey=0.05, opacity=0.35, levels={1: 2.5, 5: 3.8, 10: 5.0})
FIVES_LIKE_TENS_ABSENT = Design(levels={1: 3.0, 10: 5.0})
HALF_MM = Design(tick_mm=0.5, levels={1: 2.0, 2: 3.0, 10: 4.2, 20: 5.5}, tick_width_mm=0.12)
HALF_CM = Design(tick_mm=5.0, levels={1: 3.0, 2: 5.0}, tick_width_mm=0.4)
SIXTEENTHS = Design(tick_mm=25.4 / 16, levels={1: 2.5, 2: 3.5, 4: 4.6, 8: 6.0, 16: 8.0})
TWO_MM = Design(tick_mm=2.0, levels={1: 3.0, 5: 5.0}, tick_width_mm=0.3)
PLAIN = Design(levels={1: 4.0}, tick_width_mm=0.4)


@dataclass(frozen=True, kw_only=True)
class Shot:
    """How it is photographed. ``along`` and ``across`` are the change of scale per picture width."""

    px_per_mm: float = 8.0
    size_px: tuple[int, int] = (1000, 700)
    angle_deg: float = 0.0
    middle_px: tuple[float, float] = (500.0, 120.0)
    first_mm: float = -62.3
    along: float = 0.0
    across: float = 0.0
    lens: float = 0.0
    ground: str = "coral"
    blur_px: float = 0.8
    noise: float = 0.015
    glare: float = 0.0
    hidden_frac: float = 0.0
    worn_frac: float = 0.0
    shade: float = 0.2
    seed: int = 1


def ruler_mm(shot: Shot, x_px, y_px):
    """Where on the ruler's plane a pixel lies: along its edge from its middle, and down from the edge."""
    width, height = shot.size_px
    cx, cy = (width - 1) / 2, (height - 1) / 2
    x, y = (np.asarray(x_px, float) - cx) / (width / 2), (np.asarray(y_px, float) - cy) / (width / 2)
    swell = 1 + shot.lens * (x * x + y * y)
    x, y = x * swell * width / 2 + cx - shot.middle_px[0], y * swell * width / 2 + cy - shot.middle_px[1]
    a = np.radians(shot.angle_deg)
    u, v = x * np.cos(a) + y * np.sin(a), y * np.cos(a) - x * np.sin(a)
    depth = 1 + shot.along * u / width + shot.across * v / width
    return u / shot.px_per_mm / depth, v / shot.px_per_mm / depth


def photograph(design: Design, shot: Shot, *, second: tuple[Design, Shot] | None = None) -> np.ndarray:
    """Return the photograph as 8-bit greys, shape (height, width)."""
    rng = np.random.default_rng(shot.seed)
    picture = ground(shot.ground, shot.size_px, rng)
    for one, how in [(design, shot), *([second] if second else [])]:
        picture = _lay(picture, one, how, np.random.default_rng(how.seed + 1))
    return develop(picture, shot, rng)


def ground(kind: str, size_px: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """What the ruler lies on, and pictures without one."""
    width, height = size_px
    shape = height, width
    if kind == "black":
        return np.full(shape, 0.05)
    if kind == "white":
        return np.full(shape, 0.92)
    if kind == "coral":  # ridges of nearly one width that wander, as in brain corals, on a black cloth
        ridges = _band_noise(shape, rng.uniform(6, 25), 0.35, rng)
        x, y = np.meshgrid(np.arange(width) / width - 0.5, np.arange(height) / height - 0.55)
        slab = np.hypot(x, y * height / width) < 0.38 * (1 + 0.05 * _smooth(shape, 60, rng))
        return np.where(slab, np.clip(0.55 + 0.2 * ridges, 0, 1), 0.05)
    if kind == "weave":
        x, y = np.meshgrid(np.arange(width), np.arange(height))
        period = rng.uniform(5, 12)
        return 0.3 + 0.12 * np.sin(2 * np.pi * x / period) * np.sin(2 * np.pi * y / period) \
            + 0.05 * _smooth(shape, 2, rng)
    if kind == "bands":  # density bands
        x, y = np.meshgrid(np.arange(width), np.arange(height))
        years = np.cumsum(1 / rng.normal(18, 2, height).clip(8))
        return 0.5 + 0.2 * np.sin(2 * np.pi * years)[:, None] + 0.06 * _smooth(shape, 3, rng)
    if kind == "grain":
        return np.clip(0.5 + 0.15 * _band_noise(shape, rng.uniform(4, 20), 0.6, rng), 0, 1)
    msg = f"kind: no ground {kind!r}"
    raise ValueError(msg)


def develop(picture: np.ndarray, shot: Shot, rng: np.random.Generator) -> np.ndarray:
    """Uneven light, blur, noise, whole numbers."""
    height, width = picture.shape
    x, y = np.meshgrid(np.linspace(-1, 1, width), np.linspace(-1, 1, height))
    lit = picture * (1 - shot.shade * (0.5 + 0.5 * x * np.cos(shot.seed) + 0.5 * y * np.sin(shot.seed)))
    seen = ndimage.gaussian_filter(lit, shot.blur_px) + rng.normal(0, shot.noise, picture.shape)
    return np.round(255 * np.clip(seen, 0, 1)).astype(np.uint8)


def _lay(picture, design: Design, shot: Shot, rng) -> np.ndarray:
    """Lay a ruler into a picture."""
    height, width = picture.shape
    total = np.zeros_like(picture)
    worn = rng.random(4000) < shot.worn_frac
    offsets = (np.arange(FINE) + 0.5) / FINE - 0.5
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    glare_at, hidden_at = rng.uniform(-0.3, 0.3, 2) * design.length_mm * 0.6
    for dx in offsets:
        for dy in offsets:
            u, v = ruler_mm(shot, x + dx, y + dy)
            s = u - shot.first_mm
            on = (v >= 0) & (v <= design.width_mm) & (s >= -2.0) & (s <= design.length_mm + 2.0)
            ink = on & _ink(design, s, v, worn)
            grey = np.where(ink, design.ink_grey, design.opacity * design.ruler_grey + (1 - design.opacity) * picture)
            if shot.glare:
                grey = grey + shot.glare * np.exp(-0.5 * ((u - glare_at) / 8) ** 2 - 0.5 * ((v - 2) / 6) ** 2)
            hidden = np.abs(u - hidden_at) < shot.hidden_frac * design.length_mm / 2
            total += np.where(on & ~hidden, grey, picture)
    return total / FINE**2


def _ink(design: Design, s, v, worn) -> np.ndarray:
    """Whether ink is printed at a place of the ruler."""
    nearest = np.round(s / design.tick_mm).astype(int)
    real = (nearest >= 0) & (nearest * design.tick_mm <= design.length_mm)
    length = np.zeros(s.shape)
    for every, mm in sorted(design.levels.items()):
        length = np.where(nearest % every == 0, mm, length)
    drawn = np.abs(s - nearest * design.tick_mm) <= design.tick_width_mm / 2
    ink = real & drawn & (v >= design.edge_gap_mm) & (v <= design.edge_gap_mm + length)
    ink &= ~worn[np.abs(nearest) % worn.size]
    if not design.numerals:
        return ink
    every = 10 * design.tick_mm if 10 in design.levels or 20 in design.levels else max(design.levels) * design.tick_mm
    top = design.edge_gap_mm + max(design.levels.values()) + 0.8
    number = np.round(s / every).astype(int)
    ds, dv = s - number * every, v - top
    # a numeral: a ring or an upright stroke beside the long tick, different for each number
    ring = np.abs(np.hypot(ds / 0.9, (dv - 1.4) / 1.4) - 0.8) < 0.22
    stroke = (np.abs(ds - 0.1 * (number % 3)) < 0.25) & (dv > 0) & (dv < 2.8)
    return ink | (real & np.where(number % 2 == 0, ring, stroke))


def _smooth(shape, sigma, rng) -> np.ndarray:
    """Smooth noise of unit scatter."""
    noise = ndimage.gaussian_filter(rng.normal(size=shape), sigma)
    return noise / noise.std()


def _band_noise(shape, period_px, spread, rng) -> np.ndarray:
    """Noise of nearly one wavelength in all directions, of unit scatter."""
    fy, fx = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :]
    radius = np.hypot(fx, fy) * period_px
    ring = np.exp(-0.5 * ((radius - 1) / (spread * 0.5)) ** 2)
    noise = np.fft.irfft2(np.fft.rfft2(rng.normal(size=shape)) * ring, shape)
    return noise / noise.std()


__all__ = ["Design", "Shot", "develop", "ground", "photograph", "replace", "ruler_mm"]
