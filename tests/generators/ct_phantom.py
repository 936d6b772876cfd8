"""A coral core in a scanner, with rods of known density beside it: a volume whose growth is known.

The core lies askew in the scan. Its bands are bowls square to its axis, its years differ in length, its skeleton has
a texture of corallites. Voxels are longer than wide; each slice is blurred by the kernel and noisy, and the beam may
have hardened. Slices are made one by one.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import tifffile
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter, map_coordinates

# Numbers of a scan at about 80 keV: 1.30 g/cm3 of CaCO3 is 743 over water.
HU_PER_G_CM3 = 1743.0 / 1.30
PATIENT = "Reef^Nobody"
PRIVATE_TEXT = "kept by the maker alone"


@dataclass(frozen=True, kw_only=True)
class Rod:
    """A rod along z, in mm."""

    x_mm: float
    y_mm: float
    radius_mm: float
    density_g_cm3: float


@dataclass(kw_only=True, eq=False)
class Phantom:
    """The scanned core; places are mm from the centre of the first voxel along x, y and z."""

    seed: int = 0
    size_px: tuple[int, int, int] = (110, 100, 120)
    voxel_mm: tuple[float, float, float] = (0.6, 0.6, 1.0)
    n_years: int = 9
    year_mm: float = 9.0
    mean_g_cm3: float = 1.35
    cycle_frac: float = 0.14
    texture_frac: float = 0.08
    noise_hu: float = 25.0
    cupping_hu: float = 0.0
    radius_mm: float = 20.0
    lean: tuple[float, float] = (0.12, -0.08)
    rods: tuple[Rod, ...] = (Rod(x_mm=6, y_mm=6, radius_mm=4, density_g_cm3=0.90), Rod(x_mm=60, y_mm=6, radius_mm=4, density_g_cm3=1.55),
                             Rod(x_mm=6, y_mm=53, radius_mm=4, density_g_cm3=2.10))
    marks_mm: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)
        nx, ny, nz = (n * v for n, v in zip(self.size_px, self.voxel_mm, strict=True))
        self.way = np.array([*self.lean, 1.0]) / np.linalg.norm([*self.lean, 1.0])
        middle = np.array([nx / 2, ny / 2, nz / 2])
        years_mm = self.year_mm * np.exp(self.rng.normal(0, 0.15, self.n_years))
        outer = self.rng.uniform(0.3, 0.7) * self.year_mm
        self.marks_mm = outer + np.concatenate([[0.0], np.cumsum(years_mm)])
        self.length_mm = float(self.marks_mm[-1]) + 0.4 * self.year_mm
        self.top_mm = middle - self.way * self.length_mm / 2
        grid = [int(side) + 3 for side in (nx, ny, nz)]
        texture = gaussian_filter(self.rng.normal(size=grid), 0.8)
        self.texture = self.texture_frac * texture / texture.std()

    @property
    def year_extension_mm(self) -> np.ndarray:
        return np.diff(self.marks_mm)

    def band_g_cm3(self, depth_mm: np.ndarray) -> np.ndarray:
        """Density of the bands alone, densest at the marks."""
        before = 2 * self.marks_mm[0] - self.marks_mm[1]
        after = 2 * self.marks_mm[-1] - self.marks_mm[-2]
        places = [before - 99 * self.year_mm, before, *self.marks_mm, after, after + 99 * self.year_mm]
        phase = PchipInterpolator(places, [-100.0, *range(-1, self.n_years + 2), self.n_years + 100.0])(depth_mm)
        return self.mean_g_cm3 * (1 + self.cycle_frac * np.cos(2 * np.pi * phase))

    @property
    def year_density_g_cm3(self) -> np.ndarray:
        """Mean density of each whole year."""
        return np.array([self.band_g_cm3(np.linspace(a, b, 400)).mean()
                         for a, b in zip(self.marks_mm[:-1], self.marks_mm[1:], strict=True)])

    def track_g_cm3(self, width_mm: float = 10.0, thickness_mm: float = 5.0) -> np.ndarray:
        """Mean density of each whole year on a track down the axis, with the texture that lies on it."""
        right = np.cross([0.0, 1.0, 0.0], self.way)
        right /= np.linalg.norm(right)
        through = np.cross(right, self.way)
        means = []
        for a, b in zip(self.marks_mm[:-1], self.marks_mm[1:], strict=True):
            s, u, v = np.meshgrid(np.linspace(a, b, 60), np.linspace(-0.5, 0.5, 41) * width_mm,
                                  np.linspace(-0.5, 0.5, 21) * thickness_mm, indexing="ij")
            along = s + 0.004 * (u**2 + v**2)
            means.append(self.density_g_cm3(*(self.top_mm[k] + along * self.way[k] + u * right[k] + v * through[k]
                                              for k in range(3))).mean())
        return np.array(means)

    def density_g_cm3(self, x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
        """Density at places in mm; 0 in air."""
        offset = [p - t for p, t in zip((x, y, z), self.top_mm, strict=True)]
        along = sum(o * w for o, w in zip(offset, self.way, strict=True))
        aside = np.sqrt(np.maximum(sum(o**2 for o in offset) - along**2, 0.0))
        depth = along - 0.004 * aside**2
        grain = map_coordinates(self.texture, [x, y, z], order=1, mode="nearest")
        coral = np.where((depth >= 0) & (along <= self.length_mm) & (aside <= self.radius_mm),
                         self.band_g_cm3(depth) * (1 + grain), 0.0)
        for rod in self.rods:
            coral = np.where(np.hypot(x - rod.x_mm, y - rod.y_mm) <= rod.radius_mm, rod.density_g_cm3, coral)
        return coral

    def slice_hu(self, number: int) -> np.ndarray:
        """One slice, (rows, columns), in Hounsfield units."""
        nx, ny, _ = self.size_px
        y, x = np.mgrid[:ny, :nx] * np.array(self.voxel_mm[1::-1])[:, None, None]
        z = np.full_like(x, number * self.voxel_mm[2])
        dense = self.density_g_cm3(x, y, z)
        values = -1000 + HU_PER_G_CM3 * dense
        if self.cupping_hu:
            for rod in self.rods:
                share = np.clip(np.hypot(x - rod.x_mm, y - rod.y_mm) / rod.radius_mm, 0, 1)
                values -= np.where(share < 1, self.cupping_hu * (1 - share**2), 0.0)
        noise = np.random.default_rng([self.seed, number]).normal(0, 2.5 * self.noise_hu, values.shape)
        return gaussian_filter(values, 0.5) + gaussian_filter(noise, 0.7)

    # -- as a person would write it down ------------------------------------------------------------

    @property
    def points_px(self) -> np.ndarray:
        """Three places in the middle plane of the slab, in voxels: above the surface, down the axis, to the right."""
        right = np.cross([0.0, 1.0, 0.0], self.way)
        right /= np.linalg.norm(right)
        return np.array([self.top_mm, self.top_mm + 0.9 * self.length_mm * self.way, self.top_mm + 15 * right]) / self.voxel_mm

    def standards_text(self) -> str:
        lines = []
        for rod in self.rods:
            x, y = rod.x_mm / self.voxel_mm[0], rod.y_mm / self.voxel_mm[1]
            lines.append(f"  {{ centre_px = [{x:g}, {y:g}], radius_px = {(rod.radius_mm - 0.8) / self.voxel_mm[0]:g}, slices = "
                         f'[20, {self.size_px[2] - 20}], material = "aragonite", density_g_cm3 = {rod.density_g_cm3:g} }},\n')
        return "".join(lines)

    def record_text(self, file: str, track_px: np.ndarray | None, *, more: str = "", thickness_mm: float = 5.0) -> str:
        points = ", ".join(f"[{x:.2f}, {y:.2f}, {k:.2f}]" for x, y, k in self.points_px)
        text = (f'record = 1\n\n[specimen]\nid = "TB-31"\ntaxon = "Porites lutea"\nsite = "Tarefa Bank"\n'
                f'collected = 2019-06-15\ntop_alive = true\n\n[image]\nfile = "{file}"\nkind = "ct"\n\n'
                f"[volume]\npoints_px = [{points}]\nthickness_mm = {thickness_mm:g}\n{more}\n"
                f"[density]\nstandards = [\n{self.standards_text()}]\n\n"
                f'[dating]\nmark = "density maximum"\nmark_date = "09-12"\n')
        if track_px is not None:
            track = ", ".join(f"[{x:.2f}, {y:.2f}]" for x, y in track_px)
            text += f'\n[[track]]\nname = "A"\npoints_px = [{track}]\n'
        return text

    # -- files -----------------------------------------------------------------------------------------

    def write_dicom(self, folder: Path, *, series: int = 2, start_mm: float = -310.0) -> list[Path]:
        """Slices as DICOM files in the order of the slices; names and numbers run the other way."""
        folder.mkdir(parents=True, exist_ok=True)
        paths = []
        for number in range(self.size_px[2]):
            place = (0.0, 0.0, start_mm + number * self.voxel_mm[2])
            path = folder / f"IM{self.size_px[2] - number:04d}"
            write_slice(path, self.slice_hu(number), self.voxel_mm[:2], place, number=self.size_px[2] - number, series=series)
            paths.append(path)
        return paths

    def write_tiff(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        for number in range(self.size_px[2]):
            tifffile.imwrite(folder / f"core_{number + 1}.tif", self.slice_hu(number).round().astype(np.int16))


def write_slice(path: Path, values_hu: np.ndarray, sides_mm: tuple[float, float], place_mm: tuple[float, float, float], *,
                number: int = 1, series: int = 2, directions: tuple[float, ...] = (1, 0, 0, 0, 1, 0), **elements: object) -> None:
    """One slice as a DICOM file of 16 bits, with a name and a private element in it."""
    import pydicom
    from pydicom.dataset import FileDataset, FileMetaDataset
    from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian, generate_uid

    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID, meta.TransferSyntaxUID = CTImageStorage, ExplicitVRLittleEndian
    meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=[str(path)])
    data = FileDataset(str(path), {}, file_meta=meta, preamble=bytes(128))
    data.SOPClassUID, data.SOPInstanceUID, data.Modality = CTImageStorage, meta.MediaStorageSOPInstanceUID, "CT"
    data.PatientName, data.PatientID = PATIENT, "RN-4711"
    data.SeriesInstanceUID, data.SeriesNumber = generate_uid(entropy_srcs=[f"series {series}"]), series
    data.InstanceNumber, data.StudyDate = number, dt.date(2020, 1, 2).strftime("%Y%m%d")
    data.ImagePositionPatient, data.ImageOrientationPatient = [*map(float, place_mm)], [*map(float, directions)]
    data.PixelSpacing, data.SliceThickness, data.KVP = [sides_mm[1], sides_mm[0]], "0.8", "120"
    data.Rows, data.Columns = values_hu.shape
    data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
    data.BitsAllocated, data.BitsStored, data.HighBit, data.PixelRepresentation = 16, 12, 11, 0
    data.RescaleSlope, data.RescaleIntercept = "1", "-1024"
    data.PixelData = np.clip(values_hu.round() + 1024, 0, 4095).astype("<u2").tobytes()
    block = data.private_block(0x0021, "NOBODYS SCANNER", create=True)
    block.add_new(0x01, "LO", PRIVATE_TEXT)
    for name, value in elements.items():
        if value is None:
            del data[name]
        else:
            setattr(data, name, value)
    pydicom.dcmwrite(path, data, enforce_file_format=True)
