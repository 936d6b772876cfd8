"""The parts of the report on density's error and on the balance."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from factories import make_result

from bandkit.budget import BudgetTable, BulkCheck
from bandkit.output.document import read_result
from bandkit.output.mass import budget_figure, mass_context
from bandkit.output.report import report_html
from bandkit.results import SlabResult

PNG = b"\x89PNG-not-really"
SD_G_CM3 = {"calibration": 0.008, "beam": 0.004, "thickness": 0.016, "noise": 0.002, "track": 0.03, "picking": 0.01}
SYSTEMATIC = ("calibration", "beam", "thickness")


def budget_of(*tracks: str) -> BudgetTable:
    rows = []
    total = sum(sd**2 for sd in SD_G_CM3.values())
    for track in tracks:
        for source, sd in SD_G_CM3.items():
            kind = "systematic" if source in SYSTEMATIC else "random"
            rows.append({"track": track, "source": source, "kind": kind, "year_sd_g_cm3": sd,
                         "year_share_frac": sd**2 / total, "mean_sd_g_cm3": sd / 2, "mean_share_frac": sd**2 / total})
    return BudgetTable.from_rows(rows)


BULK = BulkCheck(
    piece="slab", weighed_g_cm3=1.300, weighed_sd_g_cm3=0.013, image_g_cm3=1.352, image_sd_g_cm3=0.021, z_score=2.105,
    dry_g=182.4, volume_cm3=140.3, water_density_g_cm3=math.nan, micro_density_g_cm3=2.83, micro_density_sd_g_cm3=0.02,
    micro_source="weighed", weighed_porosity_frac=0.5406, weighed_porosity_sd_frac=0.0056, image_porosity_frac=0.5223,
    image_porosity_sd_frac=0.0082, method="Bulk density of the piece came from its weight in air and the stated volume.")


def weighed_result(**changes: object) -> SlabResult:
    return make_result(budget=budget_of("A"), bulk=replace(BULK, **changes))


def test_every_source_is_told_with_its_share() -> None:
    page = report_html(weighed_result(), PNG)
    assert "What density is off by" in page
    for words in ("calibration curve", "open beam", "slab thickness", "grain of the image", "place and width of the track"):
        assert words in page
    row = mass_context(weighed_result())["budget"][4]
    assert (row["words"], row["kind"]) == ("place and width of the track", "random")
    assert row["year_share_frac"] == pytest.approx(0.0009 / 0.00134)


def test_the_balance_is_told_beside_the_image() -> None:
    facts = dict(mass_context(weighed_result())["bulk"])
    assert facts["On the balance"] == "1.300 ± 0.013 g/cm³"
    assert facts["By the image"] == "1.352 ± 0.021 g/cm³"
    assert facts["Image minus balance"] == "+0.052 g/cm³, +2.1 of their standard deviation together"
    assert facts["Micro-density"] == "2.830 ± 0.020 g/cm³, weighed"
    assert facts["Pores by the image"] == "52.2 ± 0.8 %"
    assert "Water" not in facts


def test_what_is_not_known_of_the_balance_is_left_out() -> None:
    nothing = dict.fromkeys(("image_g_cm3", "image_sd_g_cm3", "z_score", "micro_density_g_cm3"), math.nan)
    facts = dict(mass_context(weighed_result(**nothing, piece="track A", water_density_g_cm3=1.0235))["bulk"])
    assert facts["Compared"] == "track A"
    assert facts["By the image"] == "\N{EN DASH} g/cm³"
    assert facts["Water"] == "1.0235 g/cm³"
    assert not {"Image minus balance", "Micro-density", "Pores by the image"} & set(facts)


def test_a_slab_without_either_has_no_empty_section() -> None:
    page = report_html(make_result(), PNG)
    assert "What density is off by" not in page
    assert "Density on the balance" not in page


def test_figure_has_two_bars_a_track_that_fill_the_width() -> None:
    figure = budget_figure(make_result(budget=budget_of("A", "B")))
    ax = figure.axes[0]
    shares = [patch for patch in ax.patches if patch.get_gid() == "share"]
    assert len(shares) == 2 * 2 * len(SD_G_CM3)
    for place in range(4):
        widths = [patch.get_width() for patch in shares if round(patch.get_y() + 0.33) == place]
        assert sum(widths) == pytest.approx(1.0)
    words = [text.get_text() for text in ax.texts]
    assert "track B, mean of the years" in words
    assert f"± {np.linalg.norm(list(SD_G_CM3.values())):.3f} g/cm³" in words
    # What is common to the slab is plain, what differs between years is hatched: the figure works in grey.
    assert [bool(patch.get_hatch()) for patch in shares[:6]] == [False] * 3 + [True] * 3


def test_figure_of_a_budget_that_is_not_known_is_empty_and_no_crash() -> None:
    budget = budget_of("A")
    unknown = replace(budget, year_share_frac=np.full(6, np.nan), year_sd_g_cm3=np.zeros(6))
    assert budget_figure(make_result(budget=unknown)).axes
    assert budget_figure(make_result()).axes


def test_both_come_back_from_the_document(tmp_path) -> None:
    result = weighed_result()
    result.write(tmp_path)
    back = read_result(tmp_path / "TB-07")
    assert back.bulk.z_score == BULK.z_score
    assert math.isnan(back.bulk.water_density_g_cm3)
    np.testing.assert_array_equal(back.budget.year_sd_g_cm3, result.budget.year_sd_g_cm3)
    assert back.budget.source.tolist() == list(SD_G_CM3)
