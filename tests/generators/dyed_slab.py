"""Photographs of dyed slabs whose contrast-to-noise per pixel is set, for judging stain lines.

Light is followed wavelength by wavelength: a lamp, the skeleton's reflectance, dye and pigments that
absorb on the light's way through the skeleton (Beer and Lambert), a share of light thrown back at the first
surface without colour, and a camera with three bell-shaped sensitivities. Calcein glows instead under blue light.
The skeleton is made of corallite walls (cells around scattered centres, drawn out along the growth), thin
sheets across them, and pores. Dye is laid down within a day and seeps inwards down each corallite by its own
reach, in one of three forms.

The strength of the dye is set last: the step of ln(R/G) (for calcein of ln G) at the distal edge is
``contrast`` times ``noise``, the standard deviation of that difference between single pixels of undyed skeleton
(sensor and fine colour texture together, before the camera's JPEG).

Made apart from the package and from `generators.stained_photo`: no module of either is imported here. The package
has seen it, though: seeds below 2100 were looked at while the search for lines was written, and those from 2000 to 2039
are among the strips that the weights of its judgement were fitted to. What is told of its performance should come from
seeds of 6000 and above (3000 to 3045, 5000 to 5139 and 9000 to 9007 have been looked at too); even these share this generator's idea of what a slab looks like.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from io import BytesIO

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.spatial import cKDTree

WAVELENGTH_NM = np.arange(420.0, 681.0, 20.0)
LAMPS_K = {"daylight": 5600.0, "warm": 3200.0, "flash": 6500.0}


def bell(centre_nm: float, width_nm: float) -> np.ndarray:
    """A bell over the wavelengths, 1 at its centre."""
    return np.exp(-0.5 * ((WAVELENGTH_NM - centre_nm) / width_nm) ** 2)


CAMERA = np.stack([bell(605, 32), bell(540, 36), bell(462, 26)])
# Absorbance of one unit. Alizarin bound to calcium: broad about 530 nm; its tint varies with dose and bleaching.
ALIZARIN = bell(530, 42) + 0.35 * bell(430, 40)
VIOLET = bell(555, 45) + 0.25 * bell(430, 40)
GREEN_ALGAE = bell(435, 25) + 0.7 * bell(665, 18) + 0.15
TISSUE = np.clip((620.0 - WAVELENGTH_NM) / 200.0, 0, None)
RUST = np.clip((600.0 - WAVELENGTH_NM) / 180.0, 0, None) ** 1.5
CORALLINE = bell(560, 35) + 0.6 * bell(495, 20) + 0.3 * bell(430, 30)


@dataclass(frozen=True, kw_only=True)
class Slab:
    """One photograph to make; lengths in mm, depths from the outer surface at the track in the middle."""

    seed: int
    contrast: float = 2.0
    lines_mm: tuple[float, ...] = (12.0,)
    tail_mm: float = 1.5
    dye: str = "alizarin"
    length_mm: float = 50.0
    width_mm: float = 20.0
    mm_per_px: float = 0.05
    noise: float = 0.05
    colour_texture_frac: float = 0.35
    slope: float = 0.0
    dome_radius_mm: float = 120.0
    lobes_mm: float = 0.1
    relief_mm: float = 0.06
    lamp: str = "daylight"
    uneven: float = 0.3
    second_lamp: float = 0.0
    shadow: float = 0.0
    glare: int = 0
    specks: int = 0
    encrusters: int = 0
    green_bands: int = 0
    rust_patches: int = 0
    tissue: float = 0.0
    saw: float = 0.0
    blur_px: float = 0.7
    jpeg: int | None = None
    bits: int = 8
    surround: str = "black"
    above_mm: float = 3.0


@dataclass(frozen=True)
class Picture:
    """A photograph whose columns run along the growth, and the truth about it."""

    rgb: np.ndarray
    full_scale: float
    depth_mm: np.ndarray
    across_mm: np.ndarray
    lines_mm: tuple[float, ...]
    bend_mm: np.ndarray = field(repr=False)

    @property
    def strip(self) -> tuple[np.ndarray, np.ndarray]:
        """Colours and depths from the outer surface inwards."""
        first = int(np.searchsorted(self.depth_mm, -1e-9))
        return self.rgb[first:], self.depth_mm[first:]


def draw_slab(seed: int, *, contrast: float, lines: int = 1, **fixed: object) -> Slab:
    """A slab with everything drawn at random but its contrast; anything else may be fixed by name."""
    rng = np.random.default_rng([seed, 4])
    first = rng.uniform(5.0, 16.0)
    at = first + np.cumsum(np.r_[0.0, rng.uniform(6.0, 12.0, max(lines - 1, 0))])
    drawn: dict[str, object] = {
        "lines_mm": tuple(float(v) for v in at[:lines]), "tail_mm": float(np.exp(rng.uniform(np.log(0.5), np.log(4.0)))),
        "dye": str(rng.choice(["alizarin", "alizarin", "violet"])), "length_mm": float(rng.uniform(35, 55)),
        "width_mm": float(rng.uniform(14, 40)), "mm_per_px": float(rng.choice([0.04, 0.05, 0.07])),
        "noise": float(np.exp(rng.uniform(np.log(0.02), np.log(0.09)))), "colour_texture_frac": float(rng.uniform(0.02, 0.12)),
        "slope": float(rng.uniform(-0.25, 0.25)), "dome_radius_mm": float(rng.uniform(40, 250)),
        "lobes_mm": float(rng.uniform(0, 0.3)), "relief_mm": float(rng.uniform(0.02, 0.12)),
        "lamp": str(rng.choice(list(LAMPS_K))), "uneven": float(rng.uniform(0, 0.6)),
        "second_lamp": float(rng.choice([0.0, 0.0, 0.4])), "shadow": float(rng.choice([0.0, 0.0, 0.3, 0.5])),
        "glare": int(rng.choice([0, 0, 3])), "specks": int(rng.integers(0, 15)), "encrusters": int(rng.integers(0, 4)),
        "green_bands": int(rng.integers(0, 4)), "rust_patches": int(rng.integers(0, 3)),
        "tissue": float(rng.choice([0.0, 0.1, 0.3])), "saw": float(rng.uniform(0, 0.08)),
        "blur_px": float(rng.uniform(0.5, 1.5)), "jpeg": None,
        "surround": str(rng.choice(["black", "white"])),
    }
    return Slab(seed=seed, contrast=contrast, **{**drawn, **fixed})  # type: ignore[arg-type]


def take(slab: Slab) -> Picture:
    """Make the photograph."""
    p = slab.mm_per_px
    depth = (np.arange(round((slab.length_mm + slab.above_mm) / p)) - round(slab.above_mm / p)) * p
    half = round(0.5 * slab.width_mm / p)
    across = np.arange(-half, half + 1) * p
    world = _World(slab, depth, across)
    dye = world.dye_where()
    rgb = world.develop(world.amount_for(slab.contrast * slab.noise, dye) * dye)
    return Picture(rgb, float(2**slab.bits - 1), depth, across, slab.lines_mm, world.bend)


def undyed(slab: Slab) -> Slab:
    """The same slab, never dyed."""
    return replace(slab, lines_mm=())


class _World:
    """Fields of one slab that do not depend on the strength of the dye."""

    def __init__(self, slab: Slab, depth: np.ndarray, across: np.ndarray) -> None:
        self.slab, self.depth, self.across = slab, depth, across
        self.shape = (len(depth), len(across))
        self.rng = np.random.default_rng([slab.seed, 9])
        self.bend = self._bend()
        self.along = depth[:, None] - self.bend[None, :]
        self.structure, self.corallite = self._skeleton()
        self.pigment = self._pigments()
        self.light = self._light()
        self.noise_seed = int(self.rng.integers(2**31))

    def _bend(self) -> np.ndarray:
        """Growth surface against the level at the track."""
        lobes = gaussian_filter1d(self.rng.standard_normal(len(self.across)), 4.0 / self.slab.mm_per_px, mode="wrap")
        lobes *= self.slab.lobes_mm / max(float(lobes.std()), 1e-12)
        x = self.across
        bend = self.slab.slope * x + x**2 / (2 * self.slab.dome_radius_mm) + lobes
        return bend - bend[len(x) // 2]

    def _skeleton(self) -> tuple[np.ndarray, np.ndarray]:
        """Brightness of the cut face (mean about 1), and a number between 0 and 1 for each corallite."""
        rng, p = self.rng, self.slab.mm_per_px
        # Cells: distances to scattered centres in a plane whose depth is squeezed, so that cells are long.
        squeeze, size = 0.15, 1.3
        tall = (self.depth[-1] - self.depth[0]) * squeeze
        wide = self.across[-1] - self.across[0]
        n = max(int((tall + 2) * (wide + 4) / size**2), 20)
        centres = np.stack([rng.uniform(-1, tall + 1, n), rng.uniform(-2, wide + 2, n)], axis=1)
        coarse = max(round(0.1 / p), 1)
        rows, cols = np.arange(0, self.shape[0], coarse), np.arange(0, self.shape[1], coarse)
        here = np.stack(np.meshgrid((self.depth[rows] - self.depth[0]) * squeeze, self.across[cols] - self.across[0],
                                    indexing="ij"), axis=-1)
        near, which = cKDTree(centres).query(here.reshape(-1, 2), k=2)
        wall = np.exp(-((near[:, 1] - near[:, 0]) / 0.25) ** 2).reshape(len(rows), len(cols))
        label = rng.random(n)[which[:, 0]].reshape(len(rows), len(cols))
        wall, label = (np.repeat(np.repeat(a, coarse, 0), coarse, 1)[:self.shape[0], :self.shape[1]] for a in (wall, label))
        sheets = 0.5 + 0.5 * np.sin(2 * np.pi * (self.along / rng.uniform(0.5, 1.0) + label))
        pores = gaussian_filter(rng.standard_normal(self.shape), (0.12 / p, 0.08 / p))
        pores /= pores.std()
        return np.clip(0.8 + 0.25 * wall + 0.06 * sheets - 0.12 * np.clip(pores - 0.6, 0, None) - 0.06 * label, 0.1, 1.2), label

    def _patches(self, number: int, radius: tuple[float, float]) -> np.ndarray:
        """Ragged patches of 0 to 1."""
        out = np.zeros(self.shape)
        p = self.slab.mm_per_px
        ragged = gaussian_filter(self.rng.standard_normal(self.shape), 0.35 / p)
        ragged /= ragged.std()
        for _ in range(number):
            y, x = self.rng.uniform(1, self.slab.length_mm), self.rng.uniform(self.across[0], self.across[-1])
            a, b = self.rng.uniform(*radius, 2)
            far = np.hypot((self.depth[:, None] - y) / a, (self.across[None, :] - x) / b) + 0.15 * ragged
            out = np.maximum(out, self.rng.uniform(0.4, 1) * np.clip((1.1 - far) / 0.2, 0, 1))
        return out

    def _pigments(self) -> np.ndarray:
        """Absorbance of all that is not dye, shape (rows, columns, wavelengths)."""
        slab, rng = self.slab, self.rng
        green = np.zeros(self.shape)
        for _ in range(slab.green_bands):
            at, wide = rng.uniform(2, slab.length_mm), rng.uniform(0.4, 2.5)
            patchy = np.exp(0.5 * gaussian_filter1d(rng.standard_normal(self.shape[1]), 1.5 / slab.mm_per_px, mode="wrap")
                            * np.sqrt(1.5 / slab.mm_per_px * 3.5))
            green += rng.uniform(0.02, 0.2) * np.exp(-0.5 * ((self.along - at) / wide) ** 2) * patchy
        parts = [(green, GREEN_ALGAE), (0.3 * self._patches(slab.encrusters, (0.6, 2.5)), CORALLINE),
                 (0.2 * self._patches(slab.rust_patches, (1.0, 5.0)), RUST),
                 (slab.tissue * np.exp(-np.clip(self.along, 0, None) / 1.5) * (0.7 + 0.6 * self.corallite), TISSUE)]
        out = np.zeros((*self.shape, len(WAVELENGTH_NM)), dtype=np.float32)
        for amount, pigment in parts:
            if amount.any():
                out += (amount[..., None] * pigment).astype(np.float32)
        return out

    def _light(self) -> np.ndarray:
        """Light that falls on each place, by colour channel."""
        slab, rng = self.slab, self.rng
        y = np.linspace(-1, 1, self.shape[0])[:, None]
        x = np.linspace(-1, 1, self.shape[1])[None, :]
        turn = rng.uniform(0, 2 * np.pi)
        fall = np.exp(-slab.uneven * (0.6 * (np.cos(turn) * x + np.sin(turn) * y) + 0.4 * (x**2 + y**2)))
        out = np.repeat(fall[..., None], 3, axis=2)
        # A second lamp of another colour from the other side.
        other = np.exp(0.8 * (np.cos(turn) * x + np.sin(turn) * y))[..., None] * np.array([1.25, 1.0, 0.7])
        out *= 1 + slab.second_lamp * other
        if slab.shadow:
            edge = (y - rng.uniform(-0.8, 0.8)) * np.cos(turn := rng.uniform(-0.5, 0.5)) + x * np.sin(turn)
            dark = slab.shadow / (1 + np.exp(-edge / rng.uniform(0.01, 0.06)))
            out *= 1 - dark[..., None] * np.array([1.06, 1.0, 0.94])
        marks = np.sin(2 * np.pi * (self.depth[:, None] * np.cos(0.3) + self.across[None, :] * np.sin(0.3)
                                    + 0.004 * self.across[None, :] ** 2) / rng.uniform(0.6, 2.5))
        return out * np.exp(slab.saw * marks)[..., None]

    def dye_where(self) -> np.ndarray:
        """Dye over its amount at the distal edge."""
        slab, rng, p = self.slab, np.random.default_rng([self.slab.seed, 31]), self.slab.mm_per_px
        relief = gaussian_filter1d(rng.standard_normal(self.shape[1]), 0.4 / p)
        relief *= slab.relief_mm / max(float(relief.std()), 1e-12)
        reach = slab.tail_mm * np.exp(0.5 * (self.corallite - 0.5))
        form = rng.choice(["exponential", "bell", "two"])
        out = np.zeros(self.shape)
        for line in slab.lines_mm:
            u = self.along - line - relief[None, :]
            begun = np.clip(u / p + 0.5, 0, 1)
            deep = np.clip(u, 0, None) / reach
            seep = {"exponential": np.exp(-deep), "bell": np.exp(-0.5 * deep**2),
                    "two": 0.5 * np.exp(-deep / 0.7) + 0.5 * np.exp(-deep / 1.6)}[str(form)]
            uptake = 1 + 0.3 * gaussian_filter1d(rng.standard_normal(self.shape[1]), 1.0 / p) * np.sqrt(3.5 * 1.0 / p)
            out += begun * seep * np.clip(uptake, 0.3, 1.7)[None, :]
        return out

    def _see(self, amount: np.ndarray, pigment: np.ndarray, structure: np.ndarray) -> np.ndarray:
        """Linear light from the slab under even light, shape (..., 3); all arguments of one shape but for wavelengths."""
        slab = self.slab
        spectrum = {"alizarin": ALIZARIN, "violet": VIOLET}.get(slab.dye, np.zeros(len(WAVELENGTH_NM)))
        kelvin = LAMPS_K[slab.lamp]
        lamp = WAVELENGTH_NM**-5 / np.expm1(1.4388e7 / (WAVELENGTH_NM * kelvin))
        white = 0.92 - 0.16 * bell(400, 70)
        eyes = CAMERA * (lamp * white)
        balance = 1 / eyes.sum(axis=1)
        # Light goes further through the hollow parts, and takes more colour there.
        path = 2.0 * (0.6 + 0.5 / np.clip(structure, 0.3, None))
        back = 0.12 + 0.88 * np.exp(-path[..., None] * (pigment + amount[..., None] * spectrum))
        out = back @ (eyes * balance[:, None]).T
        if slab.dye == "calcein":
            # Blue light through a yellow filter: dim green-grey skeleton, and the dye glows green.
            out *= np.array([0.05, 0.16, 0.12])
            out += amount[..., None] * np.array([0.03, 0.30, 0.05]) * np.exp(-2.0 * pigment[..., 2:3])
        return out * structure[..., None]

    def develop(self, amount: np.ndarray) -> np.ndarray:
        """The photograph as stored."""
        slab, rng = self.slab, np.random.default_rng(self.noise_seed)
        linear = np.concatenate([self._see(amount[r], self.pigment[r], self.structure[r])
                                 for r in np.array_split(np.arange(self.shape[0]), max(self.shape[0] // 100, 1))])
        linear *= self.light
        grain = np.stack([gaussian_filter(rng.standard_normal(self.shape), 0.3 / slab.mm_per_px) for _ in range(2)], axis=-1)
        grain /= grain.std(axis=(0, 1))
        texture = slab.noise * np.sqrt(slab.colour_texture_frac) / np.sqrt(2)
        linear[..., 0] *= np.exp(texture * grain[..., 0])
        linear[..., 1] *= np.exp(texture * grain[..., 1])
        linear *= 0.75 / np.quantile(linear, 0.97)
        outside = self.along < 0
        linear[outside] = {"black": 0.012, "white": 0.85}[slab.surround]
        linear = self._dirt(linear, rng)
        linear = gaussian_filter(linear, (slab.blur_px, slab.blur_px, 0))
        # Noise as light: counts, and what the electronics add; slightly smeared by the colour filter's filling-in.
        white = gaussian_filter(rng.standard_normal(linear.shape), (0.45, 0.45, 0))
        white /= white.std()
        level = float(np.median(linear))
        sd = slab.noise * np.sqrt(1 - slab.colour_texture_frac) / np.sqrt(2)
        linear = linear + sd * np.sqrt(np.clip(linear, 0, None) * level) * white * np.array([1.0, 1.0, 1.3])
        code = np.clip(linear, 0, 1)
        code = np.where(code <= 0.0031308, 12.92 * code, 1.055 * code ** (1 / 2.4) - 0.055)
        stored = np.round(code * (2**slab.bits - 1))
        return self._compress(stored) if slab.jpeg and slab.bits == 8 else stored

    def _compress(self, stored: np.ndarray) -> np.ndarray:
        """Through the camera's JPEG and back."""
        from PIL import Image

        buffer = BytesIO()
        Image.fromarray(stored.astype(np.uint8)).save(buffer, "JPEG", quality=self.slab.jpeg)
        return np.asarray(Image.open(buffer), dtype=np.float64)

    def _dirt(self, linear: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Specks of any colour and wet spots that glare."""
        p = self.slab.mm_per_px
        for number, size, tints in (
                (self.slab.specks, (0.1, 0.5), ((0.9, 0.25, 0.4), (0.15, 0.15, 0.15), (0.8, 0.5, 0.2), (0.2, 0.5, 0.2))),
                (self.slab.glare, (0.3, 1.2), ((4.0, 4.0, 4.0),))):
            for _ in range(number):
                y, x = rng.uniform(0, self.shape[0]), rng.uniform(0, self.shape[1])
                a, b = rng.uniform(*size, 2) / p
                r0, r1 = max(int(y - a), 0), min(int(y + a) + 2, self.shape[0])
                c0, c1 = max(int(x - b), 0), min(int(x + b) + 2, self.shape[1])
                yy, xx = np.ogrid[r0:r1, c0:c1]
                linear[r0:r1, c0:c1][((yy - y) / a) ** 2 + ((xx - x) / b) ** 2 < 1] *= tints[rng.integers(len(tints))]
        return linear

    def _difference(self, linear: np.ndarray) -> np.ndarray:
        """The colour difference in which contrast is counted."""
        if self.slab.dye == "calcein":
            return np.log(np.clip(linear[..., 1], 1e-3, None))
        return np.log(np.clip(linear[..., 0], 1e-3, None)) - np.log(np.clip(linear[..., 1], 1e-3, None))

    def amount_for(self, step: float, dye: np.ndarray) -> float:
        """Amount of dye whose step at the edge is as great as asked for, by trial."""
        near = np.flatnonzero(dye > 0.9 * np.quantile(dye[dye > 0], 0.9)) if (dye > 0).any() else np.empty(0, int)
        if len(near) == 0 or step <= 0:
            return 0.0
        near = near[::max(len(near) // 3000, 1)]
        pigment, structure = self.pigment.reshape(-1, self.pigment.shape[-1])[near], self.structure.ravel()[near]

        def seen(amount: float) -> float:
            return float(self._difference(self._see(np.full(len(near), amount), pigment, structure)).mean())

        low, high, bare = 0.0, 4.0, seen(0.0)
        for _ in range(14):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if seen(middle) - bare < step else (low, middle)
        return 0.5 * (low + high)
