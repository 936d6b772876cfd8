"""The text that a new record starts with."""

from __future__ import annotations

from collections.abc import Iterable

from bandkit.record._keys import KEYS
from bandkit.record.model import Kind

# What a new record asks a person for. A line goes when its key is set; the values are examples.
FILL_IN = "# fill in: "
_TEMPLATE: dict[str, tuple[str, ...]] = {
    "specimen": ("taxon", "site", "latitude_deg", "longitude_deg", "depth_m", "collected", "top_alive"),
    "image": ("dense",),
    "scale": ("bar",),
    "density": ("slab_thickness_mm", "slab_thickness_sd_mm", "standards"),
    "dating": ("mark", "mark_date"),
}
_HINTS = {
    "specimen": "id: unique in a batch",
    "scale": 'exactly one of bar, ruler = {}, mm_per_px = 0.1, source = "file"',
    "density": "without standards and thickness: extension only",
    "collected": "needed for calendar years",
    "top_alive": "false: years are counted, not dated",
    "dense": "bright or dark: how dense skeleton is shown",
    "mark": "density maximum, density minimum or luminescent line",
    "mark_date": "month-day that the mark stands for at this site",
}
# A record of a scan asks for other things: its voxels are the scale, its standards are bodies.
_SCAN_TEMPLATE: dict[str, tuple[str, ...]] = {
    "specimen": _TEMPLATE["specimen"],
    "image": (),
    "volume": ("points_px", "thickness_mm", "voxel_mm"),
    "density": ("standards",),
    "dating": _TEMPLATE["dating"],
}
_SCAN_STANDARDS = (
    '[{ centre_px = [60, 60], radius_px = 12, slices = [100, 140], material = "aragonite", density_g_cm3 = 1.55 }]'
)
_SCAN_HINTS = _HINTS | {
    "volume": "the slab that is cut out of the scan",
    "density": "without standards in the scan: extension only",
    "points_px": "[x, y, slice] counted from 0: above, below and to the right in the middle of the slab",
    "thickness_mm": "averaged over this",
    "voxel_mm": "along x, along y, from slice to slice",
    "standards": "boxes (box_px) or cylinders inside things of known density; two at least, one may be air",
}
_XRAY_KEYS = frozenset({"dense", "density"})


def new_record_text(kind: Kind, comment_lines: Iterable[str], *, in_volume: bool = False) -> str:
    """Text of a new record; id, file and kind are empty, for the caller to set.

    Parameters
    ----------
    kind : {"photograph", "radiograph", "luminescence", "ct"}
        What made the image; only what belongs to it is asked for.
    comment_lines : iterable of str
        Comments at the head.
    in_volume : bool, optional
        Whether the image is a scan, out of which a slab is cut.

    Returns
    -------
    str
        TOML that asks, in comments, for what only a person knows.
    """
    lines = [f"# {' '.join(line.split())}".rstrip() for line in comment_lines]
    lines += [f"# Lines with '{FILL_IN.strip()}' hold examples: remove these words and write your own value."]
    lines += ["record = 1"]
    known = {"specimen": ['id = ""'], "image": ['file = ""', 'kind = ""']}
    is_xray = kind in ("radiograph", "ct")
    hints = _SCAN_HINTS if in_volume else _HINTS
    for section, keys in (_SCAN_TEMPLATE if in_volume else _TEMPLATE).items():
        if section in _XRAY_KEYS and not is_xray:
            continue
        hint = f"    # {hints[section]}" if section in hints else ""
        lines += ["", f"[{section}]{hint}", *known.get(section, [])]
        for key in keys:
            if key not in _XRAY_KEYS or is_xray:
                hint = f"    # {hints[key]}" if key in hints else ""
                example = _SCAN_STANDARDS if in_volume and key == "standards" else KEYS[section][key]
                lines.append(f"{FILL_IN}{key} = {example}{hint}")
    return "\n".join(lines) + "\n"
