"""What measuring one slab gives: tables of arrays, lines to draw, provenance.

Everything here is frozen and holds no computation. Tables keep their columns in
the order in which they are written; every float column has its unit in its name.
Missing is NaN (empty in a file), never 0.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Self

import numpy as np
from numpy.typing import NDArray

from bandkit.flags import Flag

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
StrArray = NDArray[np.str_]

TableName = Literal["growth", "marks", "stains", "tracks", "profile"]

RESULT_LAYOUT = 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """Columns of equal length; text columns are listed in ``text_columns``."""

    text_columns: ClassVar[frozenset[str]] = frozenset()
    integer_columns: ClassVar[frozenset[str]] = frozenset()

    def __post_init__(self) -> None:
        lengths = set()
        for name in self.column_names():
            kind = np.str_ if name in self.text_columns else np.float64
            values = np.array(getattr(self, name), dtype=kind)
            values.setflags(write=False)
            object.__setattr__(self, name, values)
            lengths.add(values.shape)
        if len(lengths) > 1 or any(len(shape) != 1 for shape in lengths):
            msg = f"{type(self).__name__}: columns must be 1-D and of equal length, got {sorted(lengths)}"
            raise ValueError(msg)

    @classmethod
    def column_names(cls) -> tuple[str, ...]:
        """Names of the columns in the order in which they are written."""
        return tuple(f.name for f in fields(cls))

    @classmethod
    def from_rows(cls, rows: list[dict[str, Any]]) -> Self:
        """Build a table from rows; a missing number becomes NaN, a missing text empty."""
        columns: dict[str, list[Any]] = {}
        for name in cls.column_names():
            empty: Any = "" if name in cls.text_columns else np.nan
            columns[name] = [row.get(name, empty) for row in rows]
        unknown = {key for row in rows for key in row} - set(columns)
        if unknown:
            msg = f"rows: unknown columns {sorted(unknown)} for {cls.__name__}"
            raise ValueError(msg)
        return cls(**columns)

    @classmethod
    def concatenate(cls, tables: list[Self]) -> Self:
        """Put tables of one kind below one another."""
        names = cls.column_names()
        return cls(**{n: np.concatenate([getattr(t, n) for t in tables]) if tables else [] for n in names})

    def __len__(self) -> int:
        return int(getattr(self, self.column_names()[0]).shape[0])

    def rows(self) -> list[dict[str, Any]]:
        """Rows as dictionaries; text as str, numbers as float."""
        columns = {n: getattr(self, n).tolist() for n in self.column_names()}
        return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GrowthTable(Table):
    """One row per track and year; see `bandkit.growth` for the definitions.

    ``year`` is the label of the outer mark's year (a count from the outside
    where the series floats); ``year_start`` and ``year_end`` are decimal years.
    """

    text_columns: ClassVar[frozenset[str]] = frozenset({"specimen", "track", "complete", "certainty", "flags"})
    integer_columns: ClassVar[frozenset[str]] = frozenset({"year"})

    specimen: StrArray
    track: StrArray
    year: FloatArray
    year_start: FloatArray
    year_end: FloatArray
    start_mm: FloatArray
    end_mm: FloatArray
    extension_mm_yr: FloatArray
    extension_sd_mm_yr: FloatArray
    density_g_cm3: FloatArray
    density_sd_g_cm3: FloatArray
    calcification_g_cm2_yr: FloatArray
    calcification_sd_g_cm2_yr: FloatArray
    complete: StrArray
    certainty: StrArray
    flags: StrArray
    tilt_deg: FloatArray
    extension_picking_sd_mm_yr: FloatArray
    extension_systematic_sd_mm_yr: FloatArray
    density_systematic_sd_g_cm3: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MarkTable(Table):
    """One row per track and annual mark, from the surface inwards."""

    text_columns: ClassVar[frozenset[str]] = frozenset({"specimen", "track", "certainty", "origin", "flags"})
    integer_columns: ClassVar[frozenset[str]] = frozenset({"mark", "year", "year_lo", "year_hi"})

    specimen: StrArray
    track: StrArray
    mark: FloatArray
    year: FloatArray
    depth_mm: FloatArray
    depth_lo_mm: FloatArray
    depth_hi_mm: FloatArray
    probability: FloatArray
    x_px: FloatArray
    y_px: FloatArray
    certainty: StrArray
    origin: StrArray
    year_lo: FloatArray
    year_hi: FloatArray
    flags: StrArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StainTable(Table):
    """One row per track and staining; a stain that is not there is a row too.

    ``extension_mm_yr`` is since the staining; ``increment_mm_yr`` is between this line and the
    next newer one that was found (the surface for the newest). The increments add up to the depth.
    """

    text_columns: ClassVar[frozenset[str]] = frozenset({"specimen", "track", "stain_date", "dye", "found", "flags"})

    specimen: StrArray
    track: StrArray
    stain_date: StrArray
    dye: StrArray
    found: StrArray
    depth_mm: FloatArray
    depth_sd_mm: FloatArray
    x_px: FloatArray
    y_px: FloatArray
    interval_yr: FloatArray
    extension_mm_yr: FloatArray
    extension_sd_mm_yr: FloatArray
    confidence: FloatArray
    flags: StrArray
    increment_mm: FloatArray
    increment_yr: FloatArray
    increment_mm_yr: FloatArray
    increment_sd_mm_yr: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrackTable(Table):
    """One row per track: means over whole years, the count and its interval."""

    text_columns: ClassVar[frozenset[str]] = frozenset({"specimen", "track", "flags"})
    integer_columns: ClassVar[frozenset[str]] = frozenset({"years", "years_lo", "years_hi"})

    specimen: StrArray
    track: StrArray
    length_mm: FloatArray
    mm_per_px: FloatArray
    surface_x_px: FloatArray
    surface_y_px: FloatArray
    years: FloatArray
    years_lo: FloatArray
    years_hi: FloatArray
    mean_extension_mm_yr: FloatArray
    mean_density_g_cm3: FloatArray
    mean_calcification_g_cm2_yr: FloatArray
    flags: StrArray
    mean_extension_sd_mm_yr: FloatArray
    mean_density_sd_g_cm3: FloatArray
    mean_calcification_sd_g_cm2_yr: FloatArray
    scale_sd_frac: FloatArray
    surface_sd_mm: FloatArray
    width_mm: FloatArray
    follow_mm: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProfileTable(Table):
    """One row per sample along a track.

    ``value`` is what the marks were looked for in: mass per area in g/cm2 where the
    image is calibrated, attenuation (dimensionless) or grey or colour index where not.
    """

    text_columns: ClassVar[frozenset[str]] = frozenset({"track"})

    track: StrArray
    depth_mm: FloatArray
    x_px: FloatArray
    y_px: FloatArray
    value: FloatArray
    density_g_cm3: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Polyline:
    """A line to draw on the image.

    Parameters
    ----------
    track : str
        Track that it belongs to.
    role : {"track", "surface", "mark", "stain", "strip"}
        What it shows; "strip" is the outline of the slab width that was followed.
    label : str
        Text beside it: a year, a date, a name.
    x_px, y_px : ndarray, shape (n_points,)
        Pixel positions.
    certainty : str
        "certain", "doubtful", "inserted" or empty.
    """

    track: str
    role: Literal["track", "surface", "mark", "stain", "strip"]
    label: str
    x_px: FloatArray
    y_px: FloatArray
    certainty: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CalibrationResult:
    """The density calibration of one image, for the report and the archive.

    Parameters
    ----------
    attenuation, areal_density_g_cm2 : ndarray, shape (n_standards,)
        Measured attenuation (natural log) and the mass per area stated for each standard.
    fitted_g_cm2, residual_g_cm2 : ndarray, shape (n_standards,)
        What the curve gives at each standard, and stated minus fitted.
    curve_attenuation, curve_g_cm2, curve_sd_g_cm2 : ndarray, shape (n_curve,)
        The curve, for drawing, with its standard deviation.
    labels : tuple of str
        One per standard, such as "aragonite 3.0 mm".
    method : str
        One sentence for the methods paragraph.
    beam_method : str
        How the beam was flattened, one sentence; empty where it was not.
    beam_residual_frac : float
        Scatter of the open beam about its model, as a fraction of intensity.
    parameters : mapping of str to float
        Fitted numbers with units in their names.
    """

    attenuation: FloatArray
    areal_density_g_cm2: FloatArray
    fitted_g_cm2: FloatArray
    residual_g_cm2: FloatArray
    curve_attenuation: FloatArray
    curve_g_cm2: FloatArray
    curve_sd_g_cm2: FloatArray
    labels: tuple[str, ...]
    method: str
    beam_method: str = ""
    beam_residual_frac: float = float("nan")
    parameters: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SlabResult:
    """Everything that was measured on one slab.

    Parameters
    ----------
    specimen : mapping
        The ``[specimen]`` table of the record as plain values (dates as ISO text).
    image : mapping
        File name, kind, size in pixels, bits, format, ``dense``, ``values``, notes.
    scale : mapping
        ``x_mm_px``, ``y_mm_px``, ``sd_frac``, ``source``, ``magnification`` and the bar's ends.
    growth, marks, stains, tracks, profile : Table
        The tables that are written.
    lines : tuple of Polyline
        What is drawn on the image.
    calibration : CalibrationResult or None
        None where there is no density.
    flags : tuple of Flag
        Every doubt, for the slab and for its tracks.
    methods : tuple of str
        Sentences that say what was really done, in the order of the work.
    settings : mapping
        Numbers that steered the measurement.
    provenance : mapping
        ``version``, ``image_sha256``, ``record_sha256``, ``record``, library versions.
    chronologies : mapping of str to list of ndarray
        Per track, draws of equally defensible mark depths in mm.
    picture : ndarray or None, shape (h, w) or (h, w, 3)
        Reduced image for the figure, 0 to 1 as displayed; not kept in ``result.json``.
    picture_step_px : float
        Image pixels per picture pixel.
    """

    specimen: Mapping[str, Any]
    image: Mapping[str, Any]
    scale: Mapping[str, Any]
    growth: GrowthTable
    marks: MarkTable
    stains: StainTable
    tracks: TrackTable
    profile: ProfileTable
    lines: tuple[Polyline, ...]
    calibration: CalibrationResult | None
    flags: tuple[Flag, ...]
    methods: tuple[str, ...]
    settings: Mapping[str, Any]
    provenance: Mapping[str, Any]
    chronologies: Mapping[str, list[FloatArray]] = field(default_factory=dict)
    picture: FloatArray | None = None
    picture_step_px: float = 1.0

    def table(self, name: TableName) -> Table:
        """The table of that name."""
        return {"growth": self.growth, "marks": self.marks, "stains": self.stains, "tracks": self.tracks,
                "profile": self.profile}[name]

    def to_pandas(self, name: TableName) -> pd.DataFrame:
        """One table as a pandas data frame (pandas is imported only here)."""
        import pandas as pd

        table = self.table(name)
        return pd.DataFrame({n: getattr(table, n) for n in table.column_names()})

    def write(self, out: str | Path) -> Path:
        """Write the slab's folder below ``out``, whole or not at all.

        Parameters
        ----------
        out : path
            Folder that receives one folder named after the specimen.

        Returns
        -------
        Path
            The slab's folder.

        Raises
        ------
        OutputError
            When the folder cannot be written; what was there before is kept.
        """
        # Imported here: the result is data, writing it is an edge.
        from bandkit.output import write_slab

        return write_slab(self, Path(out))
