from __future__ import annotations

import csv
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner, Result

from bandkit.analysis.dose import STOCK_MG_ML, dose_table
from bandkit.analysis.plan import (
    MOST_COLONIES,
    colonies_needed,
    colonies_to_stain,
    half_width_mm_yr,
    plan_staining,
    power_to_see,
)
from bandkit.analysis.plan_aim import Aim, Expected, Losses
from bandkit.cli import app
from bandkit.errors import InputError
from bandkit.output.field_sheets import Sheets, colony_ids, field_sheet_pdf, label_sheet_pdf
from bandkit.output.plan_report import PlanStory, plan_files, plan_lines, plan_sentences
from bandkit.record import parse_record

REEF = Expected(extension_mm_yr=10, colonies_sd_mm_yr=2, years_sd_mm_yr=1.5, shared_years_sd_mm_yr=0.5, measuring_sd_mm=0.3)
ONE = Expected(extension_mm_yr=10, colonies_sd_mm_yr=1)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def simulated_rates(expected: Expected, wait_yr: int, colonies: int, n_sites: int, rng: np.random.Generator) -> np.ndarray:
    """Rates of stained colonies, grown year by year: shape (n_sites, colonies)."""
    own = expected.extension_mm_yr + expected.colonies_sd_mm_yr * rng.standard_normal((n_sites, colonies, 1))
    years = expected.years_sd_mm_yr * rng.standard_normal((n_sites, colonies, wait_yr))
    shared = expected.shared_years_sd_mm_yr * rng.standard_normal((n_sites, 1, wait_yr))
    length = (own + years + shared).sum(axis=2)
    return (length + expected.measuring_sd_mm * rng.standard_normal((n_sites, colonies))) / wait_yr


# ---- spreads


def test_spread_of_a_colony_shrinks_with_the_wait():
    expected = Expected(extension_mm_yr=10, colonies_sd_mm_yr=3, years_sd_mm_yr=4, measuring_sd_mm=12)
    assert expected.colony_sd_mm_yr(1) == pytest.approx(13)
    assert expected.colony_sd_mm_yr(4) == pytest.approx(math.sqrt(9 + 4 + 9))
    assert expected.site_sd_mm_yr(4) == 0


def test_shared_years_are_of_the_site():
    assert REEF.site_sd_mm_yr(4) == pytest.approx(0.25)


@pytest.mark.parametrize("wait_yr", [1, 3])
def test_spread_agrees_with_simulated_colonies(wait_yr):
    rates = simulated_rates(REEF, wait_yr, 5, 20_000, np.random.default_rng(1))
    assert rates.std(axis=1, ddof=1).mean() == pytest.approx(REEF.colony_sd_mm_yr(wait_yr) * 0.94, rel=0.01)
    total = math.hypot(REEF.colony_sd_mm_yr(wait_yr) / math.sqrt(5), REEF.site_sd_mm_yr(wait_yr))
    assert rates.mean(axis=1).std() == pytest.approx(total, rel=0.02)


# ---- precision


def test_half_width_is_students():
    # t of 0.975 with 9 degrees of freedom is 2.262.
    assert half_width_mm_yr(ONE, 1, 10) == pytest.approx(2.262 / math.sqrt(10), abs=1e-3)


def test_half_width_covers_simulated_sites():
    rates = simulated_rates(REEF, 2, 8, 20_000, np.random.default_rng(2))
    mean, sd = rates.mean(axis=1), rates.std(axis=1, ddof=1)
    # What a reader of the plan does: Student's interval of the colonies, widened by the years that the site shares.
    half = np.hypot(2.365 * sd / math.sqrt(8), 1.96 * REEF.site_sd_mm_yr(2))
    assert np.mean(np.abs(mean - 10) <= half) == pytest.approx(0.95, abs=0.01)
    assert half.mean() == pytest.approx(half_width_mm_yr(REEF, 2, 8), rel=0.05)


def test_shared_years_set_a_floor():
    expected = Expected(extension_mm_yr=10, colonies_sd_mm_yr=1, shared_years_sd_mm_yr=1)
    assert half_width_mm_yr(expected, 4, MOST_COLONIES) > 1.96 * 0.5
    (row,) = plan_staining(expected, Aim(half_width_mm_yr=0.9), waits_yr=[4]).rows()
    assert math.isnan(row["colonies_needed"])
    assert row["note"].startswith("the years that a site has in common allow no such precision: wait longer")
    assert colonies_needed(expected, 8, Aim(half_width_mm_yr=0.9)) is not None


# ---- power


@pytest.mark.parametrize(("difference_mm_yr", "colonies"), [(1.0, 17), (0.5, 64), (0.8, 26)])
def test_numbers_of_the_two_sample_test_by_size_of_effect(difference_mm_yr, colonies):
    """The well-known numbers per group for 80 % power at 5 %."""
    assert colonies_needed(ONE, 1, Aim(difference_mm_yr=difference_mm_yr)) == colonies


def test_without_a_difference_power_is_the_level():
    assert power_to_see(REEF, 2, 12, 0.0) == pytest.approx(0.05, abs=1e-6)


@pytest.mark.parametrize(("wait_yr", "colonies", "difference_mm_yr"), [(1, 10, 2.5), (3, 6, 3.0), (2, 25, 1.5)])
def test_power_agrees_with_simulated_sites(wait_yr, colonies, difference_mm_yr):
    expected = Expected(extension_mm_yr=10, colonies_sd_mm_yr=2, years_sd_mm_yr=1.5, measuring_sd_mm=0.3)
    rng = np.random.default_rng(3)
    here = simulated_rates(expected, wait_yr, colonies, 20_000, rng)
    there = simulated_rates(expected, wait_yr, colonies, 20_000, rng) + difference_mm_yr
    pooled = (here.var(axis=1, ddof=1) + there.var(axis=1, ddof=1)) / 2
    from scipy.stats import t

    statistic = (there.mean(axis=1) - here.mean(axis=1)) / np.sqrt(2 * pooled / colonies)
    seen = np.mean(np.abs(statistic) > t.ppf(0.975, 2 * (colonies - 1)))
    assert power_to_see(expected, wait_yr, colonies, difference_mm_yr) == pytest.approx(seen, abs=0.012)


def test_power_with_shared_years_agrees_with_a_test_that_allows_for_them():
    rng = np.random.default_rng(4)
    n, wait_yr = 20, 2
    here = simulated_rates(REEF, wait_yr, n, 20_000, rng)
    there = simulated_rates(REEF, wait_yr, n, 20_000, rng) + 2.0
    pooled = (here.var(axis=1, ddof=1) + there.var(axis=1, ddof=1)) / 2
    statistic = (there.mean(axis=1) - here.mean(axis=1)) / np.sqrt(2 * (pooled / n + REEF.site_sd_mm_yr(wait_yr) ** 2))
    assert power_to_see(REEF, wait_yr, n, 2.0) == pytest.approx(np.mean(np.abs(statistic) > 2.024), abs=0.02)


@settings(max_examples=25)
@given(colonies=st.integers(2, 60), difference_mm_yr=st.floats(0.1, 50), wait_yr=st.floats(0.2, 10))
def test_more_colonies_and_larger_differences_are_seen_better(colonies, difference_mm_yr, wait_yr):
    power = power_to_see(REEF, wait_yr, colonies, difference_mm_yr)
    assert 0.05 - 1e-6 <= power <= 1
    assert power_to_see(REEF, wait_yr, colonies + 1, difference_mm_yr) >= power - 1e-9
    assert power_to_see(REEF, wait_yr, colonies, 1.1 * difference_mm_yr) >= power - 1e-9
    assert half_width_mm_yr(REEF, wait_yr, colonies + 1) < half_width_mm_yr(REEF, wait_yr, colonies)


@pytest.mark.parametrize("aim", [Aim(half_width_mm_yr=0.8), Aim(difference_mm_yr=1.5)])
def test_needed_is_the_fewest(aim):
    n = colonies_needed(ONE, 1, aim)
    if aim.half_width_mm_yr:
        assert half_width_mm_yr(ONE, 1, n) <= 0.8 < half_width_mm_yr(ONE, 1, n - 1)
    else:
        assert power_to_see(ONE, 1, n, 1.5) >= 0.8 > power_to_see(ONE, 1, n - 1, 1.5)


# ---- losses


def test_what_comes_back():
    assert Losses(unstained_frac=0.1, lost_per_yr_frac=0.2).back_frac(2) == pytest.approx(0.9 * 0.64)


def test_nothing_lost_nothing_more_to_stain():
    assert colonies_to_stain(7, 1.0) == 7


def test_one_of_two_comes_back():
    # Of n, at least one with 90 %: 1 - 0.5^n >= 0.9 from n = 4 on.
    assert colonies_to_stain(1, 0.5) == 4


def test_enough_come_back_in_simulated_seasons():
    n = colonies_to_stain(20, 0.7, assurance=0.9)
    rng = np.random.default_rng(6)
    enough = (rng.random((40_000, n)) < 0.7).sum(axis=1) >= 20
    fewer = (rng.random((40_000, n - 1)) < 0.7).sum(axis=1) >= 20
    assert enough.mean() >= 0.895
    assert fewer.mean() < 0.905


# ---- the plan


def test_plan_has_a_row_per_wait():
    table = plan_staining(REEF, Aim(difference_mm_yr=3), waits_yr=[0.1, 1, 2.5], losses=Losses(lost_per_yr_frac=0.1))
    assert table.wait_yr.tolist() == [0.1, 1, 2.5]
    assert table.growth_mm.tolist() == pytest.approx([1, 10, 25])
    assert (table.colonies_to_stain[1:] >= table.colonies_needed[1:]).all()
    assert table.dye_effect_most_frac[1] == pytest.approx(6 / 365.25)
    assert table.note[0].split("; ")[1:] == ["under 60 days: recovery after staining matters",
                                             "growth is less than five times its measuring error"]
    assert table.note[2] == "not a whole number of years: season biases the rate"
    assert table.fewest_to_stain == int(np.nanmin(table.colonies_to_stain))


def test_difference_and_power_of_a_row_fit_together():
    (row,) = plan_staining(REEF, Aim(half_width_mm_yr=1.2), waits_yr=[2]).rows()
    n = int(row["colonies_needed"])
    assert row["power"] == pytest.approx(0.8, abs=1e-4)
    assert power_to_see(REEF, 2, n, row["difference_mm_yr"]) == pytest.approx(0.8, abs=1e-4)


def test_a_given_number_of_colonies_tells_the_wait():
    table = plan_staining(REEF, Aim(difference_mm_yr=2.5), waits_yr=[1, 2, 4])
    first, second, third = table.colonies_to_stain.astype(int)
    assert first > second > third
    assert table.shortest_wait_yr(first) == 1
    assert table.shortest_wait_yr(first - 1) == 2
    assert table.shortest_wait_yr(third - 1) is None
    assert plan_lines(table, second)[-1] == f"{second} stained colonies: enough from a wait of 2 yr on"
    assert plan_lines(table, 2)[-1] == "2 stained colonies: not enough for any of these waits"


def test_too_much_asked():
    table = plan_staining(ONE, Aim(half_width_mm_yr=0.01), waits_yr=[1])
    assert table.note.tolist() == ["not even 500 colonies are enough"]
    assert table.fewest_to_stain is None


def test_doses_are_a_litre_sum():
    # A hemisphere of 20 cm: 2 pi / 3 litres; a bag of four times leaves three times in water.
    table = dose_table([200.0])
    colony = 2 * math.pi / 3
    assert table.colony_litres[0] == pytest.approx(colony)
    assert table.bag_litres[0] == pytest.approx(4 * colony)
    assert table.least_dye_mg[0] == pytest.approx(10 * 3 * colony)
    assert table.most_dye_mg[0] == pytest.approx(20 * 3 * colony)
    assert table.most_stock_ml[0] == pytest.approx(2 * 3 * colony)


def test_stock_is_that_of_the_algal_field_manual():
    # A millilitre of 1 % stock in a bag of 4 litres is 2.5 mg per litre.
    assert STOCK_MG_ML / 4 == 2.5


@pytest.mark.parametrize(("make", "message"), [
    (lambda: Expected(extension_mm_yr=0, colonies_sd_mm_yr=1), "extension_mm_yr: 0 is not above 0"),
    (lambda: Expected(extension_mm_yr=1, colonies_sd_mm_yr=-1), "colonies_sd_mm_yr: -1 is no spread"),
    (lambda: Expected(extension_mm_yr=1, colonies_sd_mm_yr=1, measuring_sd_mm=math.nan), "measuring_sd_mm: nan is no spread"),
    (lambda: Expected(extension_mm_yr=1, colonies_sd_mm_yr=0), "colonies_sd_mm_yr: 0, as all other spreads"),
    (lambda: Losses(lost_per_yr_frac=1.0), "lost_per_yr_frac: 1 is not from 0 to below 1; 0.1 stands for one in ten"),
    (Aim, "aim: give one of precision_mm_yr .* and difference_mm_yr"),
    (lambda: Aim(half_width_mm_yr=1, difference_mm_yr=1), "aim: give one of"),
    (lambda: Aim(half_width_mm_yr=0), "precision_mm_yr: 0 is not above 0"),
    (lambda: Aim(difference_mm_yr=-1), "difference_mm_yr: -1 is not above 0"),
    (lambda: Aim(difference_mm_yr=1, power=80), "power: 80 is not from 0.5 to below 1; 0.8 and 0.95 are usual"),
    (lambda: plan_staining(ONE, Aim(half_width_mm_yr=1), waits_yr=[0]), "wait_yr: 0 is not above 0"),
    (lambda: colony_ids("=1+1", 3), "prefix: '=1\\+1' cannot begin the id of a specimen"),
    (lambda: colony_ids("TB", 1000), "colonies: 1000 from 1 on cannot be printed"),
])
def test_refused_with_a_remedy(make, message):
    with pytest.raises(InputError, match=message):
        make()


# ---- sheets


@pytest.mark.parametrize(("arguments", "ids"), [
    (("TB", 2), ("TB-01", "TB-02")), (("TB", 3, 99), ("TB-099", "TB-100", "TB-101")), (("x_1.b", 1), ("x_1.b-01",))])
def test_ids_count_on(arguments, ids):
    prefix, number, *first = arguments
    assert colony_ids(prefix, number, first=first[0] if first else 1) == ids


@pytest.mark.parametrize("prefix", ["TB", "a.b_c-", "9", "A" * 40])
def test_ids_of_the_sheets_are_specimen_ids(tmp_path, prefix):
    for name in colony_ids(prefix, 3, first=98):
        text = ('record = 1\n[specimen]\nid = "NAME"\n[image]\nfile = "a.png"\nkind = "photograph"\n[scale]\nmm_per_px = 0.1\n'
                '[[track]]\nname = "A"\npoints_px = [[5, 1], [5, 30]]\n').replace("NAME", name)
        assert parse_record(text, tmp_path / "a.toml").specimen.id == name


SHEETS = Sheets(stained=colony_ids("TB", 14), controls=colony_ids("TB", 2, first=15), site="Tarefa Bank $north$")


def test_sheets_are_the_same_bytes_every_time_and_undated():
    for draw in (field_sheet_pdf, label_sheet_pdf):
        content = draw(SHEETS)
        assert content.startswith(b"%PDF")
        assert content == draw(SHEETS)
        assert b"CreationDate" not in content


def test_sheets_have_pages_for_all_colonies():
    # Sixteen colonies: two pages each for staining and collection; 32 labels: two pages of 24.
    assert field_sheet_pdf(SHEETS).count(b"/Type /Page ") == 4
    assert label_sheet_pdf(SHEETS).count(b"/Type /Page ") == 2


def texts_of(content: bytes) -> list[str]:
    pdfium = pytest.importorskip("pypdfium2")
    document = pdfium.PdfDocument(content)
    pages = []
    for page in document:
        text = page.get_textpage()
        pages.append(text.get_text_bounded())
        text.close()
        page.close()
    document.close()
    return pages


def test_sheets_show_every_id_and_the_cautions():
    field, labels = texts_of(field_sheet_pdf(SHEETS)), texts_of(label_sheet_pdf(SHEETS))
    for name in SHEETS.ids:
        assert sum(name in page for page in field) == 2
        assert "".join(labels).count(name) == 2
    assert field[1].count("no dye") == 2
    assert field[0].count("no dye") == 0
    assert "Tarefa Bank $north$" in field[0]
    for word in ("gloves", "permits", "CITES", "Dive only", "went on and came off"):
        assert word in field[0]


# ---- report


def story(aim: Aim, **changes) -> PlanStory:
    losses = changes.pop("losses", Losses())
    table = plan_staining(changes.pop("expected", REEF), aim, waits_yr=[1, 2], losses=losses)
    return PlanStory(expected=REEF, aim=aim, losses=losses, table=table, **changes)


@pytest.mark.parametrize("aim", [Aim(half_width_mm_yr=1.3), Aim(difference_mm_yr=2.5)])
def test_report_is_the_same_every_time_and_warns(aim):
    sheets = Sheets(stained=colony_ids("TB", 2))
    files = plan_files(story(aim, sheets=sheets))
    assert files == plan_files(story(aim, sheets=sheets))
    assert set(files) == {"plan.csv", "dose.csv", "plan.png", "plan.html", "field_sheet.pdf", "labels.pdf"}
    page = files["plan.html"].decode()
    for part in ("Common practice, no recipe", "Dodge et al. 1984", "Holcomb et al. 2013", "permits", "TB-01 to TB-02"):
        assert part in page


def test_sentences_ask_for_losses_and_shared_years():
    text = " ".join(plan_sentences(PlanStory(expected=ONE, aim=Aim(half_width_mm_yr=1), losses=Losses(),
                                             table=plan_staining(ONE, Aim(half_width_mm_yr=1), waits_yr=[1]))))
    assert "No losses were given" in text
    assert "No good or bad years that the whole site shares" in text


def test_lines_for_the_terminal():
    first, second = plan_lines(plan_staining(ONE, Aim(difference_mm_yr=1), waits_yr=[1, 0.5]))
    assert first == "wait 1 yr: stain 17, so that 17 come back; 10 mm of growth"
    assert second.endswith("(not a whole number of years: season biases the rate)")


# ---- the command

BASE = ("plan", "--extension-mm-yr", 10, "--colonies-sd-mm-yr", 2, "--years-sd-mm-yr", 1.5)


def test_command_writes_plan_and_sheets(tmp_path):
    result = run(*BASE, "--precision-mm-yr", 1.5, "--unstained", 10, "--lost-per-yr", 10, "--prefix", "TB", "--out", tmp_path)
    assert result.exit_code == 0
    assert result.stderr == ""
    assert len(result.stdout.splitlines()) == 5 + 6
    rows = list(csv.DictReader((tmp_path / "plan.csv").read_text().splitlines()))
    assert [row["wait_yr"] for row in rows] == ["1", "2", "3", "4", "5"]
    fewest = min(int(row["colonies_to_stain"]) for row in rows)
    assert f"{fewest} colonies to stain and 2 without dye, TB-01 to TB-{fewest + 2}" in (tmp_path / "plan.html").read_text()


def test_command_takes_waits_and_a_number_of_colonies(tmp_path):
    result = run(*BASE, "--difference-mm-yr", 3, "--wait-yr", 1.5, "--colonies", 4, "--controls", 0, "--out", tmp_path)
    assert result.exit_code == 0
    assert result.stdout.startswith("wait 1.5 yr: ")
    assert "4 colonies to stain, C-01 to C-04" in (tmp_path / "plan.html").read_text()


def test_command_that_asks_too_much_is_status_4(tmp_path):
    result = run(*BASE, "--precision-mm-yr", 0.01, "--out", tmp_path)
    assert result.exit_code == 4
    assert result.stderr == "bandkit: no wait in the plan is enough: ask for less, or wait longer with --wait-yr\n"
    assert (tmp_path / "plan.html").is_file()


@pytest.mark.parametrize(("arguments", "message"), [
    ((), "aim: give one of precision_mm_yr"), (("--precision-mm-yr", 1, "--unstained", 100), "unstained_frac: 1 is not"),
    (("--precision-mm-yr", 1, "--prefix", "a b"), "prefix: 'a b' cannot begin the id")])
def test_command_refuses_with_status_3(arguments, message, tmp_path):
    result = run(*BASE, *arguments, "--out", tmp_path / "plan")
    assert result.exit_code == 3
    assert message in result.stderr
    assert not (tmp_path / "plan").exists()


def test_command_without_growth_is_wrong_usage():
    assert run("plan", "--precision-mm-yr", 1).exit_code == 2
