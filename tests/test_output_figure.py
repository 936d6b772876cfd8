"""The figure: what it holds and where, not its pixels."""

from __future__ import annotations

import io
import subprocess
import sys

import numpy as np
import pytest
from factories import lines_of, make_result, make_stained, mark_rows
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.text import Text
from PIL import Image

from bandkit.flags import FLAG_MEANINGS, Flag
from bandkit.output.figure import calibration_figure, png_bytes, slab_figure
from bandkit.output.picture import round_length_mm
from bandkit.output.style import thin_labels
from bandkit.output.view import make_view
from bandkit.results import GrowthTable, MarkTable, Polyline, ProfileTable, StainTable, TrackTable


def texts(figure: Figure) -> list[str]:
    found = [text.get_text() for ax in figure.axes for text in ax.texts]
    titles = [ax.get_title(loc=loc) for ax in figure.axes for loc in ("center", "left")]
    return [*found, *(text.get_text() for text in figure.texts), *titles]


def by_gid(axes: list[Axes], gid: str) -> list:
    return [artist for ax in axes for artist in ax.get_children() if artist.get_gid() == gid]


def profiles(figure: Figure) -> list[Axes]:
    return [ax for ax in figure.axes if ax.get_title().startswith("track ")]


def test_every_kind_of_line_is_on_the_picture() -> None:
    figure = slab_figure(make_result())
    picture = figure.axes[0]
    assert len(picture.images) == 1
    segments = {c.get_gid(): len(c.get_segments()) for c in picture.collections if isinstance(c, LineCollection)}
    assert segments == {"strip": 1, "mark-certain": 3, "mark-doubtful": 1, "track": 1, "surface": 1}


def test_depth_zero_is_level_on_picture_and_profile_and_a_millimetre_is_as_long() -> None:
    figure = slab_figure(make_result())
    picture, profile = figure.axes[0], profiles(figure)[0]
    assert picture.get_ylim() == profile.get_ylim()
    assert picture.get_position().y0 == profile.get_position().y0
    assert picture.get_position().y1 == profile.get_position().y1
    (surface,) = (c for c in picture.collections if c.get_gid() == "surface")
    assert np.all(surface.get_segments()[0][:, 1] == 0.0)


def test_a_millimetre_is_as_long_across_as_down() -> None:
    figure = slab_figure(make_result())
    ax = figure.axes[0]
    width, height = figure.get_size_inches() * ax.get_position().size
    across, down = abs(np.diff(ax.get_xlim())[0]), abs(np.diff(ax.get_ylim())[0])
    assert width / across == pytest.approx(height / down, rel=1e-6)


def test_profile_shows_density_and_its_marks() -> None:
    profile = profiles(slab_figure(make_result()))[0]
    (line,) = by_gid([profile], "profile")
    assert np.isnan(line.get_xdata()).sum() == 1
    depths = sorted(float(mark.get_ydata()[0]) for mark in by_gid([profile], "mark"))
    assert depths == [5.0, 15.0, 25.0, 35.0]
    assert "density" in profile.get_xlabel()


def test_growth_series_leave_out_partial_years() -> None:
    figure = slab_figure(make_result())
    whole = by_gid(figure.axes, "whole-years")
    assert len(whole) == 3
    assert sorted(whole[0].get_xdata()) == [2016, 2017, 2018]
    (partial,) = by_gid(figure.axes, "partial-years")
    assert list(partial.get_xdata()) == [2019]
    assert partial.get_markerfacecolor() == "white"
    mean = by_gid(figure.axes, "mean")[0]
    assert mean.get_ydata()[0] == 10.3


def test_bars_are_ninety_percent_intervals() -> None:
    figure = slab_figure(make_result())
    (ax,) = (ax for ax in figure.axes if ax.get_ylabel().startswith("extension"))
    bars = ax.collections[0].get_segments()[0]
    assert bars[1][1] - bars[0][1] == pytest.approx(2 * 1.645 * 0.4)


def test_missing_years_break_the_line() -> None:
    rows = [{"track": "A", "year": y, "extension_mm_yr": 10.0, "complete": "yes"} for y in (2010, 2011, 2014)]
    figure = slab_figure(make_result(growth=GrowthTable.from_rows(rows)))
    (ax,) = (ax for ax in figure.axes if ax.get_ylabel().startswith("extension"))
    np.testing.assert_array_equal(ax.lines[0].get_xdata(), [2010, 2011, np.nan, 2014])


def test_doubts_stand_at_their_depth_and_in_the_footer() -> None:
    figure = slab_figure(make_result())
    (number,) = (text for text in profiles(figure)[0].texts if text.get_text() == "1")
    assert number.xy[1] == 15.0
    assert "1  track A at 15.0 mm: this mark may not be annual (probability 0.62)" in texts(figure)


def test_many_doubts_do_not_flood_the_figure() -> None:
    same = tuple(Flag(code="doubtful-mark", track="A", depth_mm=0.1 * i) for i in range(900))
    (line,) = (text for text in texts(slab_figure(make_result(flags=same))) if "may not be annual" in text)
    assert line.startswith("1  track A at 0.0, 0.1, 0.2,")
    assert line.endswith("and more: this mark may not be annual")
    figure = slab_figure(make_result(flags=tuple(Flag(code=code, track="A") for code in FLAG_MEANINGS)))
    assert any("more lines of doubts in the report" in text for text in texts(figure))
    assert figure.get_size_inches()[1] < 14


def test_no_text_runs_off_the_figure() -> None:
    flags = tuple(Flag(code=code, track="A", depth_mm=5.0) for code in FLAG_MEANINGS)
    for result in (make_result(flags=flags), make_result(track_names=("A", "B", "C", "D")), make_stained(flags=flags)):
        figure = slab_figure(result)
        figure.draw_without_rendering()
        width, height = figure.get_size_inches() * figure.dpi
        ticks = {text for ax in figure.axes for axis in (ax.xaxis, ax.yaxis) for text in axis.get_ticklabels()}
        for text in set(figure.findobj(Text)) - ticks:
            if text.get_text() and text.get_visible():
                box = text.get_window_extent()
                assert box.x0 >= 0, text.get_text()
                assert box.x1 <= width, text.get_text()
                assert box.y0 >= 0, text.get_text()
                assert box.y1 <= height, text.get_text()


def test_series_say_only_what_they_show() -> None:
    (note,) = (text for text in texts(slab_figure(make_result())) if text.startswith("filled:"))
    assert "hollow" in note
    assert "doubtful" in note
    rows = [{"track": "A", "year": y, "extension_mm_yr": 10.0, "complete": "yes"} for y in (2010, 2011)]
    figure = slab_figure(make_result(growth=GrowthTable.from_rows(rows)))
    (note,) = (text for text in texts(figure) if text.startswith("filled:"))
    assert "hollow" not in note
    assert "doubtful" not in note


def test_all_series_share_the_years_of_all() -> None:
    rows = [{"track": "A", "year": y, "extension_mm_yr": 10.0, "density_g_cm3": 1.3, "complete": "yes"} for y in (2010, 2011)]
    rows.append({"track": "A", "year": 2009, "density_g_cm3": 1.2, "complete": "partial"})
    axes = [ax for ax in slab_figure(make_result(growth=GrowthTable.from_rows(rows))).axes if "\n" in ax.get_ylabel()]
    assert len(axes) == 2
    assert len({ax.get_xlim() for ax in axes}) == 1
    low, high = axes[0].get_xlim()
    assert low < 2009
    assert high > 2011


def test_floating_series_are_not_called_years() -> None:
    labels = [ax.get_xlabel() for ax in slab_figure(make_result(floating=True)).axes]
    assert "years counted, not tied to a calendar" in labels
    assert "year" not in labels


def test_a_stained_photograph_gets_its_table() -> None:
    figure = slab_figure(make_stained())
    assert {"2016-06-02", "2018-06-02", "30.00 \N{PLUS-MINUS SIGN} 0.12", "no"} <= set(texts(figure))
    assert profiles(figure)[0].get_xlabel() == "redness"
    assert len(by_gid(profiles(figure), "stain")) == 1
    assert not by_gid(figure.axes, "whole-years")


def test_stains_without_years_are_set_against_their_dates() -> None:
    (line,) = by_gid(slab_figure(make_stained()).axes, "stain-dates")
    assert list(line.get_ydata()) == [0.0, 30.0]
    np.testing.assert_allclose(line.get_xdata(), [2019 + 165 / 365, 2016 + 153 / 366], atol=2e-3)
    assert line.axes.yaxis_inverted()
    undated = make_stained(specimen={"id": "TB-11"})
    assert not by_gid(slab_figure(undated).axes, "stain-dates")
    assert not by_gid(slab_figure(make_result(stains=make_stained().stains)).axes, "stain-dates")


def test_the_name_of_a_track_leaves_its_surface_free() -> None:
    figure = slab_figure(make_result())
    figure.draw_without_rendering()
    picture = figure.axes[0]
    (name,) = (text for text in picture.texts if text.get_text() == "A")
    surface_y = picture.transData.transform((0.0, 0.0))[1]
    assert name.get_window_extent().y0 > surface_y + 4


def test_stains_and_growth_stand_together() -> None:
    figure = slab_figure(make_result(stains=make_stained().stains))
    assert "2016-06-02" in texts(figure)
    assert by_gid(figure.axes, "whole-years")


@pytest.mark.parametrize("number", [1, 2, 3, 4, 6])
def test_up_to_four_tracks_have_a_profile(number: int) -> None:
    names = tuple("ABCDEF"[:number])
    figure = slab_figure(make_result(track_names=names, picture=np.zeros((200, 300))))
    assert [ax.get_title() for ax in profiles(figure)] == [f"track {name}" for name in names[:4]]
    shown = any("more tracks are in the tables" in text for text in texts(figure))
    assert shown == (number > 4)


def test_panels_do_not_overlap_and_stay_on_the_figure() -> None:
    for result in (make_result(), make_result(track_names=("A", "B", "C", "D")), make_stained()):
        boxes = [ax.get_position() for ax in slab_figure(result).axes]
        for i, box in enumerate(boxes):
            assert min(box.x0, box.y0) > 0
            assert max(box.x1, box.y1) < 1
            assert not any(box.overlaps(other) for other in boxes[i + 1 :])


def test_without_a_picture_lines_are_drawn_all_the_same() -> None:
    figure = slab_figure(make_result(picture=None))
    assert not figure.axes[0].images
    assert any(c.get_gid() == "mark-certain" for c in figure.axes[0].collections)
    assert any("not\nkept" in text for text in texts(figure))


def test_nothing_measured_still_gives_a_figure() -> None:
    empty = make_result(
        growth=GrowthTable.from_rows([]),
        marks=MarkTable.from_rows([]),
        stains=StainTable.from_rows([]),
        tracks=TrackTable.from_rows([]),
        profile=ProfileTable.from_rows([]),
        lines=(),
        flags=(),
        calibration=None,
    )
    figure = slab_figure(empty)
    assert {"no annual growth could be measured", "no doubts were noted"} <= set(texts(figure))
    assert len(png_bytes(figure)) > 1000


def test_values_that_were_not_measured_do_not_break_it() -> None:
    result = make_result()
    nothing = np.full(len(result.profile), np.nan)
    profile = ProfileTable(**{n: getattr(result.profile, n) for n in ("track", "depth_mm", "x_px", "y_px")},
                           value=nothing, density_g_cm3=nothing)  # fmt: skip
    bare = MarkTable.from_rows([{"track": "A", "depth_mm": 5.0}])
    picture = np.full((200, 125), np.nan)
    png_bytes(slab_figure(make_result(profile=profile, marks=bare, picture=picture)))


def test_unknown_points_of_a_line_are_left_out() -> None:
    x_px = np.array([np.nan, 150.0, 250.0])
    y_px = np.array([150.0, 150.0, 150.0])
    mark = Polyline(track="A", role="mark", label="nan", x_px=x_px, y_px=y_px, certainty="certain")
    nowhere = Polyline(track="A", role="mark", label="2018", x_px=np.full(2, np.nan), y_px=np.zeros(2))
    figure = slab_figure(make_result(lines=(mark, nowhere)))
    (drawn,) = (c for c in figure.axes[0].collections if c.get_gid() == "mark-certain")
    assert [len(segment) for segment in drawn.get_segments()] == [2]
    assert "nan" not in texts(figure)
    png_bytes(figure)


def test_a_track_without_samples_says_not_measured() -> None:
    figure = slab_figure(make_stained(profile=ProfileTable.from_rows([])))
    assert profiles(figure)[0].get_xlabel() == "not measured"
    assert len(by_gid(profiles(figure), "stain")) == 1


def test_the_profile_is_named_after_its_signal() -> None:
    figure = slab_figure(make_stained(image={"kind": "photograph", "signal": "redness index"}))
    assert profiles(figure)[0].get_xlabel() == "redness index"


def test_names_with_dollars_and_other_scripts_are_text() -> None:
    result = make_result(specimen_id="$\\frac{x$", track_names=("$A_$",))
    result_figure = slab_figure(make_result(specimen={"id": "$a$ 珊瑚"}, lines=result.lines, profile=result.profile))
    png_bytes(result_figure)
    png_bytes(slab_figure(result))


def test_png_is_the_same_twice_and_readable() -> None:
    one, two = (png_bytes(slab_figure(make_result())) for _ in range(2))
    assert one == two
    with Image.open(io.BytesIO(one)) as image:
        assert 700 < image.width < 2000


def test_calibration_figure_shows_standards_curve_and_residuals() -> None:
    figure = calibration_figure(make_result())
    (standards,) = by_gid(figure.axes, "standards")
    np.testing.assert_allclose(standards.get_ydata(), [0.3, 0.61, 0.9])
    (residuals,) = by_gid(figure.axes, "residuals")
    np.testing.assert_allclose(residuals.get_ydata(), [0, 0.01, 0], atol=1e-12)


def track_line(x_px: tuple[float, float], y_px: tuple[float, float]) -> tuple[Polyline, ...]:
    return (Polyline(track="A", role="track", label="A", x_px=np.array(x_px), y_px=np.array(y_px)),)


@pytest.mark.parametrize(
    ("x_px", "y_px", "turns"),
    [
        ((200, 200), (100, 500), 0),
        ((200, 400), (100, 300), 0),
        ((200, 450), (100, 110), 1),
        ((200, 210), (700, 100), 2),
        ((450, 100), (100, 90), 3),
    ],
)
def test_depth_runs_downwards_after_quarter_turns(x_px: tuple, y_px: tuple, turns: int) -> None:
    tracks = TrackTable.from_rows([{"track": "A", "surface_x_px": x_px[0], "surface_y_px": y_px[0]}])
    view = make_view(make_result(lines=track_line(x_px, y_px), tracks=tracks))
    assert view.turns == turns
    across, down = view.to_mm(np.array(x_px, float), np.array(y_px, float))
    assert (across[0], down[0]) == (0.0, 0.0)
    assert down[1] > 0
    assert abs(down[1]) >= abs(across[1])


@pytest.mark.parametrize(
    "ends", [((20, 20), (20, 180)), ((20, 180), (20, 20)), ((20, 20), (180, 20)), ((180, 20), (20, 20))]
)
def test_a_bright_pixel_keeps_its_place_when_turned(ends: tuple) -> None:
    picture = np.zeros((50, 60))
    row, col = 10, 30
    picture[row, col] = 1.0
    step = 4.0
    whole = Polyline(track="A", role="strip", label="", x_px=np.array([0.0, 239]), y_px=np.array([0.0, 199]))
    lines = (*track_line(*ends), whole)
    result = make_result(lines=lines, tracks=TrackTable.from_rows([]), picture=picture, picture_step_px=step)
    view = make_view(result)
    assert view.picture is not None
    r, c = np.unravel_index(np.argmax(view.picture), view.picture.shape)
    left, top, right, bottom = view.picture_mm
    rows, cols = view.picture.shape
    found = left + (c + 0.5) * (right - left) / cols, top + (r + 0.5) * (bottom - top) / rows
    expected = view.to_mm((col + 0.5) * step - 0.5, (row + 0.5) * step - 0.5)
    np.testing.assert_allclose(found, expected, atol=1e-9)


def test_the_window_closes_in_on_the_tracks() -> None:
    picture = np.zeros((1000, 1000))
    view = make_view(make_result(lines=tuple(lines_of("A", 3)), picture=picture))
    assert view.width_mm < 30
    assert view.height_mm < 55
    assert view.picture is not None
    assert view.picture.shape[0] < 150


@given(st.lists(st.floats(0, 1000), min_size=1, max_size=80, unique=True), st.floats(0.5, 30))
@settings(deadline=None, max_examples=80)
def test_labels_never_touch(depths: list[float], gap_mm: float) -> None:
    positions = np.array(depths)
    chosen = thin_labels(positions, [str(2018 - i) for i in range(len(depths))], gap_mm)
    assert np.all(np.diff(positions[chosen]) >= gap_mm)


def test_dense_labels_are_round_years() -> None:
    positions = 2.0 * np.arange(100)
    years = [str(2018 - i) for i in range(100)]
    chosen = [int(years[i]) for i in thin_labels(positions, years, 5.0)]
    assert chosen == [year for year in range(2018, 1918, -1) if year % 5 == 0]


@pytest.mark.parametrize(("room", "length"), [(30.0, 20.0), (9.99, 5.0), (1.0, 1.0), (0.3, 0.2), (120.0, 100.0)])
def test_scale_bar_is_round(room: float, length: float) -> None:
    assert round_length_mm(room) == pytest.approx(length)


def test_a_long_core_gets_a_taller_figure() -> None:
    years = 100
    short = slab_figure(make_result(picture=None))
    tall = slab_figure(
        make_result(years=years, marks=MarkTable.from_rows(mark_rows("TB-07", "A", years)), picture=None)
    )
    assert tall.get_size_inches()[1] > short.get_size_inches()[1] + 2


def test_the_figure_never_loads_pyplot_and_tables_never_load_matplotlib() -> None:
    code = (
        "import sys; import bandkit.output; assert 'matplotlib' not in sys.modules; "
        "assert 'jinja2' not in sys.modules; import bandkit.output.report; "
        "assert 'matplotlib.pyplot' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
