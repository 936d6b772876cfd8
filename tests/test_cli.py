from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from fake_slabs import write_slab
from typer.testing import CliRunner, Result

from bandkit._version import __version__
from bandkit.cli import app
from bandkit.errors import ImageReadError, RecordError


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_version():
    assert run("--version").stdout == f"bandkit {__version__}\n"


def test_help_names_every_command():
    text = run("--help").stdout
    for name in ("demo", "new", "cut", "check", "measure", "simulate", "crossdate", "master"):
        assert f"\n  {name} " in text


@pytest.mark.parametrize("arguments", [
    ("measure",), ("measure", "a.toml", "--workers", "0"), ("measure", "a.toml", "--frobnicate"), ("unheard-of",),
    ("simulate", "x", "--grade", "cosy"), ("simulate", "x", "--n", "0")])
def test_wrong_usage_is_status_2(arguments):
    result = run(*arguments)
    assert result.exit_code == 2
    assert "Usage" in result.stderr


# ---- measure


def test_measure_prints_reports_and_key_numbers_on_stdout(tmp_path, fake_measure):
    record = write_slab(tmp_path, "TB-01")
    result = run("measure", record)
    out = tmp_path / "bandkit-out"
    assert result.exit_code == 0
    assert result.stderr == ""
    lines = result.stdout.splitlines()
    assert lines[0] == str(out / "TB-01" / "report.html")
    assert lines[1].startswith("  track A: 3 (")
    assert lines[1].endswith("g/cm2/yr")
    assert " mm/yr, " in lines[1]
    assert lines[-1] == str(out / "index.html")
    assert (out / "TB-01" / "growth.csv").is_file()


def test_measure_says_what_has_not_changed(tmp_path, fake_measure):
    record = write_slab(tmp_path, "TB-01")
    run("measure", record)
    assert run("measure", record).stdout.splitlines()[0].endswith("report.html  (unchanged)")
    assert fake_measure.calls == ["TB-01"]


def test_measure_takes_a_folder_and_another_place_for_results(tmp_path, fake_measure):
    for name in ("TB-01", "TB-02"):
        write_slab(tmp_path, name)
    result = run("measure", tmp_path, "--out", tmp_path / "results")
    assert result.exit_code == 0
    assert sorted(fake_measure.calls) == ["TB-01", "TB-02"]
    assert (tmp_path / "results" / "TB-02" / "report.html").is_file()
    assert not (tmp_path / "bandkit-out").exists()


def test_measure_part_rejected_is_status_4_and_one_line_each(tmp_path, fake_measure):
    records = [write_slab(tmp_path, name) for name in ("TB-01", "EMPTY")]
    result = run("measure", *records)
    assert result.exit_code == 4
    assert result.stderr == f"bandkit: nothing-measured: {records[1]}: nothing on it\n"
    assert "TB-01" in result.stdout


@pytest.mark.parametrize(("content", "message"), [
    ("record = ", "bad-record: "), ('record = 1\n[specimen]\nid = "A"\n', "bad-record: ")])
def test_measure_single_bad_record_is_status_3(tmp_path, content, message):
    record = tmp_path / "a.toml"
    record.write_text(content)
    result = run("measure", record)
    assert result.exit_code == 3
    assert result.stderr.startswith(f"bandkit: {message}{record}: ")
    assert len(result.stderr.splitlines()) == 1


def test_measure_single_slab_with_nothing_on_it_is_status_4(tmp_path, fake_measure):
    assert run("measure", write_slab(tmp_path, "EMPTY")).exit_code == 4


def test_measure_defect_is_status_1_and_debug_shows_where(tmp_path, fake_measure):
    record = write_slab(tmp_path, "BUG")
    plain = run("measure", record)
    assert plain.exit_code == 1
    assert "a defect in bandkit, not in the slab: IndexError: index 7 out of bounds" in plain.stderr
    assert "Traceback" not in plain.stderr
    assert "Traceback" in run("measure", record, "--debug").stderr


def test_measure_interrupted_is_status_130_and_tells_how_to_go_on(tmp_path, fake_measure):
    records = [write_slab(tmp_path, name) for name in ("TB-01", "STOP", "TB-02")]
    result = run("measure", *records)
    assert result.exit_code == 130
    assert result.stderr == (
        f"bandkit: stopped; 1 slab is whole in {tmp_path / 'bandkit-out'}; the same command goes on from there\n")


def test_measure_where_out_is_a_file_is_status_3(tmp_path, fake_measure):
    (tmp_path / "out").touch()
    result = run("measure", write_slab(tmp_path, "TB-01"), "--out", tmp_path / "out")
    assert result.exit_code == 3
    assert result.stderr.endswith("cannot be made (File exists); choose another folder with --out\n")


def test_measure_empty_folder_is_status_3(tmp_path):
    result = run("measure", tmp_path)
    assert result.exit_code == 3
    assert result.stderr.startswith(f"bandkit: {tmp_path}: no record (*.toml) in this folder")


def test_defect_outside_a_slab_is_status_1_with_a_hint(tmp_path, fake_measure, monkeypatch):
    def broken(*_args: object, **_kwargs: object) -> None:
        msg = "no such luck"
        raise KeyError(msg)

    monkeypatch.setattr("bandkit.batch.measure_batch", broken)
    result = run("measure", write_slab(tmp_path, "TB-01"))
    assert result.exit_code == 1
    assert result.stderr == ("bandkit: a defect in bandkit, please report it: KeyError: 'no such luck'; "
                             "the same command with --debug shows where\n")


# ---- check


def test_check_lists_doubts_a_line_each_and_is_status_0(tmp_path):
    record = write_slab(tmp_path, "TB-01")
    result = run("check", record)
    assert result.exit_code == 0
    assert result.stderr == ""
    lines = result.stdout.splitlines()
    assert lines
    for line in lines:
        path, code, key, message = line.split(": ", 3)
        assert path == str(record)
        assert code
        assert " " not in code
        assert key
        assert message
    assert any(line.split(": ")[1] == "no-collection-date" for line in lines)


def test_check_demo_records(demo_images):
    result = run("check", demo_images)
    assert result.exit_code == 0
    assert result.stderr == ""


def test_check_bad_record_is_status_3_and_the_others_are_checked(tmp_path):
    bad = tmp_path / "bad.toml"
    bad.write_text("record = 2\n")
    good = write_slab(tmp_path, "TB-01")
    result = run("check", bad, good)
    assert result.exit_code == 3
    assert result.stderr.startswith(f"bandkit: {bad}: ")
    assert str(good) in result.stdout


def test_check_missing_image_is_status_3(tmp_path):
    record = write_slab(tmp_path, "TB-01")
    (tmp_path / "TB-01.png").unlink()
    result = run("check", record)
    assert result.exit_code == 3
    assert "TB-01.png" in result.stderr


def test_check_track_outside_the_image_is_status_3(tmp_path):
    record = write_slab(tmp_path, "TB-01")
    record.write_text(record.read_text().replace("[5, 30]", "[5, 3000]"))
    result = run("check", record)
    assert result.exit_code == 3
    assert "3000" in result.stderr


# ---- new


def test_new_prints_the_record_that_it_wrote(tmp_path, monkeypatch):
    written: list[Path] = []

    def write_record(image: Path) -> Path:
        if image.name == "bad.png":
            msg = f"{image}: empty"
            raise ImageReadError(msg)
        written.append(image)
        return image.with_suffix(".toml")

    monkeypatch.setattr("bandkit.propose.write_record", write_record)
    result = run("new", tmp_path / "a.png", tmp_path / "bad.png", tmp_path / "b.png")
    assert [path.name for path in written] == ["a.png", "b.png"]
    assert result.stdout.splitlines() == [str(tmp_path / "a.toml"), str(tmp_path / "b.toml")]
    assert result.stderr == f"bandkit: {tmp_path / 'bad.png'}: empty\n"
    assert result.exit_code == 3


def test_new_ends_with_the_status_of_its_only_error(tmp_path, monkeypatch):
    def refuse(image: Path) -> Path:
        msg = f"{image.with_suffix('.toml')}: there already"
        raise RecordError(msg)

    monkeypatch.setattr("bandkit.propose.write_record", refuse)
    assert run("new", tmp_path / "a.png").exit_code == 3


# ---- demo, simulate


def test_demo_copies_and_measures_and_says_where_the_report_is(tmp_path, fake_measure):
    folder = tmp_path / "demo"
    result = run("demo", folder)
    assert result.exit_code == 0
    assert fake_measure.calls == ["TB-07", "TB-12", "TB-19"]
    index = folder / "bandkit-out" / "index.html"
    assert index.is_file()
    assert str(index) in result.stdout.splitlines()
    assert f"open {index} in a browser" in result.stderr


def test_demo_keeps_what_a_person_changed(tmp_path, fake_measure):
    folder = tmp_path / "demo"
    run("demo", folder)
    record = folder / "TB-07.toml"
    record.write_text(record.read_text() + "# mine\n")
    assert run("demo", folder).exit_code == 0
    assert record.read_text().endswith("# mine\n")
    assert fake_measure.calls == ["TB-07", "TB-12", "TB-19", "TB-07"]


def test_demo_where_nothing_can_be_written_is_status_3(tmp_path):
    (tmp_path / "demo").touch()
    result = run("demo", tmp_path / "demo")
    assert result.exit_code == 3
    assert "the demo slabs cannot be copied here" in result.stderr


@pytest.mark.slow
def test_simulate_writes_images_records_and_truth(tmp_path):
    result = run("simulate", tmp_path, "--seed", 5, "--n", 2, "--grade", "easy")
    assert result.exit_code == 0
    records = [Path(line) for line in result.stdout.splitlines()]
    assert len(records) == 2
    for record in records:
        assert json.loads((tmp_path / f"{record.stem}_truth.json").read_text())
        assert run("check", record).exit_code == 0


# ---- as a program


def program(*arguments: object, **options: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", "from bandkit.cli import main; main()", *map(str, arguments)],
                          text=True, capture_output=True, check=False, timeout=120, **options)


def test_reader_of_the_output_that_leaves_early_is_no_defect(tmp_path):
    record = write_slab(tmp_path, "TB-01")
    read, write = os.pipe()
    os.close(read)
    with os.fdopen(write, "w") as pipe:
        done = subprocess.run([sys.executable, "-c", "from bandkit.cli import main; main()", "check", record],
                              stdout=pipe, stderr=subprocess.PIPE, text=True, check=False, timeout=120)
    assert "defect" not in done.stderr
    assert "Traceback" not in done.stderr


def test_program_ends_with_the_status_of_the_command(tmp_path):
    done = program("check", tmp_path / "absent.toml")
    assert done.returncode == 3
    assert done.stdout == ""
    assert done.stderr.startswith(f"bandkit: {tmp_path / 'absent.toml'}: ")
