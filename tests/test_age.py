from __future__ import annotations

import csv
import math

import numpy as np
import pytest
from factories import make_result
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner, Result

from bandkit.analysis.age import SIZE_SD_FRAC, age_doubts, colony_ages, estimate_age
from bandkit.analysis.colony import ColonyRate, ColonySize, Slowing, rate_doubts, rate_of_series
from bandkit.analysis.colony_rate import longest_track, rate_of_track
from bandkit.cli import app
from bandkit.errors import InputError
from bandkit.output import write_slab
from bandkit.output.age_report import AgeStory, age_files, age_sentences, age_table, headline, years_text

EXACT = ColonyRate(mean_mm_yr=10.0, sd_mm_yr=0.0)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def story(**changes) -> AgeStory:
    size = changes.pop("size", ColonySize(height_m=2.0, height_sd_m=0.1))
    rate = changes.pop("rate", ColonyRate(mean_mm_yr=10.0, sd_mm_yr=1.0))
    values = {"name": "TB-40", "size": size, "rate": rate, "rate_source": "given",
              "estimates": colony_ages(size, rate, slowing=changes.get("slowing"))}
    return AgeStory(**{**values, **changes})


# ---- size and shape


def test_radius_is_circumference_over_two_pi():
    size = ColonySize(circumference_m=2 * math.pi * 3, circumference_sd_m=2 * math.pi * 0.1)
    assert size.radius_m == pytest.approx(3)
    assert size.radius_sd_m == pytest.approx(0.1)
    assert size.shape == ""


@pytest.mark.parametrize(("height_m", "shape"), [(1.0, "close to a hemisphere"), (1.14, "close to a hemisphere"),
                                                 (1.2, "taller than a hemisphere"), (0.5, "flatter than a hemisphere")])
def test_shape_is_told_from_height_over_radius(height_m, shape):
    assert ColonySize(height_m=height_m, circumference_m=2 * math.pi).shape == shape


def test_both_sizes_give_two_ages_height_first():
    by_height, by_radius = colony_ages(ColonySize(height_m=2.0, circumference_m=2 * math.pi), EXACT)
    assert (by_height.basis, by_radius.basis) == ("height", "radius")
    assert by_height.age_yr == pytest.approx(200)
    assert by_radius.age_yr == pytest.approx(100)
    assert by_height.length_sd_m == pytest.approx(SIZE_SD_FRAC * 2)


# ---- the estimate


def test_interval_of_a_plain_quotient_is_lognormal():
    age = estimate_age(2.0, 0.1, ColonyRate(mean_mm_yr=10.0, sd_mm_yr=1.0))
    off = 1.645 * math.hypot(0.05, 0.1)
    assert age.age_lo_yr == pytest.approx(200 * math.exp(-off), rel=0.01)
    assert age.age_hi_yr == pytest.approx(200 * math.exp(off), rel=0.01)
    assert age.size_share_frac == pytest.approx(0.2, abs=0.02)
    assert age.rate_share_frac == pytest.approx(0.8, abs=0.02)


def test_exact_size_and_rate_give_no_interval():
    age = estimate_age(2.0, 0.0, EXACT)
    assert (age.age_yr, age.age_lo_yr, age.age_hi_yr) == (200, 200, 200)
    assert math.isnan(age.size_share_frac)


def test_counted_years_are_not_extrapolated():
    rate = ColonyRate(mean_mm_yr=10.0, sd_mm_yr=2.0, counted_yr=90.0, counted_mm=900.0, n_years=90)
    age = estimate_age(1.0, 0.0, rate)
    assert age.age_yr == pytest.approx(100)
    # Only the ten unseen years share in the 20 % of the rate.
    assert age.age_hi_yr - age.age_lo_yr == pytest.approx(2 * 1.645 * 0.2 * 10, rel=0.1)


def test_slowing_agrees_with_adding_up_the_years():
    # Independent sum: year by year back from today, the growth of each a little more than that of the next.
    fall = Slowing(frac_per_century=0.2)
    age = estimate_age(3.0, 0.0, EXACT, slowing=fall)
    grown = 0.0
    for step in range(int(age.age_yr * 100)):
        grown += 0.01 * 10.0 * 0.8 ** (-(step + 0.5) * 0.01 / 100)
    assert grown == pytest.approx(3000, rel=2e-4)
    assert age.age_yr < 300
    assert age.mean_rate_mm_yr == pytest.approx(3000 / age.age_yr)


def test_slowing_counts_from_the_middle_of_the_counted_years():
    rate = ColonyRate(mean_mm_yr=10.0, sd_mm_yr=0.0, counted_yr=40.0, counted_mm=400.0, n_years=40)
    age = estimate_age(2.0, 0.0, rate, slowing=Slowing(frac_per_century=0.3))
    grown = sum(0.01 * 10.0 * 0.7 ** (-((step + 0.5) * 0.01 - 20) / 100)
                for step in range(4000, int(age.age_yr * 100)))
    assert grown == pytest.approx(1600, rel=2e-4)


def test_growth_that_rose_may_never_have_begun():
    never = estimate_age(20.0, 0.0, EXACT, slowing=Slowing(frac_per_century=-0.2))
    assert math.isinf(never.age_yr)
    maybe = estimate_age(4.0, 0.0, EXACT, slowing=Slowing(frac_per_century=0.0, sd_frac_per_century=0.3))
    assert math.isinf(maybe.age_hi_yr)
    assert maybe.age_yr == pytest.approx(400)


@given(height_m=st.floats(0.1, 10), rate_mm_yr=st.floats(1, 30), fall=st.floats(-0.05, 0.3))
def test_interval_holds_the_estimate_and_more_size_is_more_age(height_m, rate_mm_yr, fall):
    rate = ColonyRate(mean_mm_yr=rate_mm_yr, sd_mm_yr=0.1 * rate_mm_yr)
    slowing = Slowing(frac_per_century=fall, sd_frac_per_century=0.01)
    age = estimate_age(height_m, 0.05 * height_m, rate, slowing=slowing)
    assert age.age_lo_yr <= age.age_yr <= age.age_hi_yr
    assert estimate_age(1.1 * height_m, 0.05 * height_m, rate, slowing=slowing).age_yr >= age.age_yr


def test_intervals_cover_the_true_age_of_simulated_colonies():
    """Persistent year-to-year growth, a slab of the last years, a taped height: nothing shared with the estimate."""
    rng = np.random.default_rng(20)
    covered, widths = [], []
    for _ in range(300):
        true_age, seen = int(rng.integers(120, 400)), int(rng.integers(15, 60))
        years = np.zeros(true_age)
        years[0] = rng.normal()
        for i in range(1, true_age):
            years[i] = 0.4 * years[i - 1] + math.sqrt(1 - 0.4**2) * rng.normal()
        growth = 12 * np.exp(0.25 * years)
        slab = growth[-seen:]
        rate = rate_of_series(slab, mean_sd_mm_yr=0.01 * slab.mean(), counted_yr=seen, counted_sd_yr=0.0,
                              counted_mm=slab.sum())
        height_m = growth.sum() / 1000 * (1 + 0.04 * rng.normal())
        age = estimate_age(height_m, 0.04 * height_m, rate)
        covered.append(age.age_lo_yr <= true_age <= age.age_hi_yr)
        widths.append((age.age_hi_yr - age.age_lo_yr) / true_age)
    assert 0.84 <= np.mean(covered) <= 0.97
    assert np.median(widths) < 0.5


# ---- growth


def test_rate_of_a_series():
    rate = rate_of_series([8.0, np.nan, 10.0, 12.0], mean_sd_mm_yr=0.5, counted_yr=4, counted_sd_yr=0, counted_mm=40)
    assert (rate.mean_mm_yr, rate.years_sd_mm_yr, rate.n_years) == (10, 2, 3)
    assert rate.year_to_year_ar1 == pytest.approx(0.3)


def test_persistence_is_found_and_corrected_for_shortness():
    rng = np.random.default_rng(5)
    found = []
    for _ in range(400):
        years = [rng.normal()]
        for _ in range(39):
            years.append(0.4 * years[-1] + math.sqrt(0.84) * rng.normal())
        rate = rate_of_series(10 + np.array(years), mean_sd_mm_yr=0, counted_yr=40, counted_sd_yr=0, counted_mm=400)
        found.append(rate.year_to_year_ar1)
    assert np.mean(found) == pytest.approx(0.4, abs=0.05)


def test_independent_years_shrink_with_persistence():
    rate = ColonyRate(mean_mm_yr=10, sd_mm_yr=0, year_to_year_ar1=0.5)
    assert rate.effective(30) == pytest.approx(10)
    assert rate.effective(0.1) == 1


def test_rate_of_a_track_of_a_measured_slab():
    # Whole years of 10, 10.33 and 10.67 mm from 5 to 35 mm; the outermost 5 mm are no whole year.
    slab = make_result()
    rate = rate_of_track(slab, "A")
    assert rate.n_years == 3
    assert rate.mean_mm_yr == pytest.approx(31 / 3)
    assert rate.counted_mm == 35
    assert rate.counted_yr == pytest.approx(3 + 5 / (31 / 3))
    assert rate.sd_mm_yr == pytest.approx(slab.errors["A"].mean_sd_mm_yr())


def test_longest_track_is_taken():
    assert longest_track(make_result(track_names=("A", "B"))) == "A"


@pytest.mark.parametrize(("taxon", "doubtful"), [("Porites lutea", True), ("Acropora yongei", False), ("", False)])
def test_rate_outside_the_genus_is_doubted(taxon, doubtful):
    doubts = rate_doubts(ColonyRate(mean_mm_yr=60, sd_mm_yr=5), taxon)
    assert bool(doubts) == doubtful
    assert all("60.0 mm/yr is outside the 2 to 25 mm/yr known of Porites" in doubt for doubt in doubts)


@pytest.mark.parametrize(("size", "rate_mm_yr", "message"), [
    (ColonySize(height_m=700), 1000, "check that sizes are in metres"),
    (ColonySize(circumference_m=600), 1000, "check that sizes are in metres"),
    (ColonySize(height_m=7), 1.9, "an age over 1000 years is more than massive colonies are put at")])
def test_sizes_and_ages_beyond_the_record_are_doubted(size, rate_mm_yr, message):
    rate = ColonyRate(mean_mm_yr=rate_mm_yr, sd_mm_yr=0)
    (doubt,) = age_doubts(size, colony_ages(size, rate))
    assert message in doubt


def test_large_colonies_on_record_are_not_doubted():
    size = ColonySize(height_m=8, circumference_m=69.4)
    assert age_doubts(size, colony_ages(size, ColonyRate(mean_mm_yr=10, sd_mm_yr=1))) == ()


# ---- refused


@pytest.mark.parametrize(("call", "message"), [
    (lambda: colony_ages(ColonySize(), EXACT), "size: neither height nor circumference is given; give one of them"),
    (lambda: estimate_age(-1.0, 0.1, EXACT), "height_m: -1 is not above 0"),
    (lambda: estimate_age(math.inf, 0.1, EXACT), "height_m: inf is not above 0"),
    (lambda: estimate_age(1.0, -0.1, EXACT, basis="radius"), "radius_sd_m: -0.1 is no error; give a standard deviation"),
    (lambda: estimate_age(1.0, 0.1, ColonyRate(mean_mm_yr=0, sd_mm_yr=1)), "rate_mm_yr: 0 is not above 0"),
    (lambda: estimate_age(1.0, 0.1, ColonyRate(mean_mm_yr=5, sd_mm_yr=math.inf)), "rate_sd_mm_yr: inf is no error"),
    (lambda: estimate_age(1.0, 0.1, EXACT, slowing=Slowing(frac_per_century=1.0)), "slowing: 100 percent per century"),
    (lambda: estimate_age(0.2, 0.01, ColonyRate(mean_mm_yr=10, sd_mm_yr=1, counted_mm=450)),
     "height_m: 0.2 m is less than the 0.45 m counted in the slab; give sizes in metres"),
    (lambda: rate_of_series([10.0, 9.0], mean_sd_mm_yr=0, counted_yr=2, counted_sd_yr=0, counted_mm=19),
     "extension_mm_yr: 2 whole years are too few .* give a rate with its error instead"),
    (lambda: rate_of_track(make_result(), "Z"), "track: 'Z' is not on specimen TB-07; it has 'A'"),
    (lambda: longest_track(make_result(years=0)), "specimen TB-07: no whole year of growth; give a rate"),
])
def test_refused_with_a_remedy(call, message):
    with pytest.raises(InputError, match=message):
        call()


# ---- words, table, figure


def test_headline_says_about_and_the_interval():
    assert headline(story()) == "about 200 years by its height (90 %: 166 to 241)"


def test_a_lost_surface_makes_it_a_minimum():
    lost = story(lost_surface=True)
    assert headline(lost).startswith("at least about 200 years")
    assert any("the age is a minimum" in sentence for sentence in age_sentences(lost))
    assert age_table(lost).minimum.tolist() == ["yes"]


def test_a_dead_top_gives_the_age_at_death():
    dead = story(top_dead=True)
    assert headline(dead).startswith("at least about 200 years")
    assert headline(dead).endswith("when its surface died")
    assert any("years since then come on top" in sentence for sentence in age_sentences(dead))


def test_sentences_say_what_is_assumed():
    size = ColonySize(height_m=2.0, circumference_m=2 * math.pi)
    text = " ".join(age_sentences(story(size=size, assumed_size_sd=size.lacks_sd)))
    for part in ("radius of 1.00 m", "Height over radius is 2.00: taller than a hemisphere", "5 % was taken",
                 "Growth is taken as the same at all ages", "common practice, no source", "about 360 years, 19.4 mm a year",
                 "dead pedestal"):
        assert part in text


def test_sentences_of_a_slab_keep_count_and_age_apart():
    rate = rate_of_track(make_result(), "A")
    text = " ".join(age_sentences(story(rate=rate)))
    assert "at least 3 years" in text
    assert "Bands of a slab are no age of the colony" in text


def test_slowing_is_shown_beside_constant_growth():
    fall = Slowing(frac_per_century=0.1, sd_frac_per_century=0.05)
    both = story(slowing=fall, constant=colony_ages(ColonySize(height_m=2.0, height_sd_m=0.1), EXACT))
    assert age_table(both).growth.tolist() == ["slowing with age", "constant"]
    assert any("With constant growth it would be 200 years" in sentence for sentence in age_sentences(both))


@pytest.mark.parametrize(("years", "text"), [(360.8, "361"), (8.44, "8.4"), (9.97, "10"), (math.inf, "open"), (math.nan, "open")])
def test_years_in_words(years, text):
    assert years_text(years) == text


def test_files_are_the_same_every_time_and_bear_an_open_end():
    open_end = story(slowing=Slowing(frac_per_century=-0.1, sd_frac_per_century=0.4))
    files = age_files(open_end)
    assert math.isinf(open_end.estimates[0].age_hi_yr)
    assert files == age_files(open_end)
    assert set(files) == {"age.csv", "age.png", "age.html"}
    row = next(csv.DictReader(files["age.csv"].decode().splitlines()))
    assert row["age_hi_yr"] == ""
    assert b"open" in files["age.html"]


def test_names_are_escaped_in_page_and_table():
    files = age_files(story(name="=cmd|'/c calc'!A0 <b>$x$"))
    assert b"<b>$x" not in files["age.html"]
    assert files["age.csv"].decode().splitlines()[1].startswith("'=cmd")


# ---- the command


def test_command_writes_and_tells(tmp_path):
    result = run("age", "--height-m", 7, "--circumference-m", 41, "--rate-mm-yr", 19.4, "--rate-sd-mm-yr", 3, "--out", tmp_path)
    assert result.exit_code == 0
    assert result.stderr == ""
    lines = result.stdout.splitlines()
    assert lines[0] == "the colony: about 361 years by its height (90 %: 276 to 473)"
    assert lines[1:] == [str(tmp_path / name) for name in ("age.csv", "age.png", "age.html")]
    rows = list(csv.DictReader((tmp_path / "age.csv").read_text().splitlines()))
    assert [row["basis"] for row in rows] == ["height", "radius"]
    assert float(rows[1]["length_m"]) == pytest.approx(6.525, abs=0.001)


def test_command_takes_a_slab_or_its_table(tmp_path):
    folder = write_slab(make_result(), tmp_path)
    for source in (folder, folder / "result.json", folder / "growth.csv"):
        result = run("age", source, "--height-m", 1, "--out", tmp_path / "age")
        assert result.exit_code == 0, result.stderr
        assert result.stdout.startswith("TB-07: about 97 years by its height")
        assert "3.5 of them counted" in result.stdout.splitlines()[0]


def test_command_knows_a_dead_top_and_a_doubtful_rate(tmp_path):
    specimen = {**make_result().specimen, "top_alive": False, "taxon": "Orbicella faveolata"}
    slab = make_result(specimen=specimen)
    fast = slab.growth.rows()
    for row in fast:
        row["extension_mm_yr"] *= 2
    folder = write_slab(make_result(specimen=specimen, growth=type(slab.growth).from_rows(fast)), tmp_path)
    result = run("age", folder, "--height-m", 1, "--slowing", 5, "--slowing-sd", 2, "--out", tmp_path / "age")
    assert "at least about" in result.stdout
    page = (tmp_path / "age" / "age.html").read_text()
    assert "outside the 5 to 12 mm/yr known of Orbicella" in page
    assert result.stderr.startswith("bandkit: 20.7 mm/yr is outside the 5 to 12")
    assert "fallen by 5 ± 2 %" in page


@pytest.mark.parametrize(("arguments", "message"), [
    (("--height-m", 7), "growth: give either a measured slab of the colony or --rate-mm-yr, and not both"),
    (("--height-m", 7, "--rate-mm-yr", 19), "--rate-sd-mm-yr: not given; say what this colony's mean"),
    (("--rate-mm-yr", 19, "--rate-sd-mm-yr", 3), "size: neither height nor circumference is given"),
    (("nowhere", "--height-m", 7), "nowhere: cannot be read"),
])
def test_command_refuses_with_status_3(arguments, message, tmp_path):
    result = run("age", *arguments, "--out", tmp_path / "age")
    assert result.exit_code == 3
    assert message in result.stderr
    assert len(result.stderr.splitlines()) == 1
    assert not (tmp_path / "age").exists()


def test_command_wants_one_slab(tmp_path):
    for name in ("TB-01", "TB-02"):
        write_slab(make_result(specimen_id=name), tmp_path)
    result = run("age", tmp_path, "--height-m", 1)
    assert result.exit_code == 3
    assert "holds 2 slabs (TB-01, TB-02); an age is that of one colony" in result.stderr
