"""The report and the batch page: complete, escaped, needing no network."""

from __future__ import annotations

import base64
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from factories import make_result, make_stained

from bandkit.errors import InputError
from bandkit.flags import FLAG_MEANINGS, Flag
from bandkit.output import Rejection, write_batch_tables, write_index, write_slab
from bandkit.output.report import methods_paragraph, report_html
from bandkit.output.words import count_text, error_text, group_flags, number_text
from bandkit.results import GrowthTable, SlabResult, TrackTable

PNG = b"\x89PNG-not-really"


class Page(HTMLParser):
    """Tags, addresses and text of a page; complains about tags that do not match."""

    VOID = frozenset({"meta", "img", "br"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.addresses += [value or "" for name, value in attrs if name in {"src", "href", "action", "data"}]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


def page(result: SlabResult) -> Page:
    return Page(report_html(result, PNG))


def test_everything_is_in_the_one_file() -> None:
    text = report_html(make_result(), PNG)
    parsed = Page(text)
    assert all(address.startswith("data:image/png;base64,") for address in parsed.addresses)
    assert len(parsed.addresses) == 2
    assert base64.b64encode(PNG).decode() in text
    assert not {"script", "link", "iframe", "form"} & set(parsed.tags)
    assert "url(" not in text
    assert "http://" not in text
    assert "https://" not in text
    policy = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
    assert policy in text
    assert "prefers-color-scheme: dark" in text


def test_key_numbers_flags_and_tables_are_told() -> None:
    text = page(make_result()).text
    assert "3 whole years on 1 track" in text
    assert "3 (2 to 3)" in text
    assert "10.30 \N{PLUS-MINUS SIGN} 0.20" in text
    assert FLAG_MEANINGS["doubtful-mark"] in text
    assert "track A at 15.0 mm" in text
    assert "probability 0.62" in text
    headings = (
        "Look at this first",
        "Growth per year",
        "Annual marks",
        "Density calibration",
        "How it was measured",
        "What the errors hold",
        "Where it comes from",
    )
    for heading in headings:
        assert heading in text
    assert "ab" * 32 in text


def test_a_photograph_has_no_empty_sections() -> None:
    text = page(make_stained()).text
    assert "1 of 2 stain lines found" in text
    assert "Stain lines" in text
    for heading in ("Growth per year", "Annual marks", "Density calibration", "whole years in means"):
        assert heading not in text


def test_headline_says_whether_the_tracks_agree() -> None:
    assert "3 whole years on each of 2 tracks" in page(make_result(track_names=("A", "B"))).text
    rows = [{"specimen": "TB-07", "track": t, "years": n, "mean_extension_mm_yr": 10.0} for t, n in (("A", 20), ("B", 21))]
    tracks = TrackTable.from_rows(rows)
    assert "20 to 21 whole years on 2 tracks" in page(make_result(tracks=tracks, track_names=("A", "B"))).text


def test_the_growth_table_says_what_a_year_is() -> None:
    assert "named after the outer, later one" in page(make_result()).text
    floating = page(make_result(floating=True)).text
    assert "they are not calendar years" in floating
    assert "named after the outer" not in floating


def test_facts_that_are_not_there_are_left_out() -> None:
    image = {"file": "a.tif", "kind": "radiograph", "notes": [], "bits": None}
    text = report_html(make_result(image=image), PNG)
    assert "<dt>kind</dt>" in text
    assert "<dt>notes</dt>" not in text
    assert "<dt>bits</dt>" not in text


def test_nothing_noted_says_so() -> None:
    assert "No doubts were noted" in page(make_result(flags=())).text


def test_markup_in_texts_is_shown_not_run() -> None:
    evil = "<script>alert(1)</script>"
    result = make_result(
        specimen_id=evil,
        track_names=(evil,),
        methods=(evil,),
        settings={evil: evil},
        flags=(Flag(code="gap", detail=evil, track=evil),),
        specimen={"id": evil, "taxon": f'"{evil}', "site": evil},
        provenance={"version": evil},
    )
    text = report_html(result, PNG)
    assert "<script" not in text
    assert "&lt;script&gt;" in text
    assert "script" not in Page(text).tags


def test_methods_say_what_was_done_and_the_rules() -> None:
    text = methods_paragraph(make_result())
    assert text.startswith(
        "The scale was taken from the bar. Marks are density maxima. The year labelled Y lies between"
    )
    assert text.endswith("Measured with bandkit 0.1.0.")
    assert "not tied to a calendar" not in text
    assert "not tied to a calendar" in methods_paragraph(make_result(floating=True))
    assert "labelled" not in methods_paragraph(make_result(growth=GrowthTable.from_rows([])))


def test_partial_years_are_marked() -> None:
    text = report_html(make_result(), PNG)
    assert text.count('<tr class="partial">') == 1


def test_flags_are_gathered_by_kind() -> None:
    flags = (
        Flag(code="gap", track="B", depth_mm=20.0),
        Flag(code="doubtful-mark", track="A", depth_mm=2.0, detail="p 0.6"),
        Flag(code="gap", track="B", depth_mm=10.0),
        Flag(code="gap", track="A"),
        Flag(code="eight-bit"),
    )
    gap, mark, bits = group_flags(flags)
    assert (gap.number, gap.places) == (1, ("track B at 10.0, 20.0 mm", "track A"))
    assert (mark.number, mark.details) == (2, ("p 0.6",))
    assert bits.places == ()


@pytest.mark.parametrize(
    ("value", "sd", "text"),
    [
        (11.3456, 0.2345, "11.35 ± 0.23"),
        (11.3456, 0.45, "11.3 ± 0.5"),
        (1.2845, 0.0203, "1.284 ± 0.020"),
        (152.3, 34.0, "152 ± 34"),
        (1.5, 0.00001, "1.500 ± 0.000"),
        (1.23456, float("nan"), "1.23"),
        (float("nan"), 0.1, "\N{EN DASH}"),
    ],
)
def test_numbers_with_errors(value: float, sd: float, text: str) -> None:
    assert error_text(value, sd) == text


def test_counts_and_plain_numbers() -> None:
    nan = float("nan")
    assert [count_text(25, 24, 26), count_text(25, nan, 26), count_text(nan, 1, 2)] == [
        "25 (24 to 26)",
        "25",
        "\N{EN DASH}",
    ]
    assert [number_text(1.005, 1), number_text(-0.001), number_text(None), number_text(nan)] == [
        "1.0",
        "0.00",
        "\N{EN DASH}",
        "\N{EN DASH}",
    ]


def test_batch_page_links_every_slab_and_names_the_rejected(tmp_path: Path) -> None:
    results = [make_result(specimen_id="TB 12#a"), make_stained()]
    folders = [write_slab(result, tmp_path) for result in results]
    rejected = [Rejection("TB-09.toml", "bad-record", "TB-09.toml: <b>track</b>: is missing")]
    write_batch_tables(tmp_path, results, rejected)
    path = write_index(tmp_path, results, rejected)
    text = path.read_text(encoding="utf-8")
    parsed = Page(text)
    assert "2 slabs measured, 1 rejected" in parsed.text
    assert "TB-09.toml: <b>track</b>: is missing" in parsed.text
    assert "b" not in parsed.tags
    assert "TB%2012%23a/report.html" in parsed.addresses
    for address in parsed.addresses:
        assert (tmp_path / address.replace("%20", " ").replace("%23", "#")).is_file()
    write_index(tmp_path, reversed(folders), rejected)
    assert path.read_text(encoding="utf-8") == text


def test_batch_page_needs_whole_folders(tmp_path: Path) -> None:
    (tmp_path / "TB-07").mkdir()
    with pytest.raises(InputError, match=r"tracks\.csv: cannot be read"):
        write_index(tmp_path, [tmp_path / "TB-07"])
