"""The keys of a slab record, and what to say about a key that is not one of them."""

from __future__ import annotations

import re

# Every table of the record, its keys in the order of the layout, and a value as an example of each.
# Tables inside tables are named with a dot; an example that starts with "[" may be a list of tables.
KEYS: dict[str, dict[str, str]] = {
    "": {
        "record": "1",
        "specimen": "[specimen]",
        "image": "[image]",
        "scale": "[scale]",
        "photograph": "[photograph]",
        "volume": "[volume]",
        "density": "[density]",
        "bulk": "[bulk]",
        "dating": "[dating]",
        "track": "[[track]]",
        "stain": "[[stain]]",
        "colour": "[colour]",
        "branch": "[[branch]]",
        "reading": "[[reading]]",
        "mask": "[[mask]]",
        "gap": "[[gap]]",
        "event": "[[event]]",
    },
    "specimen": {
        "id": '"TB-07"',
        "taxon": '"Porites lutea"',
        "site": '"Tarefa Bank north"',
        "colony": '"TB-07"',
        "core": '"TB-07 2"',
        "latitude_deg": "-9.4",
        "longitude_deg": "46.2",
        "depth_m": "4.0",
        "collected": "2019-06-15",
        "top_alive": "true",
    },
    "image": {
        "file": '"TB-07_xray.tif"',
        "kind": '"radiograph"',
        "dense": '"bright"',
        "values": '"intensity"',
    },
    "volume": {
        "points_px": "[[256, 256, 0], [256, 256, 799], [400, 256, 0]]",
        "thickness_mm": "5.0",
        "voxel_mm": "[0.4, 0.4, 0.6]",
        "px_mm": "0.4",
        "series": "2",
    },
    "scale": {
        "bar": "{ from_px = [980, 230], to_px = [982, 730], length_mm = 50.0 }",
        "ruler": "{ from_px = [60, 30], to_px = [62, 900], tick_mm = 1.0 }",
        "rectify": "{ corners_px = [[90, 80], [930, 95], [905, 610], [110, 590]], width_mm = 150, height_mm = 100 }",
        "mm_per_px": "0.1",
        "source": '"file"',
        "sd_frac": "0.002",
        "source_to_detector_mm": "1000.0",
        "slab_to_detector_mm": "10.0",
    },
    "scale.bar": {
        "from_px": "[980, 230]",
        "to_px": "[982, 730]",
        "within_px": "[900, 200, 1100, 800]",
        "length_mm": "50.0",
    },
    "scale.ruler": {
        "from_px": "[60, 30]",
        "to_px": "[62, 900]",
        "within_px": "[20, 10, 110, 920]",
        "tick_mm": "1.0",
    },
    "scale.rectify": {
        "corners_px": "[[90, 80], [930, 95], [905, 610], [110, 590]]",
        "width_mm": "150.0",
        "height_mm": "100.0",
    },
    "photograph": {
        "record": '"TB-07_photo.toml"',
        "landmarks": "[{ here_px = [310, 150], there_px = [1240, 610] }]",
        "fit": '"similarity"',
    },
    "photograph.landmarks": {
        "here_px": "[310, 150]",
        "there_px": "[1240, 610]",
    },
    "density": {
        "slab_thickness_mm": "6.5",
        "slab_thickness_sd_mm": "0.1",
        "thickness_points": "[{ at_px = [362, 900], thickness_mm = 6.4 }]",
        "thickness_map": '{ file = "TB-07_thickness.tif", mm_per_grey = 0.001 }',
        "standards": '[{ box_px = [840, 200, 940, 250], material = "aragonite", thickness_mm = 1.0 }]',
        "curve": '"linear"',
        "effective_kev": "45.0",
        "open_beam_px": "[[700, 50, 760, 150]]",
        "bars_px": "[[40, 0, 80, 3600], [1140, 0, 1180, 3600]]",
        "strontium_wt_pct": "0.8",
    },
    "density.standards": {
        "box_px": "[840, 200, 940, 250]",
        "centre_px": "[890, 225]",
        "radius_px": "20",
        "slices": "[100, 140]",
        "material": '"aragonite"',
        "thickness_mm": "1.0",
        "density_g_cm3": "2.93",
        "strontium_wt_pct": "0.8",
    },
    "density.thickness_points": {
        "at_px": "[362, 900]",
        "thickness_mm": "6.4",
    },
    "density.thickness_map": {
        "file": '"TB-07_thickness.tif"',
        "mm_per_grey": "0.001",
    },
    "bulk": {
        "dry_g": "182.40",
        "volume_cm3": "141.2",
        "coated_g": "190.15",
        "coated_buoyant_g": "41.20",
        "coat_density_g_cm3": "0.90",
        "buoyant_g": "117.30",
        "water_deg_c": "24.0",
        "salinity_psu": "35.0",
        "water_density_g_cm3": "1.0235",
        "micro_density_g_cm3": "2.83",
        "weight_sd_g": "0.02",
        "volume_sd_cm3": "0.7",
        "track": '"A"',
        "polygon_px": "[[300, 300], [420, 300], [420, 3400], [300, 3400]]",
    },
    "dating": {
        "mark": '"density maximum"',
        "mark_date": '"09-12"',
        "spacing_mm": "11.0",
    },
    "track": {
        "name": '"A"',
        "points_px": "[[360, 160], [371, 3550]]",
        "width_mm": "5.0",
        "follow_mm": "50.0",
    },
    "stain": {
        "date": "2016-06-02",
        "dye": '"alizarin red S"',
        "at_px": "[371, 840]",
        "days_excluded": "6",
    },
    "colour": {
        "encoding": '"srgb"',
        "dye_px": "[320, 838, 420, 846]",
        "clean_px": "[320, 790, 420, 830]",
    },
    "branch": {
        "name": '"1"',
        "points_px": "[[120, 80], [150, 420]]",
        "colony": '"TB-31a"',
        "broken": "false",
    },
    "reading": {
        "track": '"A"',
        "reader": '"r1"',
        "read_on": "2026-03-04",
        "blind": "false",
        "marks": '[{ at_px = [361, 290], certainty = "certain" }]',
        "role": '"all"',
    },
    "reading.marks": {
        "at_px": "[361, 290]",
        "certainty": '"certain"',
    },
    "mask": {
        "polygon_px": "[[300, 900], [330, 900], [330, 940]]",
        "why": '"boring"',
    },
    "gap": {
        "track": '"A"',
        "from_px": "[362, 2100]",
        "to_px": "[362, 2110]",
        "years": "[0, 1]",
    },
    "event": {
        "track": '"A"',
        "at_px": "[361, 520]",
        "kind": '"doublet"',
        "note": '"bleaching seen in 2016"',
    },
}

# What the ending of a name says, longest first.
_UNITS = {
    "_g_cm3": "g/cm3",
    "_deg_c": "degrees Celsius",
    "_per_grey": "millimetres for each step of grey",
    "_cm3": "cubic centimetres",
    "_psu": "practical salinity",
    "_frac": "a fraction",
    "_kev": "keV",
    "_deg": "degrees",
    "_mm": "millimetres",
    "_px": "pixels",
    "_g": "grams",
    "_m": "metres",
}
# Likeness above which a near key is surely meant, as difflib counts it.
_LIKE = 0.6
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_UNIT_ENDING = re.compile(
    r"_(g_cm3|g_cc|kg_m3|g_ml|frac|percent|pct|kev|ev|kvp?|mev|degrees?|deg|rad|mm|cm|um|nm|m|inch|inches|in|px|pixels?|dpi|yr|years?)$"
)


def key_path(table: str, key: str) -> str:
    """Write the way to a key, such as ``scale.bar.length_mm``.

    Parameters
    ----------
    table : str
        The way to its table; empty for the top level.
    key : str
        The key.

    Returns
    -------
    str
        Both with a dot between; a key that is not plain letters is put in quotes.
    """
    shown = key if _BARE_KEY.fullmatch(key) else repr(key[:60])
    return f"{table}.{shown}" if table else shown


def unit_of(key: str) -> str:
    """Unit that the name of a key states.

    Parameters
    ----------
    key : str
        A known key.

    Returns
    -------
    str
        The unit in words; empty where the name states none.
    """
    return next((unit for ending, unit in _UNITS.items() if key.endswith(ending)), "")


def unknown_key_remedy(table: str, key: str) -> str:
    """What to write instead of a key that the record does not have.

    Parameters
    ----------
    table : str
        Name in `KEYS` of the table that holds it.
    key : str
        The unknown key.

    Returns
    -------
    str
        The nearest known key with its unit, and where it belongs.
    """
    here = KEYS[table]
    for known in here:
        if _stem(known) == _stem(key):
            return f"the nearest known key is {_with_unit(known)}; write {known} = {here[known]}"
    if (place := _place_of(key)) is not None:
        return f"the nearest known key is {key} in {_header(place)}; move it there, or use one of {', '.join(here)}"
    # Imported here: only a mistake needs it.
    from difflib import SequenceMatcher, get_close_matches

    nearest = get_close_matches(key[:80].lower(), here, n=1, cutoff=0.0)[0]
    if SequenceMatcher(None, nearest, key[:80].lower()).ratio() >= _LIKE:
        return f"the nearest known key is {_with_unit(nearest)}"
    return f"the nearest known key is {_with_unit(nearest)}; known here: {', '.join(here)}"


def _stem(key: str) -> str:
    """A key in small letters without its unit."""
    return _UNIT_ENDING.sub("", key.lower().replace("-", "_"))


def _with_unit(key: str) -> str:
    """A known key with its unit in words."""
    unit = unit_of(key)
    return f"{key} (in {unit})" if unit and unit != "a fraction" else key


def _place_of(key: str) -> str | None:
    """Name of the table that knows this very key; None where no table does."""
    return next((table for table, keys in KEYS.items() if key in keys), None)


def _header(table: str) -> str:
    """How a table is written in the file."""
    if not table:
        return "the top of the file"
    first, _, rest = table.partition(".")
    return f"{rest} of {KEYS[''][first]}" if rest else KEYS[""][first]
