from __future__ import annotations

import csv
import os
import shutil
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import batch_tasks
import numpy as np
import pytest
from fake_slabs import write_slab
from PIL import Image

from bandkit._version import __version__
from bandkit.batch import find_records, measure_batch
from bandkit.batch.folders import record_name
from bandkit.batch.pool import measure_in_pool
from bandkit.errors import InputError, OutputError


def rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text().splitlines()))


def specimens(out: Path) -> set[str]:
    return {row["specimen"] for row in rows(out / "growth.csv")}


def snapshot(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_every_slab_gets_a_folder_and_the_batch_its_tables(tmp_path, fake_measure):
    records = [write_slab(tmp_path, name) for name in ("TB-02", "TB-01")]
    out = tmp_path / "out"
    summary = measure_batch(records, out)
    assert summary.exit_code == 0
    assert [folder.name for folder in summary.measured] == ["TB-01", "TB-02"]
    assert (summary.skipped, summary.rejected, summary.notices) == ((), (), ())
    assert {p.name for p in (out / "TB-01").iterdir()} == {
        "growth.csv", "marks.csv", "events.csv", "stain.csv", "tracks.csv", "profile.csv", "chronologies.csv", "result.json",
        "figure.png", "report.html"}
    assert {p.name for p in out.iterdir() if p.is_file()} == {
        "growth.csv", "marks.csv", "events.csv", "stain.csv", "tracks.csv", "rejected.csv", "index.html"}
    assert [row["specimen"] for row in rows(out / "tracks.csv")] == ["TB-01", "TB-02"]
    assert summary.index == out / "index.html"


def test_second_run_measures_nothing_and_changes_no_byte(tmp_path, fake_measure):
    records = [write_slab(tmp_path, name) for name in ("TB-01", "TB-02")]
    out = tmp_path / "out"
    measure_batch(records, out)
    before = snapshot(out)
    fake_measure.calls.clear()
    summary = measure_batch(records, out)
    assert fake_measure.calls == []
    assert [folder.name for folder in summary.skipped] == ["TB-01", "TB-02"]
    assert snapshot(out) == before


@pytest.mark.parametrize("change", ["record", "image", "version", "missing file", "damaged result"])
def test_second_run_measures_what_changed(tmp_path, fake_measure, monkeypatch, change):
    records = [write_slab(tmp_path, name) for name in ("TB-01", "TB-02")]
    out = tmp_path / "out"
    measure_batch(records, out)
    fake_measure.calls.clear()
    if change == "record":
        records[0].write_text(records[0].read_text() + "# looked at again\n")
    elif change == "image":
        Image.fromarray(np.zeros((40, 10), dtype=np.uint8)).save(tmp_path / "TB-01.png")
    elif change == "version":
        text = (out / "TB-01" / "result.json").read_text()
        (out / "TB-01" / "result.json").write_text(text.replace(f'"{__version__}"', '"0.0.1"'))
    elif change == "missing file":
        (out / "TB-01" / "figure.png").unlink()
    else:
        (out / "TB-01" / "result.json").write_text("{")
    summary = measure_batch(records, out)
    assert fake_measure.calls == ["TB-01"]
    assert [folder.name for folder in summary.measured] == ["TB-01"]
    assert [folder.name for folder in summary.skipped] == ["TB-02"]


def test_bad_slabs_do_not_stop_the_rest(tmp_path, fake_measure):
    good = [write_slab(tmp_path, "TB-01"), write_slab(tmp_path, "TB-02")]
    empty = write_slab(tmp_path, "EMPTY")
    lost = write_slab(tmp_path, "LOST")
    (tmp_path / "LOST.png").unlink()
    unreadable = tmp_path / "broken.toml"
    unreadable.write_text("record = ")
    missing = tmp_path / "absent.toml"
    out = tmp_path / "out"
    summary = measure_batch([empty, good[0], lost, unreadable, missing, good[1]], out)
    assert summary.exit_code == 4
    assert specimens(out) == {"TB-01", "TB-02"}
    assert [(row["record"], row["reason"]) for row in rows(out / "rejected.csv")] == [
        ("EMPTY.toml", "nothing-measured"), ("LOST.toml", "missing-image"), ("absent.toml", "no-record"),
        ("broken.toml", "bad-record")]
    assert summary.rejected[0].detail == f"{empty}: nothing on it"
    assert not (out / "EMPTY").exists()


@pytest.mark.parametrize(("specimen", "exit_code", "reason"), [
    ("EMPTY", 4, "nothing-measured"), ("BUG", 1, "defect"), ("HUGE", 3, "out-of-memory")])
def test_single_slab_ends_with_the_status_of_its_error(tmp_path, fake_measure, specimen, exit_code, reason):
    summary = measure_batch([write_slab(tmp_path, specimen)], tmp_path / "out")
    assert summary.exit_code == exit_code
    assert summary.rejected[0].reason == reason


def test_defect_is_told_on_one_line_and_keeps_its_traceback(tmp_path, fake_measure):
    summary = measure_batch([write_slab(tmp_path, "BUG"), write_slab(tmp_path, "TB-01")], tmp_path / "out")
    assert summary.exit_code == 1
    path = tmp_path / "BUG.toml"
    assert summary.rejected[0].detail == (
        f"{path}: a defect in bandkit, not in the slab: IndexError: index 7 out of bounds")
    assert "IndexError" in summary.tracebacks[0]
    assert specimens(tmp_path / "out") == {"TB-01"}


def test_records_with_the_same_id_are_all_rejected_and_name_each_other(tmp_path, fake_measure):
    first = write_slab(tmp_path, "TB-01")
    second = write_slab(tmp_path, "TB-01", file="copy.toml")
    other = write_slab(tmp_path, "TB-02")
    summary = measure_batch([first, second, other], tmp_path / "out")
    assert {r.reason for r in summary.rejected} == {"duplicate-id"}
    details = {r.record: r.detail for r in summary.rejected}
    assert str(second) in details["TB-01.toml"]
    assert details["copy.toml"] == f'{second}: specimen.id: "TB-01" is also the id in {first}; give each slab its own id'
    assert specimens(tmp_path / "out") == {"TB-02"}
    assert summary.exit_code == 4


def test_ids_that_differ_in_case_only_are_duplicates(tmp_path, fake_measure):
    records = [write_slab(tmp_path, "TB-01", file="1.toml"), write_slab(tmp_path, "tb-01", file="2.toml")]
    summary = measure_batch(records, tmp_path / "out")
    assert [r.reason for r in summary.rejected] == ["duplicate-id"] * 2


def test_same_record_named_twice_is_measured_once(tmp_path, fake_measure):
    record = write_slab(tmp_path, "TB-01")
    summary = measure_batch([record, tmp_path / "." / record.name, tmp_path], tmp_path / "out")
    assert fake_measure.calls == ["TB-01"]
    assert summary.exit_code == 0


def test_slabs_of_earlier_runs_stay_in_the_tables(tmp_path, fake_measure):
    records = [write_slab(tmp_path, name) for name in ("TB-01", "TB-02", "TB-03")]
    out = tmp_path / "out"
    measure_batch(records, out)
    whole = snapshot(out)
    summary = measure_batch(records[1:2], out)
    assert snapshot(out) == whole
    assert [folder.name for folder in summary.skipped] == ["TB-02"]


@pytest.mark.parametrize("damage", ["image gone", "record broken", "nothing found"])
def test_rejected_slab_leaves_the_tables_and_stays_out_until_it_is_mended(tmp_path, fake_measure, damage):
    records = [write_slab(tmp_path, name) for name in ("TB-01", "TB-02")]
    out = tmp_path / "out"
    measure_batch(records, out)
    text = records[0].read_text()
    if damage == "image gone":
        shutil.move(tmp_path / "TB-01.png", tmp_path / "kept.png")
        records[0].write_text(text + "# changed\n")
    elif damage == "nothing found":
        records[0].write_text(text + "# changed\n")
        fake_measure.refuse.add("TB-01")
    else:
        records[0].write_text("record = ")
    summary = measure_batch(records, out)
    assert specimens(out) == {"TB-02"}
    assert (out / "TB-01" / "growth.csv").is_file()
    assert summary.notices == (
        f"{out / 'TB-01'}: an earlier result whose record is rejected now; left out of the batch tables",)
    # A run over other records does not bring it back, and does not forget why.
    again = measure_batch(records[1:], out)
    assert again.exit_code == 0
    assert specimens(out) == {"TB-02"}
    assert [row["record"] for row in rows(out / "rejected.csv")] == ["TB-01.toml"]
    if damage == "image gone":
        shutil.move(tmp_path / "kept.png", tmp_path / "TB-01.png")
    fake_measure.refuse.clear()
    records[0].write_text(text)
    measure_batch(records, out)
    assert specimens(out) == {"TB-01", "TB-02"}
    assert rows(out / "rejected.csv") == []


def test_rejection_of_a_deleted_record_is_forgotten(tmp_path, fake_measure):
    records = [write_slab(tmp_path, "EMPTY"), write_slab(tmp_path, "TB-01")]
    out = tmp_path / "out"
    measure_batch(records, out)
    records[0].unlink()
    measure_batch(records[1:], out)
    assert rows(out / "rejected.csv") == []


def test_folder_of_another_version_is_left_out_with_a_notice(tmp_path, fake_measure):
    out = tmp_path / "out"
    measure_batch([write_slab(tmp_path, "TB-01")], out)
    (out / "TB-01" / "marks.csv").write_text("specimen,something\n")
    summary = measure_batch([write_slab(tmp_path, "TB-02")], out)
    assert specimens(out) == {"TB-02"}
    assert len(summary.notices) == 1
    assert summary.notices[0].startswith(str(out / "TB-01" / "marks.csv"))
    assert summary.notices[0].endswith("left out of the batch tables")


def test_progress_counts_every_record_up_to_all(tmp_path, fake_measure):
    records = [write_slab(tmp_path, name) for name in ("TB-01", "EMPTY", "TB-02")]
    seen: list[tuple[int, int]] = []
    measure_batch(records, tmp_path / "out", progress=lambda done, total: seen.append((done, total)))
    assert seen == [(0, 3), (1, 3), (2, 3), (3, 3)]


def test_interrupt_keeps_what_is_done(tmp_path, fake_measure):
    records = [write_slab(tmp_path, name) for name in ("TB-01", "STOP", "TB-02")]
    out = tmp_path / "out"
    summary = measure_batch(records, out)
    assert summary.interrupted
    assert fake_measure.calls == ["TB-01", "STOP"]
    assert specimens(out) == {"TB-01"}
    assert {p.name for p in out.iterdir() if p.is_dir()} == {"TB-01"}


def test_folder_without_records_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"no record \(\*\.toml\) in this folder; make one with: bandkit new IMAGE"):
        find_records([tmp_path])


def test_no_record_at_all_is_refused(tmp_path):
    with pytest.raises(InputError, match="records: none given; name one or more records"):
        measure_batch([], tmp_path / "out")


def test_fewer_than_one_worker_is_refused(tmp_path, fake_measure):
    with pytest.raises(InputError, match="workers: must be 1 or more, got 0"):
        measure_batch([write_slab(tmp_path, "TB-01")], tmp_path / "out", workers=0)


def test_out_that_is_a_file_is_refused_before_measuring(tmp_path, fake_measure):
    (tmp_path / "out").touch()
    with pytest.raises(OutputError, match=r"out: cannot be made \(File exists\); choose another folder with --out"):
        measure_batch([write_slab(tmp_path, "TB-01")], tmp_path / "out")
    assert fake_measure.calls == []


def test_out_that_cannot_be_written_is_refused_before_measuring(tmp_path, fake_measure, monkeypatch):
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(OutputError, match="out: you may not write here; choose another folder with --out"):
        measure_batch([write_slab(tmp_path, "TB-01")], tmp_path / "out")
    assert fake_measure.calls == []


def test_records_are_named_relative_to_the_folder_of_the_batch(tmp_path):
    assert record_name(tmp_path / "a.toml", tmp_path / "bandkit-out") == "a.toml"
    assert record_name(tmp_path / "slabs" / "a.toml", tmp_path / "results") == "slabs/a.toml"
    assert record_name(tmp_path / "a.toml", tmp_path / "deep" / "out") == "../a.toml"


# ---- several processes

PATHS = [Path(f"TB-{n}.toml") for n in range(11, 16)]


def test_processes_of_a_batch_use_one_thread_each(tmp_path, monkeypatch):
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)
    outcomes = list(measure_in_pool(PATHS, tmp_path, 2, task=batch_tasks.note_threads))
    assert sorted(o.record for o in outcomes) == PATHS
    assert {path.read_text() for path in tmp_path.iterdir()} == {"1"}
    assert "OMP_NUM_THREADS" not in os.environ


def test_slab_whose_process_dies_is_rejected_and_the_rest_is_measured(tmp_path):
    outcomes = list(measure_in_pool(PATHS, tmp_path, 2, task=batch_tasks.die_on_tb13))
    rejected = [o for o in outcomes if o.reason]
    assert [(o.record, o.reason, o.exit_code) for o in rejected] == [(Path("TB-13.toml"), "process-died", 3)]
    assert "most likely for want of memory" in rejected[0].detail
    assert sorted(o.record for o in outcomes if not o.reason) == [p for p in PATHS if p.stem != "TB-13"]


def test_slab_whose_process_dies_once_is_measured_at_the_second_try(tmp_path):
    outcomes = list(measure_in_pool(PATHS, tmp_path, 2, task=batch_tasks.die_once))
    assert sorted(o.record for o in outcomes) == PATHS
    assert not any(o.reason for o in outcomes)


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="sends Ctrl-C to a group of processes as a Unix terminal does")
def test_ctrl_c_lets_the_slabs_in_hand_finish_and_begins_no_other(tmp_path):
    script = textwrap.dedent("""
        import sys
        from pathlib import Path
        import batch_tasks
        from bandkit.batch.pool import measure_in_pool

        if __name__ == "__main__":
            out = Path(sys.argv[1])
            done = []
            try:
                for outcome in measure_in_pool([Path(f"{n}.toml") for n in range(9)], out, 2,
                                               task=batch_tasks.take_a_second):
                    done.append(outcome.record.stem)
            except KeyboardInterrupt:
                print(*sorted(done))
    """)
    program = tmp_path / "stop.py"
    program.write_text(script)
    out = tmp_path / "out"
    out.mkdir()
    process = subprocess.Popen([sys.executable, program, out], start_new_session=True, text=True, stdout=subprocess.PIPE,
                               stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)})
    deadline = time.monotonic() + 60
    while len(list(out.glob("*.begun"))) < 2 and time.monotonic() < deadline:
        time.sleep(0.02)
    os.killpg(process.pid, signal.SIGINT)
    stdout, stderr = process.communicate(timeout=60)
    begun = {path.stem for path in out.glob("*.begun")}
    assert begun == {path.stem for path in out.glob("*.done")}
    assert len(begun) < 9
    assert set(stdout.split()) == begun
    assert stderr == ""


@pytest.mark.slow
def test_real_slabs_give_the_same_bytes_whatever_the_number_of_workers(tmp_path, demo_images):
    slabs = tmp_path / "slabs"
    slabs.mkdir()
    for path in [*demo_images.glob("TB-12*"), *demo_images.glob("TB-19*")]:
        shutil.copyfile(path, slabs / path.name)
    (slabs / "bad.toml").write_text("record = ")
    for workers in (1, 2):
        summary = measure_batch([slabs], tmp_path / f"out{workers}", workers=workers)
        assert summary.exit_code == 4
        assert [folder.name for folder in summary.measured] == ["TB-12", "TB-19"]
    assert snapshot(tmp_path / "out1") == snapshot(tmp_path / "out2")
