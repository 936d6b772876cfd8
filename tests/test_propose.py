"""What is found in a new picture, and the record that is written from it."""

import re

import numpy as np
import pytest
from PIL import Image
from scale_scenes import DrawnBar, Picture, background, draw_bar, draw_rectangle, draw_slab, draw_steps, expose

from bandkit.errors import ImageReadError, OutputError, RecordError
from bandkit.propose import propose, write_record
from bandkit.record import parse_record

BAR = DrawnBar(x=520.3, y=620.6, length=240.0, width=11.0, angle_deg=89, grey=0.97)
SLAB = (90, 90, 400, 830)
STEPS = (560.0, 100.0, 44.0)  # x and y of the first one's middle, side


def scene(*, dense="bright", gap=12, n_steps=6, bar=True, slab=SLAB, core=False, shape=(900, 640), turned=False):
    """A radiograph with everything on it."""
    rng = np.random.default_rng(4)
    image = background(shape, "cassette", rng)
    draw_slab(image, slab, 0.5, rng, core=core)
    x, y, side = STEPS
    draw_steps(image, x, y, side, np.linspace(0.25, 0.75, n_steps), gap=gap)
    if bar:
        draw_bar(image, BAR)
    image = image if dense == "bright" else 1 - image
    seen = expose(image, rng=rng)
    return np.ascontiguousarray(seen.T) if turned else seen


def coloured(grey, rgb):
    """The picture tinted."""
    return np.rint(np.asarray(grey / 65535)[:, :, None] * np.asarray(rgb) * 255).astype(np.uint8)


def within(box, outer):
    return outer[0] <= box[0] < box[2] <= outer[2] and outer[1] <= box[1] < box[3] <= outer[3]


# ------------------------------------------------------------------------------------- what is found


@pytest.mark.parametrize(("picture", "kind", "why"), [
    (scene(), "radiograph", "the image is grey"),
    (np.repeat(scene()[:, :, None], 3, axis=2), "radiograph", "all its colours are grey"),
    (coloured(scene(), (1.0, 0.9, 0.7)), "photograph", "the image is coloured"),
    (coloured(scene(), (0.3, 0.6, 0.9)), "luminescence", "the slab is blue"),
])
def test_kind_follows_the_colour(picture, kind, why):
    proposals = propose(Picture(picture))
    assert proposals.kind.value == kind
    assert why in proposals.kind.why
    assert (proposals.dense is None) == (kind != "radiograph")
    assert (proposals.open_beam is None) == (kind != "radiograph")


@pytest.mark.parametrize(("dense", "word"), [("bright", "brighter"), ("dark", "darker")])
def test_polarity_follows_slab_against_open_beam(dense, word):
    proposed = propose(Picture(scene(dense=dense))).dense
    assert proposed.value == dense
    assert f"the slab is {word} than what surrounds it, taken for open beam" in proposed.why


@pytest.mark.parametrize("dense", ["bright", "dark"])
def test_bar_is_proposed_with_its_ends(dense):
    proposals = propose(Picture(scene(dense=dense)))
    np.testing.assert_allclose((proposals.bar.value.from_px, proposals.bar.value.to_px), BAR.ends, atol=0.3)
    assert "check its ends, write its true length" in proposals.bar.why
    assert "resolution" not in proposals.bar.why


def test_tags_only_serve_as_a_hint_of_the_bars_length():
    proposals = propose(Picture(scene(), resolution_mm_px=(0.2, 0.2)))
    assert "about 48 mm if the file's own resolution, often wrong, were right" in proposals.bar.why


def test_no_bar_is_said_with_its_reason():
    proposals = propose(Picture(scene(bar=False)))
    assert proposals.bar is None
    assert "scale bar" in proposals.no_bar


@pytest.mark.parametrize("gap", [0, 12])
@pytest.mark.parametrize("dense", ["bright", "dark"])
@pytest.mark.parametrize("turned", [False, True])
def test_standards_are_boxes_within_the_patches_in_order(gap, dense, turned):
    found = propose(Picture(scene(gap=gap, dense=dense, turned=turned))).standards
    assert len(found.value) == 6
    assert found.why.startswith("6 even patches in a row")
    x, y, side = STEPS
    for i, box in enumerate(found.value):
        upright = (box[1], box[0], box[3], box[2]) if turned else box
        middle = y + i * (side + gap)
        assert within(upright, (x - side / 2, middle - side / 2, x + side / 2, middle + side / 2))
        assert upright[2] - upright[0] > 0.5 * side


@pytest.mark.parametrize("greys", [(0.3, 0.6), (0.3, 0.7, 0.4, 0.6)])
def test_two_patches_or_patches_in_no_order_are_no_standards(greys):
    image = background((600, 500), "cassette", np.random.default_rng(1))
    draw_rectangle(image, 150, 300, 500, 200, 90, 0.5)
    draw_steps(image, 400, 100, 40, greys, gap=20)
    assert propose(Picture(expose(image))).standards is None


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("core", [False, True])
def test_track_runs_from_outside_the_slab_along_its_middle(core, turned):
    picture = scene(core=core, turned=turned)
    track = propose(Picture(picture)).track
    points = np.array(track.value)[:, ::-1] if turned else np.array(track.value)
    x0, y0, x1, y1 = SLAB
    assert points[0][1] < y0 + 0.1 * (y1 - y0)
    assert y1 - 0.15 * (y1 - y0) < points[-1][1] < y1
    assert all(x0 + 0.3 * (x1 - x0) < x < x1 - 0.3 * (x1 - x0) for x, _ in points)
    assert (np.diff(points[:, 1]) > 0).all()
    start = np.array(track.value[0]).round().astype(int)
    surround = picture[:15, :15].mean()
    assert abs(float(picture[start[1], start[0]]) - surround) < 0.1 * 65535
    side = "left" if turned else "upper"
    assert f"that its {side} end is the outer surface is a guess: it is domed, the other end straight" in track.why


def test_a_slab_that_runs_out_of_the_picture_has_its_surface_at_the_other_end():
    image = background((800, 500), "cassette", np.random.default_rng(1))
    image[:600, 100:300] = 0.5
    track = propose(Picture(expose(image))).track
    assert track.value[0][1] > 600
    assert track.value[-1][1] < 100
    assert "lower end is the outer surface is a guess: the other end runs out of the picture" in track.why


def test_the_rougher_end_is_taken_for_the_break():
    image = background((800, 500), "cassette", np.random.default_rng(1))
    image[100:700, 100:300] = 0.5
    for x in range(100, 300, 20):  # teeth
        image[100:130, x : x + 10] = image[0, 0]
    track = propose(Picture(expose(image))).track
    assert "lower end is the outer surface is a guess: the smoother end" in track.why
    assert track.value[0][1] > 700


def test_a_track_is_square_to_a_slanting_surface():
    image = background((700, 700), "cassette", np.random.default_rng(1))
    for x in range(120, 580):
        image[round(150 + 0.2 * (x - 120)) : 620, x] = 0.5
    (ax, ay), _, (bx, by) = propose(Picture(expose(image))).track.value
    assert (bx - ax) / (by - ay) == pytest.approx(-0.2, abs=0.03)


def test_a_slab_up_to_the_border_on_all_sides_but_one_begins_where_the_picture_does():
    image = np.full((600, 500), 0.05)
    image[6:594, 60:440] = 0.5
    track = propose(Picture(expose(image, noise=0.003))).track
    assert track.value[0][1] >= 0
    assert "it ought to begin outside the slab, but there the image ends" in track.why


def test_open_beam_boxes_hold_nothing_and_lie_apart():
    picture = scene()
    boxes = propose(Picture(picture)).open_beam.value
    assert 2 <= len(boxes) <= 4
    for x0, y0, x1, y1 in boxes:
        patch = picture[int(y0) : int(y1), int(x0) : int(x1)]
        assert patch.size > 300
        assert np.ptp(patch) < 0.12 * 65535
    middles = [((b[0] + b[2]) / 2, (b[1] + b[3]) / 2) for b in boxes]
    assert len(set(middles)) == len(middles)


@pytest.mark.parametrize("values", [np.zeros((300, 200), np.uint16), np.full((40, 30), 7, np.uint8),
                                    np.full((300, 200), np.nan, np.float32)])
def test_an_empty_picture_gives_nothing_but_a_kind(values):
    proposals = propose(Picture(values))
    assert proposals.kind.value == "radiograph"
    assert proposals.dense is None
    assert proposals.bar is None
    assert proposals.standards is None
    assert proposals.track is None


def test_a_large_picture_is_placed_in_its_own_pixels():
    large = np.kron(scene(), np.ones((3, 3), np.uint16))
    proposals, small = propose(Picture(large)), propose(Picture(scene()))
    np.testing.assert_allclose(proposals.bar.value.from_px, np.multiply(small.bar.value.from_px, 3) + 1, atol=1.5)
    np.testing.assert_allclose(proposals.track.value, np.multiply(small.track.value, 3) + 1, atol=20)


# -------------------------------------------------------------------------------------- the new record


@pytest.fixture
def image_file(tmp_path):
    path = tmp_path / "TB-21.png"
    Image.fromarray(scene()).save(path)
    return path


def test_record_is_written_beside_the_image_with_proposals_marked(image_file):
    path = write_record(image_file)
    assert path == image_file.with_suffix(".toml")
    text = path.read_text(encoding="utf-8")
    for start in ('kind = "radiograph"', 'dense = "bright"', "[[track]]", "# fill in: bar = { from_px = [",
                  "# fill in: standards = [{ box_px = [", "# fill in: open_beam_px = [["):
        line = next(line for line in text.splitlines() if line.startswith(start))
        assert "# proposed: look at it; " in line
    for unknown in ("taxon", "site", "collected", "slab_thickness_mm", "mark_date"):
        assert re.search(rf"^# fill in: {unknown} = ", text, re.MULTILINE)
    assert 'id = "TB-21"' in text
    assert 'file = "TB-21.png"' in text


def test_record_is_complete_once_its_blanks_are_filled_in(image_file):
    path = write_record(image_file)
    text = path.read_text(encoding="utf-8")
    with pytest.raises(RecordError, match="no scale"):
        parse_record(text, path)
    for key in ("bar", "standards", "open_beam_px", "slab_thickness_mm"):
        text = text.replace(f"# fill in: {key} =", f"{key} =")
    with pytest.raises(RecordError, match=r"length_mm"):
        parse_record(text, path)
    record = parse_record(text.replace("length_mm = 0.0", "length_mm = 48.0")
                          .replace("thickness_mm = 0.0", "thickness_mm = 2.0"), path)
    np.testing.assert_allclose((record.scale.bar.from_px, record.scale.bar.to_px), BAR.ends, atol=0.3)
    assert len(record.density.standards) == 6
    assert len(record.tracks[0].points_px) == 3


def test_a_photograph_without_a_bar_says_so(tmp_path):
    path = tmp_path / "TB-22.png"
    Image.fromarray(coloured(scene(bar=False), (1.0, 0.9, 0.7))).save(path)
    text = write_record(path).read_text(encoding="utf-8")
    before, _ = text.split("# fill in: bar = ")
    assert "scale bar" in before.splitlines()[-1]
    assert "[density]" not in text
    assert "dense" not in text


def test_a_record_is_never_overwritten(image_file):
    record = image_file.with_suffix(".toml")
    record.write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match=r"TB-21\.toml: is there already and was not overwritten"):
        write_record(image_file)
    assert record.read_text(encoding="utf-8") == "mine"


def test_an_unreadable_image_leaves_no_record(tmp_path):
    path = tmp_path / "TB-23.png"
    path.write_bytes(b"not an image")
    with pytest.raises(ImageReadError, match=r"TB-23\.png"):
        write_record(path)
    assert list(tmp_path.iterdir()) == [path]
