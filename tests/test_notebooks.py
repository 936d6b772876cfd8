"""The notebooks: each runs from a clean start, writes nothing, and prints what its text promises."""

from __future__ import annotations

import json
import os
import re
import shutil
from functools import cache
from pathlib import Path

import nbformat
import pytest

import bandkit

ROOT = Path(__file__).parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
# The longest takes about half a minute alone on one core.
TIMEOUT_S = 240


@cache
def stored(path: Path) -> nbformat.NotebookNode:
    return nbformat.read(path, as_version=4)


def printed(notebook: nbformat.NotebookNode) -> str:
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    return "".join(output.text for output in outputs if output.output_type == "stream" and output.name == "stdout")


def numbers(pattern: str, text: str) -> list[tuple[float, ...]]:
    """What the groups of a pattern match, as numbers; every place where it matches."""
    found = [tuple(map(float, match.groups())) for match in re.finditer(pattern, text)]
    assert found, f"nothing printed matches {pattern!r} in:\n{text}"
    return found


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory):
    """Run a notebook once, in a fresh kernel, beside a copy of the demo images."""
    # Imported here: slow to load, and needed by these tests only.
    from nbclient import NotebookClient

    folder = tmp_path_factory.mktemp("clone")
    shutil.copytree(ROOT / "demo_images", folder / "demo_images")
    (folder / "notebooks").mkdir()

    @cache
    def run_one(path: Path) -> nbformat.NotebookNode:
        before = sorted(folder.rglob("*"))
        notebook = nbformat.from_dict(stored(path))
        # The kernel sees the package that is being tested, installed or not, and keeps to itself.
        here = [str(Path(bandkit.__file__).parents[1]), *filter(None, [os.environ.get("PYTHONPATH")])]
        env = {**os.environ, "PYTHONPATH": os.pathsep.join(here), "IPYTHONDIR": str(tmp_path_factory.mktemp("ipython")),
               "MPLBACKEND": "module://matplotlib_inline.backend_inline"}
        client = NotebookClient(notebook, timeout=TIMEOUT_S, kernel_name="python3",
                                resources={"metadata": {"path": str(folder / "notebooks")}})
        client.execute(env=env)
        assert sorted(folder.rglob("*")) == before, "a notebook must write nothing beside itself"
        return notebook

    return run_one


@pytest.fixture(scope="module")
def table_text(run) -> str:
    return printed(run(ROOT / "notebooks" / "01_image_to_table.ipynb"))


@pytest.fixture(scope="module")
def calibrated_text(run) -> str:
    return printed(run(ROOT / "notebooks" / "02_radiograph_calibrated.ipynb"))


def truth(name: str) -> dict:
    return json.loads((ROOT / "demo_images" / "truth" / f"{name}_truth.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_is_stored_without_outputs_and_without_places_of_one_machine(path: Path) -> None:
    notebook = stored(path)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert [cell.outputs for cell in code] == [[]] * len(code)
    assert {cell.execution_count for cell in code} == {None}
    assert not re.search(r"""["'](/|~|[A-Za-z]:\\)""", "\n".join(cell.source for cell in code))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_says_that_the_slabs_are_simulated(path: Path) -> None:
    first = next(cell.source for cell in stored(path).cells if cell.cell_type == "markdown")
    assert "simulated" in first
    assert "invented" in first


@pytest.mark.notebook
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_runs_and_shows_every_figure(path: Path, run) -> None:
    for cell in run(path).cells:
        if cell.cell_type == "code" and "plt.show()" in cell.source:
            assert any("image/png" in output.get("data", {}) for output in cell.outputs)


@pytest.mark.notebook
def test_scale_agrees_with_the_truth(table_text: str) -> None:
    ((marked,),) = numbers(r"scale: ([\d.]+) mm per pixel", table_text)
    ((found,),) = numbers(r"found by the program: ([\d.]+) mm per pixel", table_text)
    true = truth("TB-07")["mm_per_px"]
    assert marked == pytest.approx(true, rel=1e-3)
    assert found == pytest.approx(true, rel=1e-3)


@pytest.mark.notebook
def test_following_the_bands_is_what_gets_the_marks_right(table_text: str) -> None:
    line = r": (\d+) marks for (\d+) true ones, (\d+) missed, (\d+) invented, median error ([\d.]+) mm"
    ((*followed, followed_mm),) = numbers(f"along the bands, 50 mm wide{line}", table_text)
    ((*_, narrow_mm),) = numbers(f"straight, 5 mm wide{line}", table_text)
    n_true = len(truth("TB-07")["tracks"][0]["mark_depth_mm"])
    assert followed == [n_true, n_true, 0, 0]
    ((*smeared, smeared_mm),) = numbers(f"straight, 50 mm wide{line}", table_text)
    assert sum(smeared[2:]) > 0
    assert followed_mm < min(narrow_mm, smeared_mm)


@pytest.mark.notebook
def test_stage_by_stage_gives_what_one_line_gives(table_text: str) -> None:
    ((staged, staged_sd, n),) = numbers(r"mean extension ([\d.]+) \+- ([\d.]+) mm/yr over (\d+) whole years", table_text)
    ((years, whole, sd),) = numbers(r"track A: (\d+) years .*?\), ([\d.]+) \+- ([\d.]+) mm/yr", table_text)
    assert (n, staged) == (years, pytest.approx(whole, abs=0.03))
    assert staged_sd == pytest.approx(sd, abs=0.02)


@pytest.mark.notebook
def test_means_are_those_of_the_simulation(table_text: str) -> None:
    pairs = numbers(r"mean ([\d.]+), true mean ([\d.]+)", table_text)
    assert len(pairs) == 3
    for measured, true in pairs:
        assert measured == pytest.approx(true, rel=0.03)


@pytest.mark.notebook
def test_stain_lines_are_where_the_dye_is(table_text: str) -> None:
    pairs = numbers(r"found yes, ([\d.]+) mm deep \(truth ([\d.]+)\)", table_text)
    assert len(pairs) == 2
    for measured, true in pairs:
        assert measured == pytest.approx(true, abs=0.3)


@pytest.mark.notebook
def test_each_correction_that_is_left_out_shows_its_face(calibrated_text: str) -> None:
    line = r": rms error ([\d.]+), drift ([+-][\d.]+), A minus B ([+-][\d.]+) g/cm3"
    (every,), (no_beam,), (no_standards,), (one_thickness,) = (
        numbers(way + line, calibrated_text)
        for way in ("all corrections", "no beam", "no standards", "one thickness"))
    assert every[0] < 0.02
    assert min(no_beam[0], no_standards[0], one_thickness[0]) > 2 * every[0]
    assert abs(no_beam[1]) > 0.08 > 4 * abs(every[1])
    # A wedge of 12 % over 60 mm, between tracks 36 mm apart: 7 % of 1.27 g/cm3.
    assert one_thickness[2] == pytest.approx(-0.09, abs=0.02)
    assert abs(every[2]) < 0.02


@pytest.mark.notebook
def test_means_of_the_calibrated_slab_are_those_of_the_simulation(calibrated_text: str) -> None:
    pairs = numbers(r"mean density ([\d.]+) \+- ([\d.]+), truth ([\d.]+) g/cm3", calibrated_text)
    assert len(pairs) == 2
    for measured, sd, true in pairs:
        assert abs(measured - true) < 2 * sd < 0.04


@pytest.mark.notebook
def test_the_balance_agrees_with_the_image(calibrated_text: str) -> None:
    ((z,),) = numbers(r"z = ([+-][\d.]+)", calibrated_text)
    assert abs(z) < 2
    ((pores,),) = numbers(r"pores by the image ([\d.]+)", calibrated_text)
    assert 50 < pores < 60


# ---- how marks are found


@pytest.fixture(scope="module")
def marks_text(run) -> str:
    return printed(run(ROOT / "notebooks" / "03_how_marks_are_found.ipynb"))


@pytest.mark.notebook
def test_length_of_a_year_is_told_by_its_score(marks_text: str) -> None:
    lengths = numbers(r"a year of +([\d.]+) mm, give or take", marks_text)
    assert lengths[0][0] == pytest.approx(10.4, rel=0.04)


@pytest.mark.notebook
def test_two_fixed_marks_put_the_years_about_them_right(marks_text: str) -> None:
    line = r": (\d+) marks \((\d+) to (\d+)\) for (\d+) true ones, (\d+) of these met"
    ((*followed, followed_met),) = numbers(f"along the bands{line}", marks_text)
    ((*_, alone_met),) = numbers(f"told nothing{line}", marks_text)
    ((*told, told_met),) = numbers(f"with two marks fixed{line}", marks_text)
    n_true = len(truth("TB-07")["tracks"][0]["mark_depth_mm"])
    assert followed[0] == followed_met == n_true
    assert alone_met < n_true
    assert told[0] == told_met == n_true
