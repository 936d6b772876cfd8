"""Staining: the distal-edge rule and the interval's arithmetic.

Sources
-------
Manzello (2006), Coral-List, September 2006: growth is measured from the top (distal) edge of the
stain line, because the dye seeps a few millimetres down the porous skeleton.
Dodge et al. (1984), J. Exp. Mar. Biol. Ecol. 75: calcification depressed for up to six days.
The worked interval is arithmetic: years of 365.25 days.
"""

from datetime import date

import numpy as np
import pytest

from bandkit.dates import years_between
from bandkit.stain import extension_since, find_stains, interval_flags


def test_worked_interval_of_444_days():
    interval = years_between(date(2019, 6, 15), date(2020, 9, 1))
    assert interval * 365.25 == pytest.approx(444)
    extension, sd = extension_since(8.7, 0.2, interval, 0.2)
    assert extension == pytest.approx(7.157, abs=0.002)
    assert sd == pytest.approx(0.233, abs=0.001)
    assert interval_flags(interval) == ("interval-not-whole",)


def test_six_days_lost_in_thirty_is_a_fifth():
    lost_frac = 6 / 30
    assert lost_frac == pytest.approx(0.20)
    assert interval_flags(30 / 365.25)[-1] == "interval-short"


@pytest.mark.parametrize("tail_mm", [0.7, 1.5, 4.0])
def test_distal_edge_not_the_middle_of_the_seepage(tail_mm):
    # A straight line whose dye declines evenly inwards: another shape than the model's.
    rng = np.random.default_rng(7)
    depth, across = np.arange(800) * 0.05, (np.arange(161) - 80) * 0.05
    below = depth - 8.7
    dye = np.clip(below / 0.05 + 0.5, 0, 1) * np.clip(1 - below / (2 * tail_mm), 0, None)
    light = np.array([0.7, 0.66, 0.6]) * np.exp(-0.3 * dye[:, None, None] * np.array([0.05, 1.0, 0.5]))
    light = light * np.exp(0.03 * rng.standard_normal((800, 161, 3)))
    line = find_stains(light, depth, across, full_scale=1.0, count=1, encoding="linear")[0]
    assert line.found
    assert line.depth_mm == pytest.approx(8.7, abs=0.1)


def test_massive_coral_collected_ten_years_after_staining():
    # About a centimetre a year, as massive Porites grow (practice: stain one year, collect years later).
    depth, across = np.arange(1150) * 0.1, (np.arange(101) - 50) * 0.1
    rng = np.random.default_rng(3)
    dye = np.where(depth >= 98.7, np.exp(-(depth - 98.7) / 2.0), 0.0)
    light = np.array([0.7, 0.66, 0.6]) * np.exp(-0.2 * dye[:, None, None] * np.array([0.05, 1.0, 0.5]))
    light = light * np.exp(0.04 * rng.standard_normal((1150, 101, 3)))
    line = find_stains(light, depth, across, full_scale=1.0, count=1, encoding="linear")[0]
    extension, _ = extension_since(line.depth_mm, line.depth_sd_mm, years_between(date(2009, 6, 15), date(2019, 6, 15)))
    assert extension == pytest.approx(9.87, abs=0.02)
