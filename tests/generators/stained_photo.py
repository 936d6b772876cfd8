"""Photographs of stained slabs for tests: straightened strips whose stain lines are known.

Light is mixed as in paint (Kubelka and Munk 1931): each colour channel has a ratio
K/S of absorption to scattering; skeleton, dye, algae, tissue and encrusters add to K,
and the reflectance of a thick layer is ``R = 1 + q - sqrt(q**2 + 2 q)``, ``q = K/S``.
The dye begins at once at the distal edge and seeps inwards by a mixture of
diffusion (erfc) and drainage (straight decline), with its own reach in every corallite.
Then come light, lens, sensor noise and the sRGB code.

Made apart from the package: no module of it is imported here.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.special import erfc

# K/S added by one unit of each substance in red, green, blue.
CLEAN = np.array([0.010, 0.014, 0.024])
DYE = {"pink": np.array([0.02, 1.0, 0.55]), "violet": np.array([0.25, 1.0, 0.35]), "rose": np.array([0.05, 1.0, 0.80])}
GREEN = np.array([1.0, 0.35, 0.9])
BROWN = np.array([0.25, 0.6, 1.2])
ENCRUSTER = np.array([0.15, 1.0, 0.6])


@dataclass(frozen=True)
class World:
    """One strip to render; lengths in mm."""

    seed: int
    lines_mm: tuple[float, ...] = (12.0,)
    strength: float = 0.10
    tail_mm: float = 1.5
    dye: str = "pink"
    length_mm: float = 45.0
    width_mm: float = 10.0
    step_mm: float = 0.05
    surface_rows_mm: float = 1.0
    slope: float = 0.0
    dome_per_mm: float = 0.0
    wave_mm: float = 0.0
    blur_mm: float = 0.06
    uneven: float = 0.3
    noise: float = 0.01
    texture: float = 0.25
    colour_texture: float = 0.02
    specks: int = 0
    encrusters: int = 0
    green_bands: int = 0
    brown_top: float = 0.0
    saw_marks: float = 0.0
    bits: int = 8
    surround: str = "black"
    share_stained: float = 1.0


@dataclass(frozen=True)
class Photo:
    """A rendered strip and the truth about it."""

    rgb: np.ndarray
    depth_mm: np.ndarray
    across_mm: np.ndarray
    full_scale: float
    line_mm: np.ndarray = field(repr=False)  # (n_lines, n_across)
    lines_mm: tuple[float, ...] = ()


def draw_world(seed: int, *, stained: int = 1, strength: tuple[float, float] = (0.02, 0.3), **fixed: object) -> World:
    """A random world; anything may be fixed by name."""
    rng = np.random.default_rng(seed)
    first = rng.uniform(4.0, 15.0)
    drawn: dict[str, object] = {
        "lines_mm": tuple(first + np.cumsum(np.r_[0.0, rng.uniform(6.0, 14.0, max(stained - 1, 0))]))[:stained],
        "strength": float(np.exp(rng.uniform(*np.log(strength)))),
        "tail_mm": float(np.exp(rng.uniform(np.log(0.5), np.log(4.0)))),
        "dye": str(rng.choice(list(DYE))),
        "length_mm": float(rng.uniform(35.0, 90.0)),
        "width_mm": float(rng.uniform(5.0, 18.0)),
        "slope": float(rng.uniform(-0.3, 0.3)),
        "dome_per_mm": float(rng.uniform(0.0, 0.02)),
        "wave_mm": float(rng.uniform(0.0, 0.25)),
        "blur_mm": float(rng.uniform(0.03, 0.15)),
        "uneven": float(rng.uniform(0.0, 0.6)),
        "noise": float(np.exp(rng.uniform(np.log(0.003), np.log(0.03)))),
        "texture": float(rng.uniform(0.1, 0.5)),
        "colour_texture": float(np.exp(rng.uniform(np.log(0.005), np.log(0.04)))),
        "specks": int(rng.integers(0, 12)),
        "encrusters": int(rng.integers(0, 3)),
        "green_bands": int(rng.integers(0, 3)),
        "brown_top": float(rng.choice([0.0, 0.1, 0.3])),
        "saw_marks": float(rng.uniform(0.0, 0.15)),
        "bits": int(rng.choice([8, 16])),
        "surround": str(rng.choice(["black", "white"])),
    }
    return World(seed=seed, **{**drawn, **fixed})  # type: ignore[arg-type]


def render(world: World) -> Photo:
    """Render the strip of a world."""
    rng = np.random.default_rng([world.seed, 77])
    depth = np.arange(round(-world.surface_rows_mm / world.step_mm), round(world.length_mm / world.step_mm)) * world.step_mm
    half = round(world.width_mm / 2 / world.step_mm)
    across = np.arange(-half, half + 1) * world.step_mm
    bend = _bend(world, across, rng)
    lines = np.array([d + bend for d in world.lines_mm]).reshape(-1, len(across))

    k_over_s = CLEAN * np.exp(0.25 * _grain(rng, depth, across, world.step_mm, 6.0, 6.0)[..., None])
    k_over_s = k_over_s + _dye(world, depth, lines, across, rng)[..., None] * DYE[world.dye]
    k_over_s += _other_colours(world, depth, across, bend, rng)
    chroma = [_grain(rng, depth, across, world.step_mm, 1.0, 0.5) for _ in range(2)]
    reflectance = 1.0 + k_over_s - np.sqrt(k_over_s**2 + 2.0 * k_over_s)
    reflectance[..., 0] *= np.exp(world.colour_texture * chroma[0])
    reflectance[..., 2] *= np.exp(world.colour_texture * chroma[1])

    shade = np.exp(world.texture * _grain(rng, depth, across, world.step_mm, 0.8, 0.35) - world.texture)
    shade *= np.exp(world.saw_marks * _saw(depth, across, rng))
    light = np.exp(world.uneven * _grain(rng, depth, across, world.step_mm, 40.0, 40.0))
    cast = np.exp(0.05 * rng.standard_normal(3))
    tint = np.exp(0.03 * _grain(rng, depth, across, world.step_mm, 30.0, 30.0)[..., None] * rng.standard_normal(3))
    linear = reflectance * (shade * light)[..., None] * cast * tint
    # Exposed as a careful person would: only the brightest spots burn out.
    linear *= 0.95 / np.quantile(linear[::7, ::7], 0.99)
    outside = depth[:, None] < 0.3 * bend[None, :]
    linear[outside] = 0.01 if world.surround == "black" else 0.85
    linear = _specks(world, linear, rng)
    linear = gaussian_filter(linear, (world.blur_mm / world.step_mm, world.blur_mm / world.step_mm, 0))
    linear += world.noise * np.sqrt(np.clip(linear, 0.01, None)) * rng.standard_normal(linear.shape)
    full = 2**world.bits - 1
    return Photo(np.round(_encode(np.clip(linear, 0, 1)) * full), depth, across, float(full), lines, world.lines_mm)


def _bend(world: World, across: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Depth of any growth surface relative to the track centre."""
    wave = gaussian_filter1d(rng.standard_normal(len(across) + 400), 3.0 / world.step_mm)[200:-200]
    wave *= world.wave_mm / max(float(np.std(wave)), 1e-9)
    bend = world.slope * across + 0.5 * world.dome_per_mm * across**2 + wave
    return bend - bend[len(across) // 2]


def _grain(rng: np.random.Generator, depth: np.ndarray, across: np.ndarray, step: float, long_mm: float, wide_mm: float
           ) -> np.ndarray:
    """Correlated noise of unit standard deviation, longer along the growth than across."""
    # Coarse fields are made on a coarse grid and enlarged.
    shrink = max(int(min(long_mm, wide_mm) / step / 4), 1)
    rows, cols = len(depth) // shrink + 3, len(across) // shrink + 3
    sd = (long_mm / step / shrink / 2.0, wide_mm / step / shrink / 2.0)
    pad = [int(3 * s) + 1 for s in sd]
    coarse = gaussian_filter(rng.standard_normal((rows + 2 * pad[0], cols + 2 * pad[1])), sd, truncate=3.0)
    # Unit variance by the kernel's own sum of squares, so that a field wider than the strip is not stretched.
    coarse *= np.prod([np.sqrt(2.0 * np.sqrt(np.pi) * max(s, 0.3)) for s in sd])
    coarse = coarse[pad[0]:pad[0] + rows, pad[1]:pad[1] + cols]
    r = np.arange(len(depth)) / shrink
    c = np.arange(len(across)) / shrink
    r0, c0 = r.astype(int), c.astype(int)
    fr, fc = (r - r0)[:, None], (c - c0)[None, :]
    upper = coarse[np.ix_(r0, c0)] * (1 - fc) + coarse[np.ix_(r0, c0 + 1)] * fc
    lower = coarse[np.ix_(r0 + 1, c0)] * (1 - fc) + coarse[np.ix_(r0 + 1, c0 + 1)] * fc
    return upper * (1 - fr) + lower * fr


def _dye(world: World, depth: np.ndarray, lines: np.ndarray, across: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Amount of dye: nothing above the distal edge, all at once below it, then seepage."""
    amount = np.zeros((len(depth), len(across)))
    step = world.step_mm
    reach = world.tail_mm * np.exp(0.25 * gaussian_filter1d(rng.standard_normal(len(across)), 0.6 / step) * np.sqrt(1.2 / step))
    drained = rng.uniform(0.0, 0.5)
    here = np.abs(across) <= world.share_stained * np.abs(across).max()
    for line in lines:
        below = depth[:, None] - line[None, :]
        # The line is rarely exactly between pixels: the share of the row that is stained.
        share = np.clip(below / step + 0.5, 0.0, 1.0)
        u = np.clip(below, 0.0, None) / reach
        seep = (1 - drained) * erfc(u / 1.3) + drained * np.clip(1 - u / 2.0, 0.0, None)
        amount += world.strength * rng.uniform(0.7, 1.0) * share * seep * here
    return amount


def _other_colours(world: World, depth: np.ndarray, across: np.ndarray, bend: np.ndarray, rng: np.random.Generator
                   ) -> np.ndarray:
    """K/S of green boring algae, brown tissue and pink encrusters."""
    along = depth[:, None] - bend[None, :]
    added = np.zeros((len(depth), len(across), 3))
    for _ in range(world.green_bands):
        at, wide = rng.uniform(3.0, world.length_mm), rng.uniform(0.5, 2.0)
        added += rng.uniform(0.01, 0.1) * np.exp(-0.5 * ((along - at) / wide) ** 2)[..., None] * GREEN
    added += world.brown_top * np.exp(-np.clip(along, 0, None) / 1.0)[..., None] * BROWN
    for _ in range(world.encrusters):
        centre = rng.uniform(1.0, world.length_mm), rng.uniform(across[0], across[-1])
        size = rng.uniform(0.8, 2.5), rng.uniform(0.8, min(2.5, world.width_mm / 4))
        inside = ((depth[:, None] - centre[0]) / size[0]) ** 2 + ((across[None, :] - centre[1]) / size[1]) ** 2 < 1.0
        added += rng.uniform(0.1, 0.5) * inside[..., None] * ENCRUSTER
    return added


def _saw(depth: np.ndarray, across: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Ridges of the saw: oblique, regular."""
    phase = (depth[:, None] * np.cos(0.2) + across[None, :] * rng.normal(0.0, 0.3)) * 2 * np.pi / rng.uniform(0.5, 2.0)
    return np.sin(phase)


def _specks(world: World, linear: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Dust: small discs of any colour, some strongly pink."""
    rows, cols = linear.shape[:2]
    y, x = np.ogrid[:rows, :cols]
    for _ in range(world.specks):
        radius = rng.uniform(0.1, 0.5) / world.step_mm
        disc = (y - rng.uniform(0, rows)) ** 2 + (x - rng.uniform(0, cols)) ** 2 < radius**2
        linear[disc] *= rng.choice([[1.0, 0.3, 0.5], [0.2, 0.2, 0.2], [0.9, 0.6, 0.2]])
    return linear


def _encode(linear: np.ndarray) -> np.ndarray:
    """Linear light to sRGB code, both 0 to 1 (IEC 61966-2-1)."""
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.power(linear, 1 / 2.4) - 0.055)
