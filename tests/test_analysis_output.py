import csv
from pathlib import Path

import numpy as np
import pytest
import tifffile
from factories import make_result
from generators.site_series import site
from record_texts import SMALL
from test_analysis_series import rows
from typer.testing import CliRunner

from bandkit.analysis.crossdate_tables import crossdate_levels
from bandkit.analysis.master import master_series
from bandkit.analysis.series import series_from_rows
from bandkit.cli import app
from bandkit.errors import InputError
from bandkit.output.analysis import crossdating_headline, write_crossdating, write_master
from bandkit.output.analysis_figures import MAX_SERIES, crossdating_figure, master_figure
from bandkit.output.crops import suggestion_crop
from bandkit.output.series_files import read_series, slab_folders
from bandkit.output.style import MARK_COLOUR


def write_table(path, series, site_name="Tarefa Bank north", newest=2018):
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["specimen", "track", "year", "start_mm", "end_mm", "extension_mm_yr", "site"])
        for j, column in enumerate(series):
            edge = np.concatenate([[0.0], np.cumsum(column)])
            writer.writerows([f"TB-{j + 1:02d}", "A", newest - i, edge[i], edge[i + 1], value, site_name]
                             for i, value in enumerate(column))
    return path


@pytest.fixture(scope="module")
def one_site(tmp_path_factory):
    series, errors = site(3)
    return write_table(tmp_path_factory.mktemp("site") / "site.csv", series), errors


def rows_of(path):
    with Path(path).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def run(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_crossdate_writes_tables_figure_and_report(one_site, tmp_path):
    path, errors = one_site
    done = run("crossdate", path, "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output
    assert "Colonies of Tarefa Bank north: a common signal" in done.stdout
    assert "a year may be missing near 1990 in TB-08" in done.stdout
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [
        "agreement.csv", "figure_1.png", "indices.csv", "report.html", "segments.csv", "suggestions.csv"]
    told = rows_of(tmp_path / "out" / "suggestions.csv")
    assert {row["specimen"] for row in told} == {f"TB-{error.colony + 1:02d}" for error in errors}
    first = next(row for row in told if row["year"] == "1990")
    band = next(row for row in rows_of(path) if (row["specimen"], row["year"]) == ("TB-08", "1990"))
    assert float(first["start_mm"]) == pytest.approx(float(band["start_mm"]), abs=1e-5)
    (agreement,) = rows_of(tmp_path / "out" / "agreement.csv")
    assert (agreement["common_signal"], agreement["series"], agreement["suggestions"]) == ("yes", "8", "3")
    segments = rows_of(tmp_path / "out" / "segments.csv")
    assert len(segments) == 8 * 3 * 7
    # The inner segment of the core that lacks a year fits best one year older.
    inner = [row for row in segments if row["series"] == "TB-03" and row["year_from"] == "1979" and row["best"] == "yes"]
    assert inner[0]["lag_yr"] == "1"
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "a year may be missing, probability 0.99" in page
    assert f"TB-08 track A at {float(band['start_mm']):.1f} to {float(band['end_mm']):.1f} mm" in page
    assert "nothing has been moved" in page
    assert "http:" not in page
    assert "https:" not in page


def test_crossdate_of_unrelated_series_says_so(tmp_path):
    path = write_table(tmp_path / "site.csv", site(4, r=0.0)[0])
    done = run("crossdate", path, "--out", tmp_path / "out")
    assert done.exit_code == 0
    assert "no common signal: these series agree no better than unrelated ones, and cannot be cross-dated" in done.stdout
    assert rows_of(tmp_path / "out" / "suggestions.csv") == []
    assert "No common signal" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_crossdate_of_one_series_has_nothing_to_compare(tmp_path):
    path = write_table(tmp_path / "one.csv", site(4)[0][:1])
    done = run("crossdate", path, "--out", tmp_path / "out")
    assert done.exit_code == 0
    assert "There are no two series of one slab, colony or site: nothing to compare" in done.stdout


def test_the_same_input_gives_the_same_bytes(one_site, tmp_path):
    for name in ("a", "b"):
        assert run("crossdate", one_site[0], "--out", tmp_path / name).exit_code == 0
        assert run("master", one_site[0], "--out", tmp_path / name / "m", "--draws", "100").exit_code == 0
    for path in sorted((tmp_path / "a").rglob("*.*")):
        assert path.read_bytes() == (tmp_path / "b" / path.relative_to(tmp_path / "a")).read_bytes(), path.name


def test_master_writes_its_table_figure_and_report(one_site, tmp_path):
    done = run("master", one_site[0], "--out", tmp_path, "--draws", "100")
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("Tarefa Bank north: 8 colonies, 1979 to 2018, mean extension_mm_yr 12.598\n")
    table = rows_of(tmp_path / "master.csv")
    assert len(table) == 40
    assert all(float(row["mean_lo"]) < float(row["mean"]) < float(row["mean_hi"]) for row in table)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "no series brought chronologies: the intervals hold no age error" in page


def test_master_without_dated_years_is_told(tmp_path):
    path = tmp_path / "counts.csv"
    path.write_text("specimen,year,start_mm,extension_mm_yr\n" + "".join(f"a,{i},{10 * i},10\n" for i in range(1, 15)))
    done = run("master", path, "--out", tmp_path / "out")
    assert done.exit_code == 4
    assert "no dated series with whole years of extension: there is nothing to average" in done.stderr


def test_results_of_measure_are_read_from_folder_batch_and_json(tmp_path):
    result = make_result()
    folder = result.write(tmp_path)
    for path in (tmp_path, folder, folder / "result.json", folder / "growth.csv"):
        found = read_series([path])
        assert [(one.place.specimen, one.place.track) for one in found] == [(one.place.specimen, one.place.track) for one in read_series([folder])]
        for one, same in zip(found, read_series([folder]), strict=True):
            assert one.place == same.place
            np.testing.assert_allclose(one.values["extension"], same.values["extension"], rtol=1e-9)
            assert (one.chronologies is None) == (same.chronologies is None)
            np.testing.assert_allclose(one.doubled_frac, same.doubled_frac)
    assert found, "the made-up result has no series: this test looks at nothing"


def test_a_table_of_groups_wins_over_the_results(one_site, tmp_path):
    groups = tmp_path / "groups.csv"
    groups.write_text("\ufeffspecimen,colony,site\nTB-01,X,south\nTB-02,X,south\n", encoding="utf-8")
    by_specimen = {one.place.specimen: one.place for one in read_series([one_site[0]], groups)}
    assert (by_specimen["TB-01"].colony, by_specimen["TB-01"].site) == ("X", "south")
    assert (by_specimen["TB-03"].colony, by_specimen["TB-03"].site) == ("TB-03", "Tarefa Bank north")


@pytest.mark.parametrize(("text", "message"), [
    ("specimen;year\na;1\n", "specimen: no such column among specimen;year"),
    ("specimen,year,extension_mm_yr\na,2000\n", "line 2 has not as many cells as the first"),
    ("specimen,year,extension_mm_yr\na,2000,9,5\n", "line 2 has not as many cells as the first; put commas between cells"),
])
def test_tables_that_are_none_are_refused(tmp_path, text, message):
    path = tmp_path / "mine.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=message):
        read_series([path])


def test_a_slab_given_twice_and_a_folder_without_slabs_are_refused(one_site, tmp_path):
    copy = tmp_path / "copy.csv"
    copy.write_bytes(one_site[0].read_bytes())
    with pytest.raises(InputError, match=r"copy.csv: specimen: TB-01 A is in .*site.csv too; give each slab once"):
        read_series([one_site[0], copy])
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="no measured slabs in this folder; give the folder that bandkit measure wrote"):
        read_series([tmp_path / "empty"])
    with pytest.raises(InputError, match=r"no\.csv: cannot be read as a table .*; give a CSV in UTF-8"):
        read_series([tmp_path / "no.csv"])
    run_out = run("crossdate", tmp_path / "no.csv", "--out", tmp_path / "out")
    assert run_out.exit_code == 3


def test_damaged_chronologies_are_named(tmp_path):
    folder = make_result().write(tmp_path)
    (folder / "chronologies.csv").write_text("specimen,track,draw,mark,year,depth_mm\na,A,1,1,x,2\n")
    with pytest.raises(InputError, match=r"chronologies.csv: .*: not the chronologies that bandkit measure writes"):
        read_series([folder])


def test_figures_of_many_series_show_the_doubtful_first():
    series, _ = site(3, n_colonies=16)
    table = [row for j, column in enumerate(series) for row in rows(f"C{j}", years=range(2018, 1978, -1))]
    for row, value in zip(table, np.concatenate(series), strict=True):
        row["extension_mm_yr"] = repr(float(value))
    made = series_from_rows(table, "x")
    (group,) = crossdate_levels(made)
    figure = crossdating_figure(group)
    assert len(figure.axes) == 2 + MAX_SERIES
    names = [text.get_text().split("\n")[0] for ax in figure.axes[2:] for text in ax.texts if "\nr " in text.get_text()]
    suspected = {one.series for one in group.result.suggestions}
    assert suspected
    assert set(names[: len(suspected)]) == suspected
    assert any("4 more series are in the tables" in text.get_text() for text in figure.texts)
    assert len(master_figure(master_series(made, n_bootstrap=20)).axes) == 3


def test_files_come_back_in_the_order_written(one_site, tmp_path):
    series = read_series([one_site[0]])
    groups = crossdate_levels(series)
    written = write_crossdating(tmp_path, groups, series, quantity="extension", trend="smooth", period_yr=30.0)
    assert [path.name for path in written] == ["suggestions.csv", "agreement.csv", "segments.csv", "indices.csv", "figure_1.png", "report.html"]
    assert crossdating_headline(groups) == "1 group compared, 1 with a common signal; 3 places to look at"
    masters = master_series(series, n_bootstrap=20)
    assert [p.name for p in write_master(tmp_path, masters, trend="line", period_yr=30.0, n_bootstrap=20)] == ["master.csv", "figure.png", "report.html"]


# ---- places in the image


def measured_slab(folder):
    """Results with the record and the image that they were made from beside them."""
    picture = np.full((800, 500), 20000, dtype=np.uint16)
    picture[::10] = 30000
    tifffile.imwrite(folder / "a.tif", picture)
    (folder / "TB-07.toml").write_text(SMALL, encoding="utf-8")
    return make_result().write(folder / "bandkit-out")


PLACE = {"specimen": "TB-07", "track": "A", "year": 2017.0, "start_mm": 15.0, "end_mm": 25.0, "kind": "missing"}


def test_the_band_is_cut_out_of_the_image_with_its_marks(tmp_path):
    figure = suggestion_crop(measured_slab(tmp_path), PLACE)
    (ax,) = figure.axes
    # Marks of 2017 and 2016 at y 250 and 350 on x 200: the band's middle is (200, 300), three bands to each side.
    assert ax.get_xlim() == (-0.5, 499.5)
    assert sorted(ax.get_ylim()) == [-0.5, 599.5]
    assert ax.images[0].get_array().shape == (600, 500)
    widths = {text.get_text(): line.get_linewidth() for text, line in zip(ax.texts, [one for one in ax.lines if one.get_color() == MARK_COLOUR], strict=True)}
    assert widths == {"2018": 0.7, "2017": 1.6, "2016": 1.6, "2015": 0.7}
    assert figure.get_suptitle() == "TB-07 track A, 2017: a year missing here?"


@pytest.mark.parametrize("missing", ["a.tif", "TB-07.toml"])
def test_without_image_or_record_there_is_no_crop(tmp_path, missing):
    folder = measured_slab(tmp_path)
    (tmp_path / missing).unlink()
    assert suggestion_crop(folder, PLACE) is None


def test_a_track_without_marks_has_no_crop(tmp_path):
    folder = measured_slab(tmp_path)
    assert suggestion_crop(folder, PLACE | {"track": "Z"}) is None
    assert suggestion_crop(folder, PLACE | {"start_mm": float("nan")}) is None


def test_crops_are_shown_in_the_report(tmp_path):
    folder = measured_slab(tmp_path)
    path = write_table(tmp_path / "site.csv", site(3)[0])
    # The third colony, which lacks a year, is the slab that was measured.
    path.write_text(path.read_text().replace("TB-03", "TB-07x").replace("TB-07,", "TB-33,").replace("TB-07x", "TB-07"))
    series = read_series([path])
    groups = crossdate_levels(series)
    folders = slab_folders([tmp_path / "bandkit-out"])
    assert folders == {"TB-07": folder}
    write_crossdating(tmp_path / "x", groups, series, quantity="extension", trend="smooth", period_yr=30.0, folders=folders)
    page = (tmp_path / "x" / "report.html").read_text(encoding="utf-8")
    assert page.count("The place of a suggestion in the image") == 1
