"""Files and folders are written whole or not at all."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from bandkit.errors import OutputError, RecordError
from bandkit.output.atomic import write_bytes_whole, write_folder_whole, write_text_whole


def no_space(*_args: object) -> None:
    """Fail as a full disk does."""
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def fill_with(text: str, name: str = "a.txt"):
    """A writer of one file."""

    def writer(folder: Path) -> None:
        (folder / name).write_text(text, encoding="utf-8")

    return writer


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_text_is_utf8_with_its_own_line_ends(tmp_path: Path) -> None:
    write_text_whole(tmp_path / "new" / "a.csv", "é\nb\n")
    assert (tmp_path / "new" / "a.csv").read_bytes() == b"\xc3\xa9\nb\n"
    assert names(tmp_path / "new") == ["a.csv"]


def test_full_disk_keeps_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "growth.csv"
    write_bytes_whole(path, b"old")
    monkeypatch.setattr(os, "fsync", no_space)
    with pytest.raises(OutputError, match=r"growth\.csv: cannot be written .*disk is full; free some space.*is kept"):
        write_bytes_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert names(tmp_path) == ["growth.csv"]


def test_a_read_only_disk_is_named_with_its_remedy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def read_only(*_args: object, **_kwargs: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(Path, "mkdir", read_only)
    with pytest.raises(OutputError, match=r"TB-07: cannot be written .*read-only; choose another folder with --out"):
        write_folder_whole(tmp_path / "out" / "TB-07", fill_with("x"))


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "TB-07").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match=r"TB-07: cannot be written .*a file stands where a folder is needed"):
        write_folder_whole(tmp_path / "TB-07", fill_with("x"))
    assert (tmp_path / "TB-07").read_text(encoding="utf-8") == "mine"


def test_a_file_where_a_parent_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="a file stands where a folder is needed"):
        write_text_whole(tmp_path / "out" / "growth.csv", "x")


def test_folder_is_replaced_whole_and_a_persons_notes_stay(tmp_path: Path) -> None:
    target = tmp_path / "TB-07"
    write_folder_whole(target, fill_with("one"))
    (target / "notes.txt").write_text("mine", encoding="utf-8")
    write_folder_whole(target, fill_with("two"))
    assert (target / "a.txt").read_text(encoding="utf-8") == "two"
    assert (target / "notes.txt").read_text(encoding="utf-8") == "mine"
    assert names(tmp_path) == ["TB-07"]


@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "No space left on device"), KeyboardInterrupt()])
def test_failure_in_the_middle_keeps_the_old_folder(tmp_path: Path, error: BaseException) -> None:
    target = tmp_path / "TB-07"
    write_folder_whole(target, fill_with("old"))

    def half(folder: Path) -> None:
        (folder / "a.txt").write_text("half", encoding="utf-8")
        raise error

    with pytest.raises(OutputError if isinstance(error, OSError) else KeyboardInterrupt):
        write_folder_whole(target, half)
    assert (target / "a.txt").read_text(encoding="utf-8") == "old"
    assert names(tmp_path) == ["TB-07"]


def test_failure_of_the_last_rename_puts_the_old_folder_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "TB-07"
    write_folder_whole(target, fill_with("old"))
    plain_rename = Path.rename

    def rename(self: Path, other: Path) -> Path:
        if ".part-" in self.name:
            raise OSError(errno.EACCES, os.strerror(errno.EACCES))
        return plain_rename(self, other)

    monkeypatch.setattr(Path, "rename", rename)
    with pytest.raises(OutputError, match="you may not write here"):
        write_folder_whole(target, fill_with("new"))
    assert (target / "a.txt").read_text(encoding="utf-8") == "old"
    assert names(tmp_path) == ["TB-07"]


def test_the_next_run_mends_a_run_that_was_killed_between_the_renames(tmp_path: Path) -> None:
    old = tmp_path / ".TB-07.old-0badcafe"
    old.mkdir()
    (old / "notes.txt").write_text("mine", encoding="utf-8")
    part = tmp_path / ".TB-07.part-0badcafe"
    part.mkdir()
    (part / "half.csv").write_text("half", encoding="utf-8")
    write_folder_whole(tmp_path / "TB-07", fill_with("new"))
    assert names(tmp_path) == ["TB-07"]
    assert names(tmp_path / "TB-07") == ["a.txt", "notes.txt"]


def test_leftovers_of_other_slabs_are_not_touched(tmp_path: Path) -> None:
    (tmp_path / ".TB-070.part-0badcafe").mkdir()
    write_folder_whole(tmp_path / "TB-07", fill_with("new"))
    assert names(tmp_path) == [".TB-070.part-0badcafe", "TB-07"]


def test_our_own_errors_pass_unchanged(tmp_path: Path) -> None:
    def refuse(_folder: Path) -> None:
        msg = "TB-07.toml: specimen.id: is empty"
        raise RecordError(msg)

    with pytest.raises(RecordError, match="is empty"):
        write_folder_whole(tmp_path / "TB-07", refuse)
    assert names(tmp_path) == []
