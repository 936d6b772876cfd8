"""What measuring one slab gives: tables of arrays, lines to draw, provenance.

Everything here is frozen and holds no computation. Tables keep their columns in
the order in which they are written; every float column has its unit in its name.
Missing is NaN (empty in a file), never 0.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from bandkit.budget import BudgetTable, BulkCheck
from bandkit.flags import Flag
from bandkit.stain_tables import BranchTable, ColonyTable, StainProfileTable, StainTable
from bandkit.table import Table
from bandkit.uncertainty import Chronologies, ExtensionErrors, chronology_table

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
StrArray = NDArray[np.str_]

TableName = Literal["growth", "marks", "events", "stains", "tracks", "profile", "chronologies", "budget",
                    "stain_profile", "branches", "colonies"]

RESULT_LAYOUT = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GrowthTable(Table):
    """One row per track and year; see `bandkit.growth` for the definitions.

    ``year`` is the label of the outer mark's year (a count from the outside
    where the series floats) and ``year_lo`` to ``year_hi`` what it may be (90 %);
    ``year_start`` and ``year_end`` are decimal years. ``annual_luminescence`` is the
    summer maximum of the index less the minimum of the winter before it.
    """

    text_columns: ClassVar[frozenset[str]] = frozenset({"specimen", "track", "complete", "certainty", "flags"})
    integer_columns: ClassVar[frozenset[str]] = frozenset({"year", "year_lo", "year_hi"})

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
    year_lo: FloatArray
    year_hi: FloatArray
    annual_luminescence: FloatArray
    density_calibration_sd_g_cm3: FloatArray
    density_beam_sd_g_cm3: FloatArray
    density_thickness_sd_g_cm3: FloatArray
    density_noise_sd_g_cm3: FloatArray
    density_track_sd_g_cm3: FloatArray
    density_picking_sd_g_cm3: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MarkTable(Table):
    """One row per track and annual mark, from the surface inwards.

    ``kind`` is what the mark is: a density maximum or minimum, or a luminescent line. ``compared_with`` and
    ``confirmed_by`` are numbers of other tracks of the slab: on which the band could be looked for, and
    on which it is marked.
    """

    text_columns: ClassVar[frozenset[str]] = frozenset({"specimen", "track", "certainty", "origin", "flags", "kind"})
    integer_columns: ClassVar[frozenset[str]] = frozenset(
        {"mark", "year", "year_lo", "year_hi", "compared_with", "confirmed_by"}
    )

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
    kind: StrArray
    compared_with: FloatArray
    confirmed_by: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EventTable(Table):
    """One row per doublet, stress band, gap and absent year.

    ``depth_mm`` is that of the annual mark of a doublet or of the outer end of a gap,
    ``second_depth_mm`` that of its second crest or inner end. ``year`` is the year that a doublet or an
    absent year is, or that the other events lie in; ``years_least`` and ``years_most`` are
    the years lost in a gap.
    """

    text_columns: ClassVar[frozenset[str]] = frozenset({"specimen", "track", "kind", "certainty", "origin", "note"})
    integer_columns: ClassVar[frozenset[str]] = frozenset({"year", "year_lo", "year_hi", "years_least", "years_most"})

    specimen: StrArray
    track: StrArray
    kind: StrArray
    year: FloatArray
    depth_mm: FloatArray
    second_depth_mm: FloatArray
    certainty: StrArray
    origin: StrArray
    year_lo: FloatArray
    year_hi: FloatArray
    years_least: FloatArray
    years_most: FloatArray
    x_px: FloatArray
    y_px: FloatArray
    note: StrArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrackTable(Table):
    """One row per track: means over whole years, the count and its interval.

    ``years`` lie between the outermost and the innermost mark, ``years_lo`` to ``years_hi`` is its 90 % interval.
    ``years_expected`` counts a doubtful mark as half a year, with ``years_sd``. ``marks_compared`` is the number
    of marks that could be looked for on other tracks, ``marks_confirmed`` that of those that all of them have.
    ``site``, ``colony`` and ``core`` say where the slab belongs; colony and core are the specimen where the record
    names none.
    """

    text_columns: ClassVar[frozenset[str]] = frozenset({"specimen", "track", "flags", "site", "colony", "core"})
    integer_columns: ClassVar[frozenset[str]] = frozenset(
        {"years", "years_lo", "years_hi", "marks_compared", "marks_confirmed"}
    )

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
    years_expected: FloatArray
    years_sd: FloatArray
    marks_compared: FloatArray
    marks_confirmed: FloatArray
    site: StrArray
    colony: StrArray
    core: StrArray


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
    role : {"track", "surface", "mark", "stain", "strip", "event"}
        What it shows; "strip" is the outline of the slab width that was followed.
    label : str
        Text beside it: a year, a date, a name.
    x_px, y_px : ndarray, shape (n_points,)
        Pixel positions.
    certainty : str
        "certain", "doubtful", "inserted" or empty.
    """

    track: str
    role: Literal["track", "surface", "mark", "stain", "strip", "event"]
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
    measured_in, stated_in, stated_unit : str
        What the fields of attenuation hold, and what those of mass per area do: in a scan Hounsfield units, and
        density in g/cm3.
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
    measured_in: str = "attenuation (natural log)"
    stated_in: str = "mass per area"
    stated_unit: str = "g/cm2"


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
    growth, marks, events, stains, tracks, profile : Table
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
    chronologies : mapping of str to Chronologies
        Per track, draws of equally defensible marks with their years.
    errors : mapping of str to ExtensionErrors
        Per track, the errors of the years' extension with their covariance; one row for each row of ``growth``.
    budget : BudgetTable
        What the density of each track is off by, source by source.
    stain_profile, branches, colonies : Table
        Growth since staining in every direction, of each branch, and of the branches of each colony.
    bulk : BulkCheck or None
        Density on the balance beside that of the image.
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
    chronologies: Mapping[str, Chronologies] = field(default_factory=dict)
    errors: Mapping[str, ExtensionErrors] = field(default_factory=dict)
    events: EventTable = field(default_factory=lambda: EventTable.from_rows([]))
    budget: BudgetTable = field(default_factory=lambda: BudgetTable.from_rows([]))
    stain_profile: StainProfileTable = field(default_factory=lambda: StainProfileTable.from_rows([]))
    branches: BranchTable = field(default_factory=lambda: BranchTable.from_rows([]))
    colonies: ColonyTable = field(default_factory=lambda: ColonyTable.from_rows([]))
    bulk: BulkCheck | None = None
    picture: FloatArray | None = None
    picture_step_px: float = 1.0

    def table(self, name: TableName) -> Table:
        """The table of that name."""
        if name == "chronologies":
            return chronology_table(str(self.specimen["id"]), self.chronologies)
        return {
            "growth": self.growth,
            "marks": self.marks,
            "events": self.events,
            "stains": self.stains,
            "tracks": self.tracks,
            "profile": self.profile,
            "budget": self.budget,
            "stain_profile": self.stain_profile,
            "branches": self.branches,
            "colonies": self.colonies,
        }[name]

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
