"""Branches: from a photograph of stained nubbins to tables of tips and of colonies."""

import numpy as np
import pytest
from PIL import Image

import bandkit
from bandkit.errors import RecordError
from bandkit.record import parse_record

CREAM, PINK = np.array([225.0, 212.0, 190.0]), np.array([205.0, 120.0, 140.0])
MM_PX, HALF_MM, BASE_MM = 0.05, 4.0, 30.0
RECORD = """\
record = 1
[specimen]
id = "TB-31"
collected = 2019-06-15
top_alive = true
[image]
file = "nubbins.png"
kind = "photograph"
[scale]
mm_per_px = 0.05
[[stain]]
date = 2019-03-17
dye = "alizarin red S"
"""


def nubbins(lengths_mm, flat=()):
    """Upright branches on black cloth: round tips (or flat ones), stained so far below the tip."""
    width_px = round((2 * HALF_MM + 8.0) / MM_PX)
    picture = np.full((round((BASE_MM + 6.0) / MM_PX), width_px * len(lengths_mm), 3), 8.0)
    y = (np.arange(len(picture)) * MM_PX - 3.0)[:, None]
    for k, length in enumerate(lengths_mm):
        x = ((np.arange(width_px) - width_px / 2) * MM_PX)[None, :]
        roof = 0.0 * x if k in flat else HALF_MM - np.sqrt(np.clip(HALF_MM**2 - x**2, 0, None))
        below = y - length - 0.3 * roof
        dye = np.where(below >= 0, np.exp(-np.clip(below, 0, None)), 0.0)
        inside = (np.abs(x) <= HALF_MM) & (y >= roof) & (y <= BASE_MM)
        colour = CREAM + dye[..., None] * (PINK - CREAM)
        part = picture[:, k * width_px:(k + 1) * width_px]
        part[inside] = colour[inside]
    picture += np.random.default_rng(5).normal(0, 2.0, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8), width_px


def measured(tmp_path, lengths_mm, *, flat=(), more=()):
    picture, width_px = nubbins(lengths_mm, flat)
    Image.fromarray(picture).save(tmp_path / "nubbins.png")
    text = RECORD
    for k in range(len(lengths_mm)):
        x = (k + 0.5) * width_px
        text += f'[[branch]]\nname = "{k + 1}"\npoints_px = [[{x}, 10], [{x}, {len(picture) - 70}]]\n'
        text += more[k] if more else ""
    (tmp_path / "nubbins.toml").write_text(text)
    return bandkit.measure(tmp_path / "nubbins.toml")


@pytest.mark.filterwarnings("error")
def test_tips_and_their_colony(tmp_path):
    result = measured(tmp_path, (6.0, 8.0, 9.0), flat=(1,))
    table = result.branches
    assert table.branch.tolist() == ["1", "2", "3"]
    np.testing.assert_allclose(table.length_mm, [6.0, 8.0, 9.0], atol=0.12)
    assert table.tip.tolist() == ["whole", "flat", "whole"]
    assert [flag.track for flag in result.flags if flag.code == "tip-flat"] == ["2"]
    # 90 days of 365.25; the flat tip is left out of the median.
    (colony,) = result.colonies.rows()
    assert (colony["branches"], colony["measured"]) == (3, 2)
    assert colony["median_mm"] == pytest.approx(7.5, abs=0.12)
    assert colony["largest_mm_yr"] == pytest.approx(9.0 / (90 / 365.25), rel=0.02)
    folder = result.write(tmp_path / "out")
    assert (folder / "branches.csv").read_text().count("\n") == 4
    assert (folder / "branch_colonies.csv").is_file()


def test_colonies_are_kept_apart_and_broken_tips_left_out(tmp_path):
    more = ('colony = "a"\n', 'colony = "b"\n', 'colony = "b"\nbroken = true\n')
    colonies = {row["colony"]: row for row in measured(tmp_path, (6.0, 8.0, 9.0), more=more).colonies.rows()}
    assert colonies["a"]["median_mm"] == pytest.approx(6.0, abs=0.12)
    assert (colonies["b"]["branches"], colonies["b"]["measured"]) == (2, 1)
    assert colonies["b"]["median_mm"] == pytest.approx(8.0, abs=0.12)


@pytest.mark.parametrize(("entry", "message"), [
    ('[[branch]]\nname = " "\npoints_px = [[1, 1], [2, 9]]\n', r"branch\[1\]\.name.*empty, or with blanks"),
    ('[[branch]]\nname = "1"\npoints_px = [[1, 1], [1, 1]]\n', r"branch\[1\]\.points_px.*at least two different points"),
    ('[[branch]]\nname = "1"\npoints_px = [[1, 1], [2, 9]]\n' * 2, r"branch\[2\]\.name.*the name of another branch or track"),
    ("[colour]\ndye_px = [1, 1, 4, 4]\n", r"colour\.clean_px: missing; give dye_px and clean_px, side by side"),
    ('[[stain]]\ndate = 2019-06-10\ndays_excluded = 5\n', r"stain\[2\]\.days_excluded.*not less than the 5 days"),
])
def test_mistakes_are_told(tmp_path, entry, message):
    with pytest.raises(RecordError, match=message):
        parse_record(RECORD + entry, tmp_path / "a.toml")
