"""Slab records as text, for the tests of the record."""

from __future__ import annotations

SMALL = """\
record = 1
[specimen]
id = "TB-07"
[image]
file = "a.tif"
kind = "radiograph"
[scale]
mm_per_px = 0.1
"""

FULL = """\
record = 1                                # version of this layout

[specimen]
id = "TB-07"                              # required, unique in a batch
taxon = "Porites lutea"
site = "Tarefa Bank north"
latitude_deg = -9.4
longitude_deg = 46.2
depth_m = 4.0
collected = 2019-06-15                    # needed for calendar years
top_alive = true

[image]
file = "TB-07_xray.tif"                   # relative to the record
kind = "radiograph"
dense = "bright"
values = "intensity"                      # linear in the dose
                                          # or optical-density

[scale]                                   # exactly one of three
bar = { from_px = [980, 230], to_px = [982, 730], length_mm = 50.0 }   # measured twice
# sd_frac = 0.002

# ---- density ----
[density]
slab_thickness_mm = 6.5
slab_thickness_sd_mm = 0.1
standards = [                             # beside the slab
  { box_px = [840, 200, 940, 250], material = "aragonite", thickness_mm = 1.0, density_g_cm3 = 2.93 }, # thin
  { box_px = [840, 260, 940, 310], material = "aragonite", thickness_mm = 2.0 },
  { box_px = [840, 320, 940, 370], material = "aragonite", thickness_mm = 5.0 }, # thick
]
effective_kev = 45.0
open_beam_px = [[700, 50, 760, 150]]

[dating]
mark = "density maximum"
mark_date = "09-12"
spacing_mm = 11.0

# ---- tracks ----
[[track]]                                 # the straight one
name = "A"
points_px = [
  [360, 160],   # outside
  [362, 1900],
  [371, 3550],
]
width_mm = 5.0
# follow_mm = 50.0

[[track]]
name = "B"
points_px = [[460, 160], [471, 3550]]

# ---- stainings ----
[[stain]]
date = 2016-06-02
dye = "alizarin red S"
at_px = [371, 840]

[[reading]]
track = "A"
reader = "r1"
read_on = 2020-03-04
blind = false
marks = [ { at_px = [361, 290], certainty = "doubtful" }, { at_px = [361.5, 400.25] } ]

[[mask]]
polygon_px = [[300, 900], [330, 900], [330, 940], [300, 940]]
why = "boring"

[[gap]]                                   # crack
track = "A"
from_px = [362, 2100]
to_px = [362, 2110]
years = [0, 1]
# the end
"""


def changed(old: str, new: str, text: str = FULL) -> str:
    """The text with one part replaced; the part must be there."""
    assert text.count(old) == 1, f"{old!r} is there {text.count(old)} times"
    return text.replace(old, new)
