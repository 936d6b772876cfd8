"""The tint of a dye from boxes on the picture."""

import numpy as np
import pytest
from plain_strips import record_of

from bandkit.errors import InputError
from bandkit.stain import ALIZARIN, CALCEIN
from bandkit.stain_lines import dyes_of

STAINED = """
[[stain]]
date = 2016-06-15
dye = "alizarin red S"
[[stain]]
date = 2017-06-15
dye = "Calcein"
"""
BOXES = STAINED + "\n[colour]\nencoding = \"linear\"\ndye_px = [0, 0, 4, 4]\nclean_px = [0, 10, 4, 14]\n"


def picture(dyed):
    image = np.full((20, 20, 3), 0.5)
    image[:5] = dyed
    return lambda x0, y0, x1, y1: image[y0:y1, x0:x1]


def test_dyes_by_their_names():
    assert dyes_of(record_of(STAINED), picture([0.5] * 3), 1.0) == {"alizarin red S": ALIZARIN, "Calcein": CALCEIN}


def test_tint_by_arithmetic():
    # Green halves and blue falls to 0.7: ln(R/G) rises by ln 2, ln(B/G) by ln 1.4.
    dye = dyes_of(record_of(BOXES), picture([0.5, 0.25, 0.35]), 1.0)["alizarin red S"]
    hue = np.degrees(np.arctan2(np.log(1.4), np.log(2.0)))
    assert dye.hues_deg == (pytest.approx(hue),)
    assert dye.hue_lo_deg < hue < dye.hue_hi_deg


def test_boxes_of_one_colour_are_refused():
    with pytest.raises(InputError, match=r"colour\.dye_px: of the same colour as colour\.clean_px; put one on the"):
        dyes_of(record_of(BOXES), picture([0.5, 0.5, 0.5]), 1.0)
