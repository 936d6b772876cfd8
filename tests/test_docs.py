"""What the pages for readers promise is there."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from bandkit._version import __version__
from bandkit.cli import app
from bandkit.output.tables import TABLE_FILES
from bandkit.record import parse_record

ROOT = Path(__file__).parents[1]
PAGES = ("README.md", "DEVELOPERS.md", "CHANGELOG.md")


def page(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def blocks(name: str, language: str) -> list[str]:
    """Code blocks of a page, without the indent of the list that they stand in."""
    found = re.findall(rf"^( *)```{language}\n(.*?)^ *```", page(name), flags=re.M | re.S)
    return ["\n".join(line.removeprefix(indent) for line in text.splitlines()) for indent, text in found]


@pytest.mark.parametrize("name", PAGES)
def test_links_lead_somewhere(name):
    targets = re.findall(r"\]\((?!https?:)([^)#]+)", page(name))
    assert [target for target in targets if not (ROOT / target).exists()] == []


def test_record_of_the_readme_can_be_read():
    (text,) = blocks("README.md", "toml")
    record = parse_record(f"record = 1\n{text}", ROOT / "README.toml")
    assert record.specimen.id == "TB-07"
    assert len(record.density.standards) == 3
    assert record.dating.mark_date == (9, 12)


def test_commands_of_the_readme_exist():
    commands = set(re.findall(r"\bbandkit ([a-z]+)\b", "\n".join(blocks("README.md", "sh"))))
    assert {"demo", "new", "check", "measure"} <= commands
    for command in commands:
        assert CliRunner().invoke(app, [command, "--help"]).exit_code == 0


def test_python_of_the_readme_compiles():
    (text,) = blocks("README.md", "python")
    compile(text, "README.md", "exec")


def test_readme_names_every_table():
    for file in TABLE_FILES.values():
        assert f"`{file}`" in page("README.md")


def test_version_is_the_same_everywhere():
    assert re.search(rf"^version: {re.escape(__version__)}$", page("CITATION.cff"), flags=re.M)
    project = tomllib.loads(page("pyproject.toml"))
    assert project["tool"]["hatch"]["version"]["path"] == "bandkit/_version.py"


def test_changelog_says_what_alters_numbers():
    assert "### Numbers may change" in page("CHANGELOG.md")
