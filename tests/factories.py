"""Small hand-made results: numbers that can be checked by eye."""

from __future__ import annotations

from typing import Any

import numpy as np

from bandkit.flags import Flag
from bandkit.results import (
    CalibrationResult,
    GrowthTable,
    MarkTable,
    Polyline,
    ProfileTable,
    SlabResult,
    StainTable,
    TrackTable,
)
from bandkit.uncertainty import Chronologies, ExtensionErrors

MM_PER_PX = 0.1


def make_chronologies() -> Chronologies:
    """Two draws, of three marks and of two."""
    return Chronologies(
        depth_mm=(np.array([5.0, 15.25, 25.0]), np.array([5.125, 15.0])),
        year=(np.array([2018.0, 2017.0, 2016.0]), np.array([2018.0, 2017.0])),
        floating=False,
    )


def make_errors(years: int) -> ExtensionErrors:
    """A picking error of 0.2 mm at every mark, 1 % of scale and of tilt; the outermost piece has no rate."""
    covariance = 0.04 * (2 * np.eye(years + 1) - np.eye(years + 1, k=1) - np.eye(years + 1, k=-1))
    covariance[0], covariance[:, 0] = np.nan, np.nan
    return ExtensionErrors(
        year=2019.0 - np.arange(years + 1),
        complete=np.arange(years + 1) > 0,
        picking_covariance_mm2_yr2=covariance,
        scale_sd_mm_yr=np.full(years + 1, 0.1),
        tilt_sd_mm_yr=np.full(years + 1, 0.1),
    )


def make_result(**changes: Any) -> SlabResult:
    """A radiograph with one straight track: marks at 5, 15, 25, 35 mm, surface at pixel (200, 100)."""
    specimen_id = changes.pop("specimen_id", "TB-07")
    tracks = changes.pop("track_names", ("A",))
    years = changes.pop("years", 3)
    floating = changes.pop("floating", False)
    values: dict[str, Any] = {
        "specimen": {
            "id": specimen_id,
            "taxon": "Porites lutea",
            "site": "Tarefa Bank north",
            "collected": "2019-06-15",
        },
        "image": {"file": "TB-07_xray.tif", "kind": "radiograph", "width_px": 500, "height_px": 800, "bits": 16},
        "scale": {"x_mm_px": MM_PER_PX, "y_mm_px": MM_PER_PX, "sd_frac": 0.002, "source": "bar", "magnification": 1.0},
        "growth": GrowthTable.from_rows([row for t in tracks for row in growth_rows(specimen_id, t, years)]),
        "marks": MarkTable.from_rows([row for t in tracks for row in mark_rows(specimen_id, t, years)]),
        "stains": StainTable.from_rows([]),
        "tracks": TrackTable.from_rows([track_row(specimen_id, t, years) for t in tracks]),
        "profile": ProfileTable.from_rows([row for t in tracks for row in profile_rows(t, years)]),
        "lines": tuple(line for i, t in enumerate(tracks) for line in lines_of(t, years, x_px=200.0 + 120 * i)),
        "calibration": make_calibration(),
        "flags": (Flag(code="doubtful-mark", track=tracks[0], depth_mm=15.0, detail="probability 0.62"),)
        + ((Flag(code="floating"),) if floating else ()),
        "methods": ("The scale was taken from the bar", "Marks are density maxima."),
        "settings": {"step_mm": 0.05, "follow_mm": [25.0, 50.0]},
        "provenance": {
            "version": "0.1.0",
            "image_sha256": "ab" * 32,
            "record_sha256": "cd" * 32,
            "record": "TB-07.toml",
        },
        "chronologies": {t: make_chronologies() for t in tracks},
        "errors": {t: make_errors(years) for t in tracks},
        "picture": np.linspace(0.0, 1.0, 200 * 125).reshape(200, 125),
        "picture_step_px": 4.0,
    }
    return SlabResult(**{**values, **changes})


def growth_rows(specimen_id: str, track: str, years: int) -> list[dict[str, Any]]:
    """A partial outermost piece, whole years of 10 mm and 1.25 g/cm3, none partial at the inner end."""
    rows: list[dict[str, Any]] = [
        {
            "specimen": specimen_id,
            "track": track,
            "year": 2019,
            "start_mm": 0.0,
            "end_mm": 5.0,
            "complete": "partial",
            "extension_mm_yr": 5.0,
            "flags": "partial",
        }
    ]
    for i in range(years):
        extension, density = 10.0 + i / 3, 1.25 + i / 30
        rows.append({
            "specimen": specimen_id, "track": track, "year": 2018 - i, "year_start": 2017.7 - i, "year_end": 2018.7 - i,
            "start_mm": 5.0 + 10 * i, "end_mm": 15.0 + 10 * i, "extension_mm_yr": extension, "extension_sd_mm_yr": 0.4,
            "density_g_cm3": density, "density_sd_g_cm3": 0.03, "calcification_g_cm2_yr": extension / 10 * density,
            "calcification_sd_g_cm2_yr": 0.05, "complete": "yes", "certainty": "doubtful" if i == 1 else "certain",
            "tilt_deg": 0.0, "extension_picking_sd_mm_yr": 0.35,
            "extension_systematic_sd_mm_yr": 0.1, "density_systematic_sd_g_cm3": 0.02,
        })  # fmt: skip
    return rows


def mark_rows(specimen_id: str, track: str, years: int) -> list[dict[str, Any]]:
    """Marks every 10 mm from 5 mm."""
    return [
        {"specimen": specimen_id, "track": track, "mark": i + 1, "year": 2018 - i, "depth_mm": 5.0 + 10 * i,
         "depth_lo_mm": 4.5 + 10 * i, "depth_hi_mm": 5.5 + 10 * i, "probability": 0.62 if i == 1 else 0.99, "x_px": 200,
         "y_px": 150 + 100 * i, "certainty": "doubtful" if i == 1 else "certain", "origin": "computed",
         "year_lo": 2018 - i, "year_hi": 2018 - i}
        for i in range(years + 1)
    ]  # fmt: skip


def track_row(specimen_id: str, track: str, years: int) -> dict[str, Any]:
    """Means and count of one track."""
    return {
        "specimen": specimen_id, "track": track, "length_mm": 10.0 * years + 8, "mm_per_px": MM_PER_PX,
        "surface_x_px": 200, "surface_y_px": 100, "years": years, "years_lo": years - 1, "years_hi": years,
        "mean_extension_mm_yr": 10.3, "mean_density_g_cm3": 1.28, "mean_calcification_g_cm2_yr": 1.32,
        "mean_extension_sd_mm_yr": 0.2, "mean_density_sd_g_cm3": 0.02, "mean_calcification_sd_g_cm2_yr": 0.03,
        "flags": "doubtful-mark",
    }  # fmt: skip


def profile_rows(track: str, years: int, step_mm: float = 0.5) -> list[dict[str, Any]]:
    """A cycle of 10 mm about 1.3 g/cm3; the sample at 2 mm was not measured."""
    depth = np.arange(0.0, 10.0 * years + 8, step_mm)
    density = 1.3 + 0.15 * np.cos(2 * np.pi * (depth - 5.0) / 10.0)
    density[depth == 2.0] = np.nan
    return [
        {
            "track": track,
            "depth_mm": d,
            "x_px": 200.0,
            "y_px": 100 + d / MM_PER_PX,
            "value": v * 0.65,
            "density_g_cm3": v,
        }
        for d, v in zip(depth.tolist(), density.tolist(), strict=True)
    ]


def lines_of(track: str, years: int, x_px: float = 200.0) -> list[Polyline]:
    """Track, strip outline, surface, marks of one track, straight and level."""
    across = np.array([x_px - 50, x_px + 50])
    end_px = 100 + (10.0 * years + 8) / MM_PER_PX
    lines = [
        Polyline(
            track=track, role="strip", label="", x_px=np.repeat(across, 2), y_px=np.array([100, end_px, end_px, 100.0])
        ),
        Polyline(track=track, role="track", label=track, x_px=np.array([x_px, x_px]), y_px=np.array([60.0, end_px])),
        Polyline(track=track, role="surface", label="", x_px=across, y_px=np.array([100.0, 100.0])),
    ]
    for i in range(years + 1):
        y_px = np.full(2, 150.0 + 100 * i)
        certainty = "doubtful" if i == 1 else "certain"
        lines.append(
            Polyline(track=track, role="mark", label=str(2018 - i), x_px=across, y_px=y_px, certainty=certainty)
        )
    return lines


def make_calibration() -> CalibrationResult:
    """Three aragonite steps on a straight line, the middle one 0.01 g/cm2 off."""
    attenuation = np.array([0.1, 0.2, 0.3])
    stated = np.array([0.3, 0.61, 0.9])
    curve = np.linspace(0, 0.4, 9)
    return CalibrationResult(
        attenuation=attenuation,
        areal_density_g_cm2=stated,
        fitted_g_cm2=3 * attenuation,
        residual_g_cm2=stated - 3 * attenuation,
        curve_attenuation=curve,
        curve_g_cm2=3 * curve,
        curve_sd_g_cm2=np.full(9, 0.01),
        labels=("aragonite 1.0 mm", "aragonite 2.1 mm", "aragonite 3.1 mm"),
        method="Mass per area was read off a straight line through three aragonite steps.",
        parameters={"slope_g_cm2": 3.0, "curvature_g_cm2": float("nan")},
    )


def make_stained(**changes: Any) -> SlabResult:
    """A colour photograph with two stainings, the second of which was not found, and no growth table."""
    stains = [
        {"specimen": "TB-11", "track": "A", "stain_date": "2016-06-02", "dye": "alizarin red S", "found": "yes",
         "depth_mm": 30.0, "depth_sd_mm": 0.12, "x_px": 200, "y_px": 400, "interval_yr": 3.0, "extension_mm_yr": 10.0,
         "extension_sd_mm_yr": 0.05, "confidence": 0.97},
        {"specimen": "TB-11", "track": "A", "stain_date": "2018-06-02", "dye": "alizarin red S", "found": "no",
         "interval_yr": 1.0, "confidence": 0.0, "flags": "stain-not-found"},
    ]  # fmt: skip
    track = Polyline(track="A", role="track", label="A", x_px=np.array([200.0, 200.0]), y_px=np.array([60.0, 600.0]))
    stain = Polyline(
        track="A", role="stain", label="2016-06-02", x_px=np.array([150.0, 250.0]), y_px=np.array([400.0, 400.0])
    )
    base = make_result(
        specimen_id="TB-11",
        growth=GrowthTable.from_rows([]),
        marks=MarkTable.from_rows([]),
        stains=StainTable.from_rows(stains),
        tracks=TrackTable.from_rows(
            [
                {
                    "specimen": "TB-11",
                    "track": "A",
                    "length_mm": 50,
                    "mm_per_px": MM_PER_PX,
                    "surface_x_px": 200,
                    "surface_y_px": 100,
                }
            ]
        ),
        lines=(track, stain),
        calibration=None,
        flags=(Flag(code="stain-not-found", track="A", detail="2018-06-02"),),
        image={"file": "TB-11_photo.png", "kind": "photograph"},
        chronologies={},
        picture=np.full((200, 125, 3), 0.8),
        profile=ProfileTable.from_rows(
            [
                {"track": "A", "depth_mm": d, "x_px": 200, "y_px": 100 + 10 * d, "value": 0.1 + 0.4 * (d == 30)}
                for d in range(50)
            ]
        ),
    )
    return SlabResult(**{**{n: getattr(base, n) for n in base.__dataclass_fields__}, **changes})
