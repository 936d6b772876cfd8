"""Small pictures with a scale bar whose ends are known: drawn as areas, so that an end may lie inside a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage


@dataclass(frozen=True, kw_only=True)
class DrawnBar:
    """A bar to draw: middle, size, angle against x in degrees, grey."""

    x: float
    y: float
    length: float
    width: float
    angle_deg: float = 0.0
    grey: float = 0.95
    ticks: bool = False

    @property
    def ends(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """True ends."""
        a = np.radians(self.angle_deg)
        hx, hy = np.cos(a) * self.length / 2, np.sin(a) * self.length / 2
        return (self.x - hx, self.y - hy), (self.x + hx, self.y + hy)


@dataclass(frozen=True, eq=False)
class Seen:
    """Block means of a picture."""

    values: np.ndarray
    step_px: int


class Picture:
    """A picture in memory that counts the pixels read from it."""

    def __init__(self, values, *, resolution_mm_px=None):
        self.values = values
        self.height_px, self.width_px = values.shape[:2]
        self.resolution_mm_px = resolution_mm_px
        self.pixels_read = 0

    @property
    def size_px(self):
        return self.width_px, self.height_px

    def read(self, x0, y0, x1, y1):
        assert 0 <= x0 < x1 <= self.width_px
        assert 0 <= y0 < y1 <= self.height_px
        self.pixels_read += (x1 - x0) * (y1 - y0)
        return self.values[y0:y1, x0:x1]

    def overview(self, max_side_px=1600):
        step = -(-max(self.size_px) // max_side_px)
        h, w = self.height_px // step * step, self.width_px // step * step
        blocks = self.values[:h, :w].reshape(h // step, step, w // step, step, *self.values.shape[2:])
        return Seen(blocks.mean(axis=(1, 3), dtype=np.float32), step)


def draw_rectangle(image, x, y, length, width, angle_deg, grey, *, fine=8):
    """Mix a turned rectangle into an image by the share of each pixel that it covers."""
    a = np.radians(angle_deg)
    c, s = abs(np.cos(a)), abs(np.sin(a))
    half_x, half_y = (c * length + s * width) / 2, (s * length + c * width) / 2
    x0, x1 = max(int(x - half_x) - 2, 0), min(int(x + half_x) + 3, image.shape[1])
    y0, y1 = max(int(y - half_y) - 2, 0), min(int(y + half_y) + 3, image.shape[0])
    sub = (np.arange(fine) + 0.5) / fine - 0.5
    xs = (np.arange(x0, x1)[:, None] + sub).ravel() - x
    ys = (np.arange(y0, y1)[:, None] + sub).ravel() - y
    u = xs[None, :] * np.cos(a) + ys[:, None] * np.sin(a)
    v = ys[:, None] * np.cos(a) - xs[None, :] * np.sin(a)
    inside = (np.abs(u) <= length / 2) & (np.abs(v) <= width / 2)
    share = inside.reshape(y1 - y0, fine, x1 - x0, fine).mean(axis=(1, 3))
    image[y0:y1, x0:x1] += share * (grey - image[y0:y1, x0:x1])


def draw_bar(image, bar):
    """Draw a bar, with end strokes inside its length where wanted."""
    if not bar.ticks:
        draw_rectangle(image, bar.x, bar.y, bar.length, bar.width, bar.angle_deg, bar.grey)
        return
    # the shaft ends within the strokes, so that no pixel of an end is mixed twice
    stroke, a = 0.4 * bar.width, np.radians(bar.angle_deg)
    draw_rectangle(image, bar.x, bar.y, bar.length - stroke, bar.width, bar.angle_deg, bar.grey)
    for end, sign in zip(bar.ends, (1, -1), strict=True):
        x, y = end[0] + sign * np.cos(a) * stroke / 2, end[1] + sign * np.sin(a) * stroke / 2
        draw_rectangle(image, x, y, stroke, 2.4 * bar.width, bar.angle_deg, bar.grey)


def draw_label(image, x, y, size, grey, rng):
    """Strokes like those of a short printed label."""
    for i in range(5):
        cx = x + i * 0.7 * size
        for _ in range(3):
            draw_rectangle(image, cx + rng.uniform(-0.2, 0.2) * size, y + rng.uniform(-0.3, 0.3) * size,
                           0.55 * size, 0.13 * size, rng.choice([0, 90, 45]), grey, fine=3)


def background(shape, kind, rng):
    """Uneven surround, 0 to 1: open beam, dark cassette, paper or cloth."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]] / max(shape)
    base, slope = {"open beam": (0.92, -0.15), "cassette": (0.08, 0.12),
                   "paper": (0.9, -0.15), "cloth": (0.05, 0.06)}[kind]
    tilt = rng.uniform(0, 2 * np.pi)
    image = base + slope * ((x - 0.5) * np.cos(tilt) + (y - 0.5) * np.sin(tilt) + (x - 0.5) ** 2)
    if kind == "cloth":
        image += 0.03 * np.sin(x * max(shape) / 2.3) * np.sin(y * max(shape) / 2.1)
    return image


def draw_slab(image, box, grey, rng, *, period=60.0, swing=0.2, texture=0.1, core=False):
    """A slab with wavy bands, corallite texture and an uneven outline (a core has straight sides)."""
    x0, y0, x1, y1 = (int(v) for v in box)
    h, w = y1 - y0, x1 - x0
    y, x = np.mgrid[0:h, 0:w]
    wave = 0.1 * period * np.sin(2 * np.pi * x / w * 1.5) + (x - w / 2) ** 2 / w * 0.3
    bands = 1 + swing / 2 * np.sin(2 * np.pi * (y - wave) / period)
    grain = ndimage.gaussian_filter(rng.standard_normal((h, w)), 3.0)
    values = grey * bands * (1 + texture * grain / grain.std())
    rough = 0.0 if core else 0.09
    top_noise, left_noise = (ndimage.gaussian_filter1d(rng.standard_normal(n), n / 20) for n in (w, h))
    top = h * (0.04 + 0.05 * ((x[0] - w / 2) / (w / 2)) ** 2 + rough * top_noise)
    left = w * (0.03 + rough * left_noise)
    inside = (y > top[None, :]) & (x > left[:, None]) & (x < (w - left)[:, None]) & (y < h * 0.98)
    part = image[y0:y1, x0:x1]
    part[inside] = np.clip(values, 0.02, 0.99)[inside]


def draw_steps(image, x, y, size, greys, *, gap=0):
    """A column of squares of monotone grey."""
    for i, grey in enumerate(greys):
        draw_rectangle(image, x, y + i * (size + gap), size, size, 0.0, grey, fine=2)


def expose(image, *, blur=1.0, noise=0.01, rng=None, full_scale=65535, dtype=np.uint16):
    """Blur, add noise, store as whole numbers."""
    rng = rng or np.random.default_rng(0)
    seen = ndimage.gaussian_filter(image, blur) if blur else image
    seen = seen + noise * rng.standard_normal(image.shape)
    return np.clip(np.rint(seen * full_scale), 0, full_scale).astype(dtype)


def random_scene(seed, *, with_bar=True, largest=3600):
    """A radiograph or photograph of a slab or core, standards, label, and (or not) a bar."""
    rng = np.random.default_rng(seed)
    w, h = int(rng.integers(900, largest)), int(rng.integers(900, largest))
    s = min(w, h)
    kind = rng.choice(["open beam", "cassette", "paper", "cloth"])
    image = background((h, w), kind, rng)
    dark_ground = kind in ("cassette", "cloth")
    bar_grey = rng.uniform(0.75, 0.98) if dark_ground else rng.uniform(0.02, 0.25)
    if kind == "cassette" and rng.random() < 0.3:
        bar_grey = rng.uniform(0.4, 0.7)
    slab_grey = rng.uniform(0.35, 0.75)
    core = rng.random() < 0.4
    slab_right = w * (0.35 if core else 0.55)
    draw_slab(image, (w * 0.1, h * 0.06, slab_right, h * 0.94), slab_grey, rng, period=rng.uniform(25, 90) * s / 1500,
              swing=rng.uniform(0.1, 0.35), texture=rng.uniform(0.03, 0.15), core=core)
    if rng.random() < 0.7:
        size = s * rng.uniform(0.03, 0.06)
        greys = np.linspace(image[5, -5], slab_grey if dark_ground else 0.2, 6)[1:]
        draw_steps(image, w * 0.93, h * 0.1, size, greys, gap=rng.choice([0, 0.3]) * size)
    bar = None
    if with_bar:
        length = s * rng.uniform(0.12, 0.3)
        width = max(length / rng.uniform(5, 40), 3.0)
        x, y = rng.uniform(0.64, 0.74) * w, rng.uniform(0.25, 0.75) * h
        upright = rng.random() < 0.5
        if not upright:
            x = 0.57 * w + length / 2 + 0.03 * w
            x = max(x, slab_right + length / 2 + 0.05 * w)
        bar = DrawnBar(x=x, y=y, length=length, width=width, angle_deg=rng.uniform(-10, 10) + (90 if upright else 0),
                       grey=bar_grey, ticks=rng.random() < 0.25)
        if rng.random() < 0.15:  # on a card of the other shade
            draw_rectangle(image, x, y, length + 8 * width, 9 * width, bar.angle_deg, 0.9 - 0.8 * (bar_grey > 0.5))
        draw_bar(image, bar)
    if rng.random() < 0.6:
        size = s * rng.uniform(0.015, 0.03)
        lx, ly = (bar.x + 3 * bar.width + size, bar.y) if bar and abs(bar.angle_deg) > 45 else (0.7 * w, 0.85 * h)
        if bar and abs(bar.angle_deg) <= 45:
            lx, ly = bar.x - size, bar.y + bar.width + 2 * size + 0.1 * bar.length
        draw_label(image, lx, ly, size, bar_grey, rng)
    eight = rng.random() < 0.4
    seen = expose(image, blur=rng.uniform(0.3, 1.5), noise=rng.uniform(0.002, 0.02), rng=rng,
                  full_scale=255 if eight else 65535, dtype=np.uint8 if eight else np.uint16)
    return seen, bar
