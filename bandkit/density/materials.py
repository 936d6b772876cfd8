"""What slabs and standards are made of: elements by mass, and density.

A material has a name from the list or a chemical formula, such as "C5H8O2" or "CaCO3". Coral skeleton is
aragonite with strontium in it. Strontium absorbs far more than calcium above its K edge at 16.1 keV, so that 0.8 % of
it by weight raise the attenuation of the skeleton by 8 % at 40 keV: which aragonite a standard is made of matters.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache

from bandkit.errors import CalibrationError

# Strontium in coral skeleton, percent by weight. Sr/Ca of reef corals is 8.5 to 9.5 mmol/mol, mostly near 9 (from
# memory); with calcium at 40.04 % of CaCO3, 9 mmol/mol are 0.009 x 87.62 / 40.078 x 40.04 = 0.79 %.
CORAL_STRONTIUM_WT_PCT = 0.8  # as the record's default
# One standard deviation of that among corals and seasons: 0.35 mmol/mol.
CORAL_STRONTIUM_SD_WT_PCT = 0.03
# Giant clam: Sr/Ca of about 1.5 to 2 mmol/mol (from memory).
CLAM_STRONTIUM_WT_PCT = 0.15

# Relative atomic masses (IUPAC 2021, abridged) of the elements of the shipped table.
ATOMIC_MASSES = {
    "H": 1.008, "Li": 6.94, "B": 10.81, "C": 12.011, "N": 14.007, "O": 15.999, "F": 18.998, "Na": 22.990, "Mg": 24.305,
    "Al": 26.982, "Si": 28.085, "P": 30.974, "S": 32.06, "Cl": 35.45, "Ar": 39.95, "K": 39.098, "Ca": 40.078,
    "Ti": 47.867, "Cr": 51.996, "Mn": 54.938, "Fe": 55.845, "Ni": 58.693, "Cu": 63.546, "Zn": 65.38, "Sr": 87.62,
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """Elements of a material, and its density.

    Parameters
    ----------
    name : str
        As it is called here.
    shares : mapping of str to float
        Share of mass of each element; they add up to 1.
    density_g_cm3 : float or None
        Of the solid; None where a material of that composition has no one density.
    strontium_wt_pct : float or None
        Of a carbonate: its strontium, in percent by weight; None for other materials.
    is_coral : bool
        Whether, as a standard, it is taken to hold the strontium of the coral that is measured.
    """

    name: str
    shares: Mapping[str, float]
    density_g_cm3: float | None = None
    strontium_wt_pct: float | None = None
    is_coral: bool = False


def known_material(name: str, *, strontium_wt_pct: float | None = None) -> Material:
    """Find a material by its name or formula.

    Parameters
    ----------
    name : str
        Such as "aragonite", "clam", "aluminium" or "C5H8O2"; case does not matter for names.
    strontium_wt_pct : float, optional
        Strontium in a carbonate, percent by weight, where it is known; the usual one of that carbonate where absent.

    Returns
    -------
    Material
        "coral" holds the strontium of coral, "clam" little; "calcite", "calcium carbonate" and formulas hold none.
        "aragonite" is the pure mineral by itself; as a standard in a radiograph it is taken to be cut from coral.

    Raises
    ------
    CalibrationError
        For a name that is neither in the list nor a formula of elements of the table.
    """
    plain = " ".join(name.lower().split())
    if plain in _LISTED:
        material = _LISTED[plain]
    else:
        shares = formula_shares(name)
        if shares is None:
            raise CalibrationError(_unknown(name, plain))
        material = Material(name=name.strip(), shares=shares)
    if material.strontium_wt_pct is None or strontium_wt_pct is None:
        return material
    return replace(material, strontium_wt_pct=strontium_wt_pct, shares=_carbonate(strontium_wt_pct), is_coral=False)


def coral_skeleton(strontium_wt_pct: float = CORAL_STRONTIUM_WT_PCT) -> Material:
    """Aragonite of a coral.

    Parameters
    ----------
    strontium_wt_pct : float
        Strontium, in percent by weight.

    Returns
    -------
    Material
        Without a density: a skeleton is porous.
    """
    return Material(name="coral", shares=_carbonate(strontium_wt_pct), strontium_wt_pct=strontium_wt_pct, is_coral=True)


def formula_shares(formula: str) -> dict[str, float] | None:
    """Shares of mass of the elements in a chemical formula.

    Parameters
    ----------
    formula : str
        Such as "C5H8O2" or "Ca5(PO4)3OH"; upper and lower case as chemists write.

    Returns
    -------
    dict or None
        None where the text is not a formula of elements of the table.
    """
    text = formula.strip()
    while group := re.search(r"\(([A-Za-z0-9.]+)\)(\d*\.?\d*)", text):
        inner = "".join(f"{e}{_count(n) * _count(group[2]):g}" for e, n in re.findall(_ATOM, group[1]))
        text = text[: group.start()] + inner + text[group.end() :]
    if not text or not re.fullmatch(f"(?:{_ATOM})+", text):
        return None
    masses: dict[str, float] = {}
    for element, count in re.findall(_ATOM, text):
        if element not in ATOMIC_MASSES:
            return None
        masses[element] = masses.get(element, 0.0) + ATOMIC_MASSES[element] * _count(count)
    total = sum(masses.values())
    return {element: mass / total for element, mass in masses.items()} if total > 0 else None


_ATOM = r"([A-Z][a-z]?)(\d*\.?\d*)"


def _count(text: str) -> float:
    """How many atoms a number behind an element means."""
    return float(text) if text else 1.0


@cache
def _of(formula: str) -> dict[str, float]:
    """Shares of a formula that is known to be one."""
    return formula_shares(formula) or {}


def _carbonate(strontium_wt_pct: float) -> dict[str, float]:
    """Shares of calcium carbonate with strontium."""
    pure = {element: (1 - strontium_wt_pct / 100) * share for element, share in _of("CaCO3").items()}
    return pure | {"Sr": strontium_wt_pct / 100}


def _unknown(name: str, plain: str) -> str:
    """What to say about a material that is not known."""
    near = difflib.get_close_matches(plain, _LISTED, n=1)
    hint = f"did you mean {near[0]!r}? " if near else ""
    return (f"material: {name!r} is not known; {hint}known are {', '.join(sorted(_LISTED))}, and formulas such as "
            "'C5H8O2' of elements up to zinc")


def _listed() -> dict[str, Material]:
    """Every material that has a name here."""
    # Densities of aluminium, water, PMMA, polyethylene, polystyrene, quartz and calcite are usual handbook values,
    # from memory. Aragonite: sshade.eu mineral data (2.93-2.95 in the literature). Air at 20 degrees and 1 atm;
    # epoxy, the diglycidyl ether of bisphenol A, differs by product (1.1-1.25); hydroxyapatite from memory.
    pure = Material(name="calcium carbonate", shares=_of("CaCO3"), strontium_wt_pct=0.0)
    clam = Material(name="clam", shares=_carbonate(CLAM_STRONTIUM_WT_PCT), density_g_cm3=2.93,
                    strontium_wt_pct=CLAM_STRONTIUM_WT_PCT)
    aluminium = Material(name="aluminium", shares=_of("Al"), density_g_cm3=2.699)
    pmma = Material(name="pmma", shares=_of("C5H8O2"), density_g_cm3=1.18)
    air = {"N": 0.7552, "O": 0.2314, "Ar": 0.0129, "C": 0.0005}
    return {
        "aragonite": replace(pure, name="aragonite", density_g_cm3=2.93, is_coral=True), "coral": coral_skeleton(),
        "clam": clam, "clam aragonite": clam, "tridacna": clam,
        "calcite": replace(pure, name="calcite", density_g_cm3=2.71), "calcium carbonate": pure, "caco3": pure,
        "aluminium": aluminium, "aluminum": aluminium, "al": aluminium, "pmma": pmma, "acrylic": pmma,
        "water": Material(name="water", shares=_of("H2O"), density_g_cm3=1.0),
        "polyethylene": Material(name="polyethylene", shares=_of("CH2"), density_g_cm3=0.94),
        "polystyrene": Material(name="polystyrene", shares=_of("C8H8"), density_g_cm3=1.05),
        "quartz": Material(name="quartz", shares=_of("SiO2"), density_g_cm3=2.65),
        "hydroxyapatite": Material(name="hydroxyapatite", shares=_of("Ca5(PO4)3OH"), density_g_cm3=3.16),
        "epoxy": Material(name="epoxy", shares=_of("C21H24O4"), density_g_cm3=1.16),
        "air": Material(name="air", shares=air, density_g_cm3=0.001204),
        "strontium": Material(name="strontium", shares=_of("Sr"), density_g_cm3=2.64),
    }  # fmt: skip


_LISTED = _listed()
