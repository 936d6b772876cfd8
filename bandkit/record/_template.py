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
    "scale": 'exactly one of bar, mm_per_px = 0.1, source = "file"',
    "density": "without standards and thickness: extension only",
    "collected": "needed for calendar years",
    "top_alive": "false: years are counted, not dated",
    "dense": "bright or dark: how dense skeleton is shown",
    "mark": "density maximum, density minimum or luminescent line",
    "mark_date": "month-day that the mark stands for at this site",
}
_XRAY_KEYS = frozenset({"dense", "density"})


def new_record_text(kind: Kind, comment_lines: Iterable[str]) -> str:
    """Text of a new record; id, file and kind are empty, for the caller to set.

    Parameters
    ----------
    kind : {"photograph", "radiograph", "luminescence", "ct"}
        What made the image; only what belongs to it is asked for.
    comment_lines : iterable of str
        Comments at the head.

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
    for section, keys in _TEMPLATE.items():
        if section in _XRAY_KEYS and not is_xray:
            continue
        hint = f"    # {_HINTS[section]}" if section in _HINTS else ""
        lines += ["", f"[{section}]{hint}", *known.get(section, [])]
        for key in keys:
            if key not in _XRAY_KEYS or is_xray:
                hint = f"    # {_HINTS[key]}" if key in _HINTS else ""
                lines.append(f"{FILL_IN}{key} = {KEYS[section][key]}{hint}")
    return "\n".join(lines) + "\n"
