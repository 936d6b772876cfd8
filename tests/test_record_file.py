"""A record that the program changes keeps what a person wrote in it."""

from __future__ import annotations

import datetime
import os
import stat
import tomllib
from pathlib import Path

import numpy as np
import pytest
from record_texts import FULL, SMALL, changed

from bandkit.errors import OutputError, RecordError
from bandkit.record import RecordFile, read_record


@pytest.fixture
def slab(tmp_path):
    path = tmp_path / "TB-07.toml"
    path.write_text(FULL, encoding="utf-8", newline="")
    return path


def lines_changed(old: str, new: str) -> tuple[list[str], list[str]]:
    """Lines that went and lines that came, in order."""
    before, after = old.splitlines(), new.splitlines()
    return [line for line in before if line not in after], [line for line in after if line not in before]


def test_an_opened_record_is_the_same_text(slab):
    file = RecordFile.open(slab)
    assert file.text == FULL
    assert file.record().tracks[1].name == "B"


# -- set -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("keys", "value", "old", "new"),
    [
        (("specimen", "depth_m"), 5.5, "depth_m = 4.0", "depth_m = 5.5"),
        (("specimen", "collected"), datetime.date(2019, 6, 16), "collected = 2019-06-15  ", "collected = 2019-06-16  "),
        (("specimen", "top_alive"), False, "top_alive = true", "top_alive = false"),
        (("scale", "bar", "length_mm"), 51.0, "length_mm = 50.0 }   # measured", "length_mm = 51.0 }   # measured"),
        (("scale", "bar"), {"from_px": (980, 230), "to_px": (982, 731), "length_mm": 50.0}, "[982, 730]", "[982, 731]"),
        (("track", 0, "points_px", 1), [362, 1901], "[362, 1900]", "[362, 1901]"),
        (("track", 0, "points_px"), [[1, 2], [362, 1900], [371, 3550]], "[360, 160],   # outside", "[1, 2],   # outside"),
        (("track", 0, "points_px"), [[360, 160], [362, 1900], [371, 3550], [9, 9]], "[371, 3550],\n", "[371, 3550],\n  [9, 9],\n"),
        (("track", 0, "points_px"), [[360, 160], [362, 1900]], "  [371, 3550],\n", ""),
        (("density", "standards", 2, "thickness_mm"), 6.0, "thickness_mm = 5.0 }, # thick", "thickness_mm = 6.0 }, # thick"),
        (("stain", 0, "at_px"), [1.5, 2.5], "at_px = [371, 840]", "at_px = [1.5, 2.5]"),
        (("image", "values"), "optical-density", '"intensity"  ', '"optical-density"  '),
    ],
)  # fmt: skip
def test_setting_a_value_changes_nothing_else(slab, keys, value, old, new):
    file = RecordFile.open(slab)
    file.set(keys, value)
    assert file.text.replace(" ", "") == changed(old, new).replace(" ", "")


def test_setting_the_same_value_changes_nothing(slab):
    file = RecordFile.open(slab)
    values = tomllib.loads(FULL)
    for section in ("specimen", "image", "scale", "density", "dating", "track", "reading"):
        file.set((section,), values[section])
    assert file.text == FULL


def test_a_new_key_stands_with_its_table_and_not_under_the_next_heading(slab):
    file = RecordFile.open(slab)
    file.set(("scale", "source_to_detector_mm"), 1000.0)
    file.set(("track", 1, "width_mm"), 5.0)
    assert "# sd_frac = 0.002\nsource_to_detector_mm = 1000.0\n\n# ---- density ----\n[density]" in file.text
    assert "points_px = [[460, 160], [471, 3550]]\nwidth_mm = 5.0\n\n# ---- stainings ----\n[[stain]]" in file.text


def test_a_key_in_a_table_that_was_not_there(slab):
    slab.write_text(SMALL, encoding="utf-8")
    file = RecordFile.open(slab)
    file.set(("density", "slab_thickness_mm"), 6.0)
    file.set(("dating",), {"mark_date": "09-12", "spacing_mm": 11})
    assert file.text.endswith(
        '[scale]\nmm_per_px = 0.1\n\n[density]\nslab_thickness_mm = 6.0\n\n[dating]\nmark_date = "09-12"\nspacing_mm = 11\n'
    )


def test_numbers_of_numpy_and_tuples_are_written_plainly(slab):
    file = RecordFile.open(slab)
    file.set(("track", 1, "points_px"), np.array([[1.5, 2.0], [3.0, 4.0]]))
    file.set(("specimen", "depth_m"), np.float64(2.5))
    file.set(("stain", 0, "at_px"), (np.float64(1.5), np.int64(2)))
    assert "points_px = [[1.5, 2.0], [3.0, 4.0]]\n" in file.text
    assert "depth_m = 2.5\n" in file.text
    assert "at_px = [1.5, 2]\n" in file.text


def test_long_lists_are_written_one_entry_a_line(slab):
    file = RecordFile.open(slab)
    file.append("track", {"name": "C", "points_px": [[i + 0.25, i + 0.5] for i in range(12)]})
    assert "points_px = [\n    [0.25, 0.5],\n    [1.25, 1.5],\n" in file.text


def test_text_that_needs_quoting_comes_back(slab):
    file = RecordFile.open(slab)
    for text in ('a "quoted" site', "C:\\slabs", "Récif # 3", "two\nlines", "\x00\x1f\x7f"):
        file.set(("specimen", "site"), text)
        assert tomllib.loads(file.text)["specimen"]["site"] == text


def test_none_is_no_value(slab):
    with pytest.raises(TypeError, match="value: None cannot be written; delete the key instead"):
        RecordFile.open(slab).set(("specimen", "depth_m"), None)


# -- comments --------------------------------------------------------------------------


def test_a_proposal_is_marked_until_somebody_sets_the_value_anew(slab):
    file = RecordFile.open(slab)
    file.set(("dating", "spacing_mm"), 12.0, comment="proposed: from\nthe spectrum")
    assert "spacing_mm = 12.0  # proposed: from the spectrum\n" in file.text
    file.set(("dating", "spacing_mm"), 12.5, comment="proposed: again")
    assert "spacing_mm = 12.5  # proposed: again\n" in file.text
    file.set(("dating", "spacing_mm"), 13.0)
    assert "spacing_mm = 13.0\n" in file.text
    file.append("track", {"name": "C", "points_px": [[1, 2], [3, 4]]}, comment="proposed: straight inwards")
    assert '[[track]]  # proposed: straight inwards\nname = "C"\n' in file.text


def test_a_persons_comment_wins(slab):
    file = RecordFile.open(slab)
    file.set(("specimen", "collected"), datetime.date(2018, 1, 1), comment="proposed: from the file's name")
    assert "collected = 2018-01-01                    # needed for calendar years\n" in file.text


def test_a_comment_for_a_part_of_a_line_stands_behind_the_line(slab):
    file = RecordFile.open(changed_file(slab, "   # measured twice", ""))
    file.set(("scale", "bar", "length_mm"), 49.0, comment="proposed: read off the label")
    assert "length_mm = 49.0 }  # proposed: read off the label\n" in file.text


def changed_file(path: Path, old: str, new: str) -> Path:
    path.write_text(changed(old, new), encoding="utf-8")
    return path


# -- append and delete ---------------------------------------------------------------------


def test_a_new_entry_stands_behind_the_last_of_its_kind(slab):
    file = RecordFile.open(slab)
    file.append("track", {"name": "C", "points_px": [[1, 2], [3, 4]]})
    file.append("gap", {"track": "C", "from_px": [1, 2], "to_px": [2, 3], "years": [0, 1]})
    went, came = lines_changed(FULL, file.text)
    assert went == []
    assert came == ['name = "C"', "points_px = [[1, 2], [3, 4]]", "[[gap]]", 'track = "C"', "from_px = [1, 2]", "to_px = [2, 3]"]
    assert '\n\n[[track]]\nname = "C"\npoints_px = [[1, 2], [3, 4]]\n\n# ---- stainings ----\n' in file.text
    assert [track.name for track in file.record().tracks] == ["A", "B", "C"]


def test_the_first_entry_of_its_kind(slab):
    slab.write_text(SMALL, encoding="utf-8")
    file = RecordFile.open(slab)
    file.append("track", {"name": "A", "points_px": [[1, 2], [3, 4]]})
    file.append("track", {"name": "B", "points_px": [[1, 2], [3, 4]]})
    expected = 'mm_per_px = 0.1\n\n[[track]]\nname = "A"\npoints_px = [[1, 2], [3, 4]]\n\n[[track]]\nname = "B"\n'
    assert expected in file.text


def test_an_entry_for_a_list_written_in_one_line(slab):
    slab.write_text("track = [ { name = 'A', points_px = [[1, 2], [3, 4]] } ]  # mine\n" + SMALL, encoding="utf-8")
    file = RecordFile.open(slab)
    file.append("track", {"name": "B", "points_px": [[1, 2], [3, 4]]})
    assert [track.name for track in file.record().tracks] == ["A", "B"]
    assert "# mine" in file.text


@pytest.mark.parametrize("number", [0, 1])
def test_a_deleted_entry_takes_only_its_own_lines(slab, number):
    file = RecordFile.open(slab)
    file.delete(("track", number))
    went, came = lines_changed(FULL, file.text)
    assert came == []
    assert 'name = "AB"'.replace("AB", "AB"[number]) in went
    assert "# ---- tracks ----" in file.text
    assert file.text.index("# ---- stainings ----") < file.text.index("[[stain]]")
    assert file.text.index("# ---- stainings ----") > file.text.index("[[track]]")


def test_deleting_the_last_entry_deletes_the_list(slab):
    file = RecordFile.open(slab)
    file.delete(("stain", 0))
    assert file.get(("stain",)) is None
    assert "# ---- stainings ----" in file.text
    file.append("stain", {"date": datetime.date(2017, 1, 1)})
    assert file.record().stains[0].date == datetime.date(2017, 1, 1)


def test_deleting_a_table_keeps_the_heading_of_the_next(slab):
    file = RecordFile.open(slab)
    file.delete(("dating",))
    assert "# ---- tracks ----\n[[track]]" in file.text
    assert file.record().dating.mark is None


def test_another_scale_takes_the_place_of_the_old(slab):
    file = RecordFile.open(slab)
    file.delete(("scale", "bar"))
    file.set(("scale", "mm_per_px"), 0.1)
    assert file.record().scale.mm_per_px == (0.1, 0.1)
    assert "# sd_frac = 0.002\nmm_per_px = 0.1\n" in file.text


def test_get_and_delete_of_what_is_not_there(slab):
    file = RecordFile.open(slab)
    assert file.get(("specimen", "depth_m")) == 4.0
    assert file.get(("track", 1, "name")) == "B"
    assert file.get(("track", 7, "name"), "none") == "none"
    file.delete(("track", 7))
    file.delete(("specimen", "colour"))
    assert file.text == FULL


@pytest.mark.parametrize(
    ("keys", "value"), [(("track", 2, "name"), "C"), (("specimen", "id", "x"), 1), (("record", 0), 1), (("track", -1), {})]
)
def test_a_change_that_cannot_be_made_changes_nothing(slab, keys, value):
    file = RecordFile.open(slab)
    with pytest.raises(RecordError, match=r"TB-07.toml: .* cannot be changed in this file .*; change it by hand"):
        file.set(keys, value)
    assert file.text == FULL


# -- save ----------------------------------------------------------------------------------


def test_a_saved_record_is_read_again(slab):
    (slab.parent / "TB-07_xray.tif").touch()
    file = RecordFile.open(slab)
    file.set(("specimen", "depth_m"), 7.0)
    assert read_record(slab).specimen.depth_m == 4.0
    file.save()
    record = read_record(slab)
    assert record.specimen.depth_m == 7.0
    assert record.text == file.text == changed("depth_m = 4.0", "depth_m = 7.0")
    assert sorted(p.name for p in slab.parent.iterdir()) == ["TB-07.toml", "TB-07_xray.tif"]


def test_windows_line_ends_and_byte_order_mark_stay(slab):
    slab.write_bytes(b"\xef\xbb\xbf" + FULL.replace("\n", "\r\n").encode())
    file = RecordFile.open(slab)
    file.set(("specimen", "depth_m"), 7.0)
    file.set(("dating", "spacing_mm"), 10.0)
    file.append("track", {"name": "C", "points_px": [[i, i] for i in range(20)]}, comment="proposed: x")
    file.save()
    content = slab.read_bytes()
    assert content.startswith(b"\xef\xbb\xbfrecord = 1 ")
    assert content.count(b"\n") == content.count(b"\r\n") > FULL.count("\n")
    assert RecordFile.open(slab).record().tracks[2].points_px[1] == (1.0, 1.0)


def test_an_unchanged_record_is_not_written(slab):
    os.utime(slab, (1, 1))
    RecordFile.open(slab).save()
    assert slab.stat().st_mtime == 1


def test_what_another_program_wrote_is_kept(slab):
    file = RecordFile.open(slab)
    file.set(("specimen", "depth_m"), 7.0)
    slab.write_text(SMALL, encoding="utf-8")
    with pytest.raises(OutputError, match=r"TB-07.toml: was changed by another program since it was opened, and was kept; open it again"):
        file.save()
    assert slab.read_text(encoding="utf-8") == SMALL
    file.save(force=True)
    assert "depth_m = 7.0" in slab.read_text(encoding="utf-8")
    file.set(("specimen", "depth_m"), 8.0)
    file.save()


def test_a_failed_save_keeps_what_was_there(slab, monkeypatch):
    file = RecordFile.open(slab)
    file.set(("specimen", "depth_m"), 7.0)

    def full_disk(_number):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full_disk)
        with pytest.raises(OutputError, match=r"TB-07.toml: cannot be written \(No space left on device\)"):
            file.save()
    assert slab.read_text(encoding="utf-8") == FULL
    assert [p.name for p in slab.parent.iterdir()] == ["TB-07.toml"]
    file.save()
    assert "depth_m = 7.0" in slab.read_text(encoding="utf-8")


def test_rights_and_links_stay(slab, tmp_path):
    slab.chmod(0o640)
    link = tmp_path / "link.toml"
    link.symlink_to(slab)
    file = RecordFile.open(link)
    file.set(("specimen", "depth_m"), 7.0)
    file.save()
    assert link.is_symlink()
    assert "depth_m = 7.0" in slab.read_text(encoding="utf-8")
    assert stat.S_IMODE(slab.stat().st_mode) == 0o640


# -- create ----------------------------------------------------------------------------------


def test_a_new_record_lacks_only_its_scale(tmp_path):
    path = tmp_path / "TB-08.toml"
    new = RecordFile.create(path, "TB-08", "TB 08 \"x\".tif", "radiograph", ["Made from the image.", "Look at it."])
    assert not path.exists()
    assert new.text.startswith("# Made from the image.\n# Look at it.\n")
    with pytest.raises(RecordError, match="scale: no scale"):
        new.record()
    new.set(("scale", "bar"), {"length_mm": 50.0}, comment="proposed: found")
    assert "\nbar = {length_mm = 50.0}  # proposed: found\n" in new.text
    assert "# fill in: bar" not in new.text
    assert "# fill in: collected = 2019-06-15 " in new.text
    record = new.record()
    assert (record.specimen.id, record.image.file, record.image.kind) == ("TB-08", 'TB 08 "x".tif', "radiograph")
    new.save()
    assert path.read_text(encoding="utf-8") == new.text


@pytest.mark.parametrize("kind", ["photograph", "luminescence", "radiograph", "ct"])
def test_examples_in_a_new_record_are_right(tmp_path, kind):
    new = RecordFile.create(tmp_path / "a.toml", "a", "a.tif", kind)
    filled = RecordFile(tmp_path / "a.toml", new.text.replace("# fill in: ", ""), None).record()
    assert filled.specimen.site == "Tarefa Bank north"
    assert (filled.density is not None) == (kind in ("radiograph", "ct"))
    assert (filled.image.dense is not None) == (kind in ("radiograph", "ct"))


def test_a_new_record_never_overwrites(slab):
    new = RecordFile.create(slab, "TB-07", "a.tif", "photograph")
    with pytest.raises(OutputError, match=r"TB-07.toml: is there already and was not overwritten"):
        new.save()
    assert slab.read_text(encoding="utf-8") == FULL


def test_records_that_cannot_be_opened(tmp_path):
    with pytest.raises(RecordError, match="no such file"):
        RecordFile.open(tmp_path / "x.toml")
    (tmp_path / "x.toml").write_text("a = ", encoding="utf-8")
    with pytest.raises(RecordError, match="line 1: not valid TOML"):
        RecordFile.open(tmp_path / "x.toml")


def test_a_record_with_a_wrong_value_can_be_opened_and_mended(slab):
    file = RecordFile.open(changed_file(slab, "depth_m = 4.0", 'depth_m = "four"'))
    with pytest.raises(RecordError, match="a number in quotes"):
        file.record()
    file.set(("specimen", "depth_m"), 4.0)
    assert file.record().specimen.depth_m == 4.0
