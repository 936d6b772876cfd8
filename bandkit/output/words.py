"""Numbers and doubts in words, the same in the figure, the report and the index."""

from __future__ import annotations

import math
from dataclasses import dataclass

from bandkit.flags import FLAG_MEANINGS, Flag
from bandkit.results import SlabResult

# An error of 0.25 is told as 0.25, one of 0.35 as 0.4: rounding costs at most a sixth of it.
_TWO_DIGITS_BELOW = 3.0

# Longest list of places beside the figure; all of them are in the report.
_MOST_WHERE = 80

_FLOATING = frozenset({"floating", "no-collection-date"})
_VALUE_NAMES = {
    "radiograph": "attenuation",
    "ct": "CT value",
    "luminescence": "luminescence",
    "photograph": "brightness",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagGroup:
    """One kind of doubt and all places where it was met.

    Parameters
    ----------
    number : int
        Number beside it on the figure, from 1.
    code : str
        Flag code.
    meaning : str
        The code in words.
    places : tuple of str
        Such as "track A at 34.5 mm"; empty where it concerns the whole slab.
    details : tuple of str
        The values behind it, each once.
    flags : tuple of Flag
        The flags themselves.
    """

    number: int
    code: str
    meaning: str
    places: tuple[str, ...]
    details: tuple[str, ...]
    flags: tuple[Flag, ...]

    @property
    def short_text(self) -> str:
        """Where, what, and the value behind it where there is only one."""
        where = "; ".join(self.places)
        if len(where) > _MOST_WHERE:
            where = f"{where[:_MOST_WHERE].rsplit(',', 1)[0]} and more"
        text = f"{where}: {self.meaning}" if where else self.meaning[:1].upper() + self.meaning[1:]
        return f"{text} ({self.details[0]})" if len(self.details) == 1 else text


def group_flags(flags: tuple[Flag, ...]) -> tuple[FlagGroup, ...]:
    """Gather flags by code, in the order in which the codes first appear.

    Parameters
    ----------
    flags : tuple of Flag
        All flags of a slab.

    Returns
    -------
    tuple of FlagGroup
        One per code.
    """
    codes = dict.fromkeys(flag.code for flag in flags)
    groups = []
    for number, code in enumerate(codes, start=1):
        same = tuple(flag for flag in flags if flag.code == code)
        groups.append(
            FlagGroup(
                number=number,
                code=code,
                meaning=FLAG_MEANINGS[code],
                places=_places(same),
                details=tuple(dict.fromkeys(flag.detail for flag in same if flag.detail)),
                flags=same,
            )
        )
    return tuple(groups)


def _places(flags: tuple[Flag, ...]) -> tuple[str, ...]:
    """Where flags of one kind lie: one text per track, with all its depths."""
    depths: dict[str, list[float]] = {}
    for flag in flags:
        at = depths.setdefault(flag.track, [])
        if flag.depth_mm is not None and math.isfinite(flag.depth_mm):
            at.append(flag.depth_mm)
    places = []
    for track, at in depths.items():
        name = f"track {track}" if track else ""
        where = ", ".join(f"{depth:.1f}" for depth in sorted(set(at)))
        text = f"{name} at {where} mm".strip() if where else name
        if text:
            places.append(text)
    return tuple(places)


def number_text(value: float | None, decimals: int = 2) -> str:
    """Write a number for a person; a dash where it was not measured.

    Parameters
    ----------
    value : float or None
        The number; NaN or None where not measured.
    decimals : int
        Decimals, two being enough for every rate here.

    Returns
    -------
    str
        The number or an en dash.
    """
    if value is None or not math.isfinite(value):
        return "\N{EN DASH}"
    # Adding zero turns what rounds to a negative zero into a plain one.
    return f"{round(value, decimals) + 0.0:.{decimals}f}"


def error_text(value: float, sd: float) -> str:
    """Write a number with its standard deviation, both to the digits the error allows.

    Parameters
    ----------
    value : float
        The number; NaN where not measured.
    sd : float
        One standard deviation; NaN where unknown.

    Returns
    -------
    str
        Such as "11.3 ± 0.2".
    """
    if not math.isfinite(value):
        return "\N{EN DASH}"
    if not math.isfinite(sd) or sd <= 0:
        return f"{value:.3g}"
    # One digit of the error, two where it begins with 1 or 2; never past a thousandth.
    power = math.floor(math.log10(sd))
    digits = 1 if sd / 10.0**power < _TWO_DIGITS_BELOW else 0
    decimals = min(max(digits - power, 0), 3)
    return f"{value:.{decimals}f} \N{PLUS-MINUS SIGN} {sd:.{decimals}f}"


def count_text(count: float, low: float, high: float) -> str:
    """Write a count with its interval.

    Parameters
    ----------
    count : float
        Number of years; NaN where not counted.
    low, high : float
        Ends of its 90 % interval; NaN where unknown.

    Returns
    -------
    str
        Such as "25 (24 to 26)".
    """
    if not math.isfinite(count):
        return "\N{EN DASH}"
    known = math.isfinite(low) and math.isfinite(high)
    return f"{count:.0f} ({low:.0f} to {high:.0f})" if known else f"{count:.0f}"


def is_floating(result: SlabResult) -> bool:
    """Whether the years of a slab are counts, not calendar years.

    Parameters
    ----------
    result : SlabResult
        The measured slab.

    Returns
    -------
    bool
        True where the series is not tied to a calendar.
    """
    return any(flag.code in _FLOATING for flag in result.flags)


def unit_text(unit: str) -> str:
    """A unit as it is printed.

    Parameters
    ----------
    unit : str
        Such as "g/cm3".

    Returns
    -------
    str
        With its powers raised.
    """
    return unit.replace("2", "\N{SUPERSCRIPT TWO}").replace("3", "\N{SUPERSCRIPT THREE}")


def value_name(result: SlabResult) -> str:
    """What ``value`` of the profile is, in words.

    Parameters
    ----------
    result : SlabResult
        The measured slab.

    Returns
    -------
    str
        Name with its unit where it has one.
    """
    stated = result.image.get("signal")
    if stated:
        return str(stated)
    if result.calibration is not None:
        return f"{result.calibration.stated_in} ({unit_text(result.calibration.stated_unit)})"
    kind = str(result.image.get("kind", ""))
    if kind == "photograph" and len(result.stains):
        return "redness"
    return _VALUE_NAMES.get(kind, "value")


def caption(result: SlabResult) -> str:
    """Second line of the heading: image, scale.

    Parameters
    ----------
    result : SlabResult
        The measured slab.

    Returns
    -------
    str
        Parts that are known, joined by dots.
    """
    scale = result.scale
    across, along = float(scale["x_mm_px"]), float(scale["y_mm_px"])
    size = number_text(across, 4) if math.isclose(across, along, rel_tol=1e-4) else f"{across:.4f} x {along:.4f}"
    source = {
        "bar": "from the bar given",
        "bar found": "from the bar found",
        "ruler": "from the ruler given",
        "ruler found": "from the ruler found",
        "corners": "in the plane of four corners",
        "mm_per_px": "as given",
        "file": "as the file states",
    }.get(str(scale.get("source", "")), "")
    parts = [result.image.get("file"), result.image.get("kind"), f"{size} mm per pixel {source}".strip()]
    return "  \N{MIDDLE DOT}  ".join(str(part) for part in parts if part)
