"""Radiographs as an X-ray tube, a slab and a detector make them, photon energy by photon energy, for judging density.

The tube has Kramers' spectrum behind aluminium; the anode's heel, the distance and the obliquity of the
rays dim the field; slab and standards take away what their elements take at each energy, along the oblique ray; a
detector with absorption edges of its own adds up the energy that it stops; light or X-rays spread far into
everything else. What arrives becomes grey in one of several ways: linear, inverted, logarithmic, or as the
light through a developed film under a flatbed scanner.

Mass attenuation coefficients are a few rows of Elam, Ravel & Sieber 2002, Radiation Physics and Chemistry 63,
121-128, typed in from the library xraydb 4.5.8.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import tifffile
from scipy.fft import irfft2, rfft2
from scipy.interpolate import make_interp_spline
from scipy.ndimage import gaussian_filter, zoom

KEV = np.array([10, 12, 14, 16, 16.1, 16.11, 18, 20, 22.5, 25, 27.5, 30, 33.1, 33.2, 35, 35.9, 36, 37.4, 37.45, 40, 45, 50,
                55, 60, 65, 70, 80])
ELEMENTS_CM2_G = {
    "C": [2.373, 1.426, 0.9551, 0.6952, 0.6855, 0.6846, 0.5402, 0.442, 0.3637, 0.3136, 0.2799, 0.2562, 0.2354, 0.2348, 0.2258,
          0.2219, 0.2215, 0.216, 0.2159, 0.2076, 0.1957, 0.1871, 0.1805, 0.1753, 0.171, 0.1672, 0.161],
    "O": [5.9528, 3.4723, 2.2275, 1.5379, 1.5121, 1.5096, 1.1261, 0.8653, 0.6581, 0.5265, 0.4388, 0.3779, 0.3256, 0.3242,
          0.3019, 0.2924, 0.2914, 0.2783, 0.2779, 0.2585, 0.2314, 0.2133, 0.2004, 0.1907, 0.1832, 0.1772, 0.1679],
    "Al": [26.2127, 15.338, 9.7438, 6.5829, 6.4639, 6.4521, 4.6675, 3.4419, 2.4615, 1.8357, 1.4178, 1.1284, 0.8808, 0.8743,
           0.7696, 0.7249, 0.7202, 0.6596, 0.6576, 0.5684, 0.4466, 0.3682, 0.3151, 0.2778, 0.2506, 0.2301, 0.2018],
    "Ca": [93.4035, 56.0683, 36.255, 24.7787, 24.3411, 24.2979, 17.6801, 13.0592, 9.3032, 6.8707, 5.2279, 4.0795, 3.0897,
           3.0636, 2.643, 2.4628, 2.4439, 2.1994, 2.1913, 1.8302, 1.3365, 1.0195, 0.8065, 0.6579, 0.5508, 0.4717, 0.3655],
    "Sr": [62.7359, 38.0985, 25.0566, 17.4435, 17.1509, 110.7619, 83.6606, 63.8617, 46.8829, 35.3661, 27.3251, 21.5634,
           16.4891, 16.3538, 14.1559, 13.2056, 13.1053, 11.8043, 11.7611, 9.8147, 7.0952, 5.3055, 4.0805, 3.214, 2.5839,
           2.1145, 1.4813],
    "Ba": [185.9925, 114.5502, 76.1458, 53.355, 52.4701, 52.3827, 38.9156, 29.3759, 21.3749, 16.1051, 12.4825, 9.9041, 7.6172,
           7.5564, 6.569, 6.1428, 6.0978, 5.515, 29.1681, 24.5684, 18.1227, 13.7886, 10.725, 8.5106, 6.8795, 5.6502, 3.9632],
    "Br": [49.1174, 29.8241, 133.4035, 94.6998, 93.1821, 93.0322, 69.6101, 52.657, 38.4113, 28.8851, 22.2715, 17.5357, 13.3603,
           13.249, 11.4438, 10.6649, 10.5829, 9.5191, 9.4839, 7.8998, 5.7035, 4.2639, 3.2782, 2.5821, 2.0775, 1.7026, 1.1982],
    "F": [8.2061, 4.7719, 3.0393, 2.0757, 2.0396, 2.0361, 1.4987, 1.1327, 0.8418, 0.6571, 0.534, 0.4488, 0.3757, 0.3738,
          0.3428, 0.3296, 0.3282, 0.3101, 0.3095, 0.2828, 0.2458, 0.2214, 0.2044, 0.192, 0.1825, 0.175, 0.1639],
    "I": [162.5886, 99.8272, 66.2007, 46.3054, 45.5343, 45.4581, 33.7304, 25.4342, 18.4929, 13.9263, 10.7908, 8.5617, 6.5897,
          35.7438, 31.1962, 29.2197, 29.0108, 26.2911, 26.2005, 22.0958, 16.2613, 12.3235, 9.5629, 7.577, 6.1157, 5.0156,
          3.5103],
    "Cs": [179.2967, 110.3272, 73.2882, 51.3182, 50.4653, 50.381, 37.4048, 28.2192, 20.5287, 15.465, 11.9854, 9.5096, 7.3143,
           7.2559, 6.3084, 5.8994, 31.4002, 28.3906, 28.2907, 23.8039, 17.5818, 13.3963, 10.4117, 8.2498, 6.663, 5.4703,
           3.8364],
}
# Shares of mass; atomic masses C 12.011, O 15.999, Ca 40.078, Ba 137.33, F 18.998, Br 79.904, Cs 132.91, I 126.90.
CARBONATE = {"Ca": 0.40044, "C": 0.12001, "O": 0.47956}
DETECTORS = {"plate": ({"Ba": 0.5813, "F": 0.0804, "Br": 0.3383}, 0.06), "panel": ({"Cs": 0.5116, "I": 0.4884}, 0.10)}
CORAL_STRONTIUM = 0.008
CLAM_STRONTIUM = 0.0015
ARAGONITE_G_CM3, ALUMINIUM_G_CM3, LEAD_G_CM3 = 2.93, 2.699, 11.3
STEPS_MM = {"aragonite": (0.5, 1.2, 2.0, 3.0, 4.2, 5.6), "clam": (0.5, 1.2, 2.0, 3.0, 4.2, 5.6),
            "aluminium": (1.0, 2.5, 4.0, 6.0, 8.0, 10.5)}
MM_PER_PX = 0.15
# Where things lie on the field, in mm: x0, y0, x1, y1.
FIELD_MM = (126.0, 138.0)
SLAB_MM = (24.0, 22.0, 78.0, 118.0)
STEP_MM, STEP_PITCH_MM, STEPS_AT_MM = 10.0, 14.0, (94.0, 110.0)
TRACK_WIDTH_MM = 8.0
RESPONSES = ("linear", "inverted", "natural log", "optical density", "film density", "film")


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """How a radiograph is taken; what is None is drawn."""

    steps: tuple[str, ...] = ("aragonite",)
    response: str = "linear"
    heel_frac: float = 0.20
    scatter_frac: float = 0.05
    thickness_sd_mm: float = 0.1
    kvp: float | None = None
    strontium_frac: float = CORAL_STRONTIUM
    step_error_frac: float = 0.003
    crowded: bool = False
    bars: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class Radiograph:
    """A radiograph and what is true of it; the track runs straight down, from the surface at depth 0."""

    image: np.ndarray
    exposure: Exposure
    standards: tuple[tuple[tuple[int, int, int, int], str, float], ...]
    bars_px: tuple[tuple[int, int, int, int], ...]
    x_px: float
    surface_px: float
    end_px: float
    nominal_mm: float
    density_g_cm3: np.ndarray
    dense: str
    values: str
    kvp: float
    mean_kev: float

    @property
    def depth_mm(self) -> np.ndarray:
        return (np.arange(len(self.density_g_cm3)) + 0.5) * MM_PER_PX

    def mean_density(self, start_mm: float, end_mm: float) -> float:
        """Density of the track's own strip between two depths."""
        inside = (self.depth_mm >= start_mm) & (self.depth_mm < end_mm)
        return float(self.density_g_cm3[inside].mean())

    def record_text(self, image_file: str, *, more: str = "") -> str:
        """Slab record in TOML; ``more`` are further lines of its density table."""
        steps = "".join(f'  {{ box_px = {list(box)}, material = "{material}", thickness_mm = {thickness:g} }},\n'
                        for box, material, thickness in self.standards)
        bars = f"bars_px = {[list(box) for box in self.bars_px]}\n" if self.bars_px else ""
        return (f'record = 1\n\n[specimen]\nid = "TB-71"\ntaxon = "Porites lutea"\nsite = "Tarefa Bank"\n'
                f"collected = {dt.date(2021, 8, 20).isoformat()}\ntop_alive = true\n\n"
                f'[image]\nfile = "{image_file}"\nkind = "radiograph"\ndense = "{self.dense}"\nvalues = "{self.values}"\n\n'
                f"[scale]\nmm_per_px = {MM_PER_PX}\nsd_frac = 0.001\n\n"
                f"[density]\nslab_thickness_mm = {self.nominal_mm:.2f}\n"
                f"slab_thickness_sd_mm = {max(self.exposure.thickness_sd_mm, 0.01):g}\n"
                f"{bars}{more}standards = [\n{steps}]\n\n"
                f'[dating]\nmark = "density maximum"\nmark_date = "02-20"\n\n'
                f'[[track]]\nname = "A"\npoints_px = [[{self.x_px}, {self.surface_px - 40}], [{self.x_px}, {self.end_px}]]\n'
                f"width_mm = {TRACK_WIDTH_MM}\n")

    def write(self, folder: Path, *, more: str = "") -> Path:
        """Write image and record into a folder; gives the record's path."""
        tifffile.imwrite(folder / "TB-71.tif", self.image)
        record = folder / "TB-71.toml"
        record.write_text(self.record_text("TB-71.tif", more=more), encoding="utf-8")
        return record


def attenuation_cm2_g(shares: dict[str, float], kev: np.ndarray) -> np.ndarray:
    """Mass attenuation of a mixture; log against log between the rows."""
    return sum(share * np.exp(np.interp(np.log(kev), np.log(KEV), np.log(ELEMENTS_CM2_G[element])))
               for element, share in shares.items())


def carbonate(strontium_frac: float) -> dict[str, float]:
    """Elements of calcium carbonate with some strontium, by mass."""
    return {e: (1 - strontium_frac) * s for e, s in CARBONATE.items()} | {"Sr": strontium_frac}


@dataclass(frozen=True, eq=False)
class Tube:
    """Spectrum as the detector weighs it, and what materials let through of it."""

    kev: np.ndarray
    weight: np.ndarray

    @classmethod
    def make(cls, kvp: float, filter_mm: float, detector: str) -> Tube:
        kev = np.arange(11.0, kvp, 0.5)
        shares, mass_g_cm2 = DETECTORS[detector]
        stopped = 1 - np.exp(-attenuation_cm2_g(shares, kev) * mass_g_cm2)
        # Kramers' number of photons times their energy.
        weight = (kvp - kev) * stopped * np.exp(-attenuation_cm2_g({"Al": 1.0}, kev) * ALUMINIUM_G_CM3 * filter_mm / 10)
        return cls(kev, weight / weight.sum())

    @property
    def mean_kev(self) -> float:
        return float(np.sum(self.kev * self.weight))

    def attenuation(self, shares: dict[str, float], areal_g_cm2: np.ndarray) -> np.ndarray:
        """Minus the logarithm of what comes through."""
        nodes = np.linspace(0.0, float(np.max(areal_g_cm2)) + 0.01, 400)
        through = np.exp(-np.multiply.outer(nodes, attenuation_cm2_g(shares, self.kev))) @ self.weight
        return make_interp_spline(nodes, -np.log(through), k=3)(areal_g_cm2)


@cache
def field_px() -> tuple[int, int]:
    return round(FIELD_MM[1] / MM_PER_PX), round(FIELD_MM[0] / MM_PER_PX)


def places_mm() -> tuple[np.ndarray, np.ndarray]:
    n_y, n_x = field_px()
    return np.arange(n_x)[None, :] * MM_PER_PX, np.arange(n_y)[:, None] * MM_PER_PX


def make_density(rng: np.random.Generator, slab_mm: tuple[float, float, float, float]) -> np.ndarray:
    """Density over the field, 0 beside the slab: wavy annual bands, coarse and fine texture, 0.9 to 1.8 g/cm3."""
    x, y = places_mm()
    spacing, mean, half_cycle = rng.uniform(8.0, 13.0), rng.uniform(1.15, 1.50), rng.uniform(0.10, 0.16)
    years = spacing * (1 + 0.12 * rng.standard_normal(40).clip(-2, 2))
    edges = np.concatenate([[0.0], np.cumsum(years)]) - rng.uniform(0.2, 0.8) * spacing
    level = 1 + 0.03 * rng.standard_normal(len(edges))
    wave = 0.5 * np.sin(2 * np.pi * x / rng.uniform(30, 60) + rng.uniform(0, 6.28))
    depth = y - slab_mm[1] + 0 * x
    year = np.interp(depth + wave, edges, np.arange(len(edges)))
    bands = np.interp(year, np.arange(len(edges)), level) * (1 + half_cycle * np.cos(2 * np.pi * year))
    texture = gaussian_filter(rng.standard_normal(depth.shape), (0.8 / MM_PER_PX, 0.35 / MM_PER_PX))
    texture += 0.4 * gaussian_filter(rng.standard_normal(depth.shape), (2.5 / MM_PER_PX, 0.8 / MM_PER_PX)) * 4
    density = mean * bands * (1 + 0.06 * np.tanh(texture / texture.std()))
    on = (x >= slab_mm[0]) & (x < slab_mm[2]) & (depth >= 0) & (y < slab_mm[3])
    return np.where(on, density, 0.0)


def fall_off(rng: np.random.Generator, heel_frac: float) -> tuple[np.ndarray, np.ndarray]:
    """Intensity of the open field, 1 at its brightest, and one over the cosine of each ray."""
    x, y = places_mm()
    distance_mm = rng.uniform(900.0, 1300.0)
    dx, dy = x - rng.uniform(0.35, 0.65) * FIELD_MM[0], y - rng.uniform(0.35, 0.65) * FIELD_MM[1]
    secant = np.sqrt(1 + (dx**2 + dy**2) / distance_mm**2)
    turn = rng.choice([0.0, 0.5, 1.0, 1.5]) * np.pi + rng.uniform(-0.15, 0.15)
    along = dx * np.cos(turn) + dy * np.sin(turn)
    along = (along - along.min()) / np.ptp(along)
    # Steeper towards the anode: what is left after a path through tungsten that grows as the ray lies flatter.
    path = 1 / np.tan(np.radians(rng.uniform(14, 20) - 7.5 * along))
    heel = np.exp(np.log(1 - heel_frac) * (path - path.min()) / np.ptp(path))
    field = heel * secant**-3
    return field / field.max(), secant


def spread(dose: np.ndarray, reach_mm: float) -> np.ndarray:
    """What a bundle of light or scattered rays far around each place brings; the field goes on outside the image."""
    step = 8
    small = zoom(dose, 1 / step, order=1, grid_mode=True, mode="nearest")
    pad = 60
    padded = np.pad(small, pad, mode="edge")
    y, x = (np.minimum(np.arange(n), n - np.arange(n)) * step * MM_PER_PX for n in padded.shape)
    kernel = np.exp(-np.hypot(x[None, :], y[:, None]) / reach_mm)
    wide = irfft2(rfft2(padded) * rfft2(kernel / kernel.sum()), padded.shape)[pad:-pad, pad:-pad]
    return zoom(wide, np.divide(dose.shape, wide.shape), order=1, grid_mode=True, mode="nearest")


def respond(dose: np.ndarray, response: str, rng: np.random.Generator) -> tuple[np.ndarray, str, str]:
    """Grey of 16 bits, with what the record says of it: dense and values."""
    if response in {"linear", "inverted"}:
        grey = rng.uniform(600, 2600) + rng.uniform(40_000, 54_000) * dose
        return (grey, "dark", "intensity") if response == "linear" else (65535 - grey, "bright", "intensity")
    log = np.log(np.maximum(dose, 1e-4))
    if response == "natural log":
        return (0.2 - log) / 5.0 * 65535, "bright", "optical-density"
    if response == "optical density":
        return (0.1 - log / np.log(10)) / 4.0 * 65535, "bright", "optical-density"
    slope, middle = rng.uniform(2.4, 3.2), rng.uniform(-0.55, -0.35)
    # Toe, straight part and shoulder of a film: density over the decadic logarithm of the exposure.
    film = 0.2 + 3.2 / (1 + np.exp(-4 * slope / 3.2 * (log / np.log(10) - middle)))
    if response == "film density":
        return film / 4.0 * 65535, "dark", "optical-density"
    light = 10.0**-film / 10.0**-0.2
    return 62_000 * light ** (1 / 2.2), "bright", "intensity"


def lay_standards(exposure: Exposure) -> list[tuple[str, float, tuple[int, int, int, int]]]:
    """Material, thickness as stated, and place in pixels of every step, in columns beside the slab."""
    laid = []
    for column, material in enumerate(exposure.steps):
        for row, thickness in enumerate(STEPS_MM[material]):
            x0, y0 = STEPS_AT_MM[column], 24.0 + STEP_PITCH_MM * row
            box = tuple(round(v / MM_PER_PX) for v in (x0, y0, x0 + STEP_MM, y0 + STEP_MM))
            laid.append((material, thickness, box))
    return laid


def make_radiograph(exposure: Exposure, seed: int) -> Radiograph:
    """Make a radiograph; the same seed gives the same one."""
    rng = np.random.default_rng([71, seed])
    kvp = exposure.kvp or float(rng.uniform(50.0, 70.0))
    tube = Tube.make(kvp, float(rng.uniform(1.5, 4.0)), "panel" if exposure.response == "inverted" else "plate")
    slab_mm = (-1.0, 22.0, 200.0, 118.0) if exposure.crowded else SLAB_MM
    density = make_density(rng, slab_mm)
    nominal_mm = float(rng.uniform(6.0, 8.0))
    true_mm = nominal_mm + exposure.thickness_sd_mm * float(rng.standard_normal())
    field, secant = fall_off(rng, exposure.heel_frac)
    attenuation = tube.attenuation(carbonate(exposure.strontium_frac), density * true_mm / 10 * secant)
    attenuation[density == 0] = 0.0
    standards = []
    for material, thickness, (x0, y0, x1, y1) in lay_standards(exposure):
        true = thickness * (1 + exposure.step_error_frac * float(rng.standard_normal()))
        solid, shares = (ALUMINIUM_G_CM3, {"Al": 1.0}) if material == "aluminium" else (
            ARAGONITE_G_CM3, carbonate(CLAM_STRONTIUM if material == "clam" else exposure.strontium_frac))
        attenuation[y0:y1, x0:x1] = tube.attenuation(shares, solid * true / 10 * secant[y0:y1, x0:x1])
        standards.append(((x0 + 12, y0 + 12, x1 - 12, y1 - 12), material, thickness))
    bars = lay_bars(attenuation, tube, secant) if exposure.bars else ()
    attenuation[round(6 / MM_PER_PX) : round(8 / MM_PER_PX), round(20 / MM_PER_PX) : round(70 / MM_PER_PX)] = 9.0
    dose = gaussian_filter(field * np.exp(-attenuation), 0.1 / MM_PER_PX)
    dose = (dose + exposure.scatter_frac * spread(dose, float(rng.uniform(8.0, 25.0)))) / (1 + exposure.scatter_frac)
    photons = rng.uniform(8_000, 30_000)
    grain = gaussian_filter(rng.standard_normal(dose.shape), 0.5) * 1.8
    dose += np.sqrt(dose / photons) * grain + 3e-4 * rng.standard_normal(dose.shape)
    grey, dense, values = respond(dose, exposure.response, rng)
    x = 0.5 * (SLAB_MM[0] + SLAB_MM[2]) + float(rng.uniform(-10, 10))
    half = TRACK_WIDTH_MM / 2
    rows = slice(round(slab_mm[1] / MM_PER_PX), round((slab_mm[3] - 3.0) / MM_PER_PX))
    columns = slice(round((x - half) / MM_PER_PX), round((x + half) / MM_PER_PX))
    return Radiograph(
        image=np.clip(np.rint(grey), 0, 65535).astype(np.uint16), exposure=exposure, standards=tuple(standards), bars_px=bars,
        x_px=round(x / MM_PER_PX, 1), surface_px=rows.start - 0.5, end_px=float(rows.stop), nominal_mm=nominal_mm,
        density_g_cm3=density[rows, columns].mean(axis=1), dense=dense, values=values, kvp=kvp, mean_kev=tube.mean_kev)


def lay_bars(attenuation: np.ndarray, tube: Tube, secant: np.ndarray) -> tuple[tuple[int, int, int, int], ...]:
    """Two uniform aluminium bars of 4 mm along the left and the right rim, across the upper and lower rim too."""
    n_y, n_x = field_px()
    w = round(5.0 / MM_PER_PX)
    boxes = []
    for x0, y0, x1, y1 in ((w // 2, 0, w // 2 + w, n_y), (n_x - w // 2 - w, 0, n_x - w // 2, n_y)):
        attenuation[y0:y1, x0:x1] = tube.attenuation({"Al": 1.0}, ALUMINIUM_G_CM3 * 0.4 * secant[y0:y1, x0:x1])
        boxes.append((x0 + 6, y0 + 6, x1 - 6, y1 - 6))
    return tuple(boxes)
