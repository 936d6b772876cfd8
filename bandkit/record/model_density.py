"""What a record says of density: standards, thickness, beam."""

from __future__ import annotations

from dataclasses import dataclass

from bandkit.record.model_mass import ThicknessMapSpec, ThicknessPointSpec
from bandkit.record.model_volume import BodySpec, Curve

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardSpec:
    """A patch of known mass per area in the picture.

    Parameters
    ----------
    box_px : tuple of float
        Box x0, y0, x1, y1.
    material : str
        Such as "aragonite" or "aluminium".
    thickness_mm : float
        Along the beam.
    density_g_cm3 : float or None
        None where the density of that material is to be used.
    strontium_wt_pct : float or None
        Strontium of a carbonate standard, percent by weight; None for what is usual: that of the coral in aragonite,
        little in clam, none in calcite.
    """

    box_px: Box
    material: str
    thickness_mm: float
    density_g_cm3: float | None = None
    strontium_wt_pct: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DensitySpec:
    """What turns greys into density.

    Parameters
    ----------
    slab_thickness_mm : float or None
        None where not given: then no density, except from Hounsfield values.
    slab_thickness_sd_mm : float or None
        One standard deviation of the thickness; of one measurement where there are points.
    thickness_points : tuple of ThicknessPointSpec
        Thicknesses at places of the slab, instead of the one value.
    thickness_map : ThicknessMapSpec or None
        An image of the thickness, instead of the one value.
    standards : tuple of StandardSpec
        Empty where there are none in the picture.
    effective_kev : float or None
        Effective energy of the beam.
    open_beam_px : tuple of boxes
        Patches with nothing in the beam; empty where the program shall find them.
    bars_px : tuple of boxes
        Within uniform bars laid along the anode-cathode axis, which show the fall-off of the beam.
    strontium_wt_pct : float or None
        Strontium in the coral, percent by weight; None for what is usual.
    bodies : tuple of BodySpec
        Standards of a scan in Hounsfield units, which has no others.
    curve : {"linear", "quadratic"}
        Form of the curve from Hounsfield units to density.
    """

    slab_thickness_mm: float | None = None
    slab_thickness_sd_mm: float | None = None
    thickness_points: tuple[ThicknessPointSpec, ...] = ()
    thickness_map: ThicknessMapSpec | None = None
    standards: tuple[StandardSpec, ...] = ()
    effective_kev: float | None = None
    open_beam_px: tuple[Box, ...] = ()
    bars_px: tuple[Box, ...] = ()
    strontium_wt_pct: float | None = None
    bodies: tuple[BodySpec, ...] = ()
    curve: Curve = "linear"

    @property
    def has_thickness(self) -> bool:
        """Whether the record says how thick the slab is, in any way."""
        return self.slab_thickness_mm is not None or bool(self.thickness_points) or self.thickness_map is not None
