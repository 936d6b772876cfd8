"""A scanned core from its slices to growth per year, with nothing of its patient in what is written."""

from __future__ import annotations

import json
import re
import shutil
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import tifffile
from dicom_files import PATIENT, PRIVATE_TEXT, write_dicom
from generators.ct_phantom import Phantom, write_slice
from generators.second import make_radiograph
from PIL import Image
from typer.testing import CliRunner

import bandkit
from bandkit.cli import app
from bandkit.errors import DetectionError, InputError, RecordError
from bandkit.images.slab import CutSource, open_slab
from bandkit.record import parse_record, read_record


@cache
def phantom(**changes) -> Phantom:
    return Phantom(**changes)


@pytest.fixture(scope="module")
def scans(tmp_path_factory) -> Path:
    """Two cores as DICOM, one of them also as TIFF."""
    folder = tmp_path_factory.mktemp("scans")
    for seed in (1, 2):
        phantom(seed=seed).write_dicom(folder / f"core{seed}")
    phantom(seed=1).write_tiff(folder / "stack1")
    return folder


def write_record(scans: Path, core: Phantom, file: str, *, more: str = "", name: str = "TB-31.toml") -> Path:
    """Record with a track down the axis, as a person would draw it on the cut."""
    path = scans / name
    path.write_text(core.record_text(file, None, more=more))
    with open_slab(read_record(path)) as image:
        assert isinstance(image, CutSource)
        ends = [core.top_mm - 4 * core.way, core.top_mm + (core.length_mm - 1) * core.way]
        track = image.frame.to_px(np.array(ends))
    path.write_text(core.record_text(file, track, more=more))
    return path


def codes(result) -> set[str]:
    return {flag.code for flag in result.flags}


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_growth_of_a_scanned_core(scans, seed):
    core = phantom(seed=seed)
    result = bandkit.measure(write_record(scans, core, f"core{seed}"))
    whole = result.growth.complete == "yes"
    extension, density = result.growth.extension_mm_yr[whole], result.growth.density_g_cm3[whole]
    assert len(extension) == len(core.year_extension_mm)
    assert extension.mean() == pytest.approx(core.year_extension_mm.mean(), rel=0.02)
    assert np.median(np.abs(extension / core.year_extension_mm - 1)) < 0.03
    np.testing.assert_allclose(density, core.track_g_cm3(), atol=0.03)
    assert np.abs(np.mean(density - core.track_g_cm3())) < 0.01
    assert result.scale["source"] == "file"
    assert result.image["values"] == "hounsfield"
    assert not codes(result) & {"scale-from-file-tags", "no-thickness", "outside-standards", "beam-hardening", "ct-air-off",
                                "spacing-at-detector", "dense-guessed"}
    told = " ".join(result.methods)
    assert "A virtual slab 5 mm thick was cut out of a scan of 110 x 100 x 120 voxels of 0.6 x 0.6 x 1 mm (120 kV)" in told
    assert "Density was read from Hounsfield units by a line through 3 standards of 0.90 to 2.10 g/cm3" in told


def test_stack_of_tiff_gives_the_same(scans):
    core = phantom(seed=1)
    dicom = bandkit.measure(write_record(scans, core, "core1"))
    stack = bandkit.measure(write_record(scans, core, "stack1", more="voxel_mm = [0.6, 0.6, 1.0]\n", name="stack.toml"))
    np.testing.assert_allclose(stack.growth.extension_mm_yr, dicom.growth.extension_mm_yr, rtol=0.01)
    np.testing.assert_allclose(stack.growth.density_g_cm3, dicom.growth.density_g_cm3, atol=0.005)


def test_without_standards_extension_only(scans):
    path = write_record(scans, phantom(seed=1), "core1", name="bare.toml")
    text = path.read_text()
    path.write_text(text[: text.index("[density]")] + text[text.index("[dating]"):])
    result = bandkit.measure(path)
    assert "no-standards" in codes(result)
    assert np.isnan(result.growth.density_g_cm3).all()
    whole = result.growth.complete == "yes"
    assert result.growth.extension_mm_yr[whole].mean() == pytest.approx(phantom(seed=1).year_extension_mm.mean(), rel=0.02)


def test_beam_that_hardened_is_told(tmp_path):
    core = Phantom(seed=3, cupping_hu=120.0, size_px=(110, 100, 72), n_years=4)
    core.write_dicom(tmp_path / "core")
    result = bandkit.measure(write_record(tmp_path, core, "core"))
    assert "beam-hardening" in codes(result)


def test_missing_slices_leave_a_hole_that_is_told(scans, tmp_path):
    shutil.copytree(scans / "core1", tmp_path / "core")
    for number in range(60, 65):
        (tmp_path / "core" / f"IM{120 - number:04d}").unlink()
    record = tmp_path / "TB-31.toml"
    # Positions are counted in the slices that are there.
    record.write_text(write_record(scans, phantom(seed=1), "core1").read_text().replace('file = "core1"', 'file = "core"'))
    with open_slab(read_record(record)) as image:
        cut = image.read(0, 0, image.width_px, image.height_px)
        assert [note.code for note in image.notes] == ["slices-missing"]
        assert image.notes[0].detail.startswith("6 mm after slice 59; usual are 1 mm")
    assert np.isnan(cut[:, cut.shape[1] // 2]).sum() > 5


def test_nothing_of_the_patient_is_in_any_output(scans, tmp_path):
    record = write_record(scans, phantom(seed=1), "core1", name="private.toml")
    bandkit.measure(record).write(tmp_path / "out")
    (tmp_path / "new").mkdir()
    shutil.copytree(scans / "core1", tmp_path / "new" / "core1")
    runner = CliRunner()
    assert runner.invoke(app, ["new", str(tmp_path / "new" / "core1")]).exit_code == 0
    assert runner.invoke(app, ["check", str(record)]).exit_code == 0
    written = [path for path in tmp_path.rglob("*") if path.is_file() and path.parent.name != "core1"]
    assert len(written) > 8
    source = next((scans / "core1").iterdir()).read_bytes()
    for secret in (PATIENT.encode(), b"Nobody", PRIVATE_TEXT.encode(), b"NOBODYS SCANNER", b"RN-4711"):
        assert secret in source, "the test looks for what is there to be copied"
        assert [path.name for path in written if secret in path.read_bytes()] == []


@pytest.mark.parametrize("photometric", [pytest.param("MONOCHROME2", marks=pytest.mark.slow), "MONOCHROME1"])
def test_radiograph_in_dicom_is_measured_as_in_tiff(tmp_path, photometric):
    slab = make_radiograph("easy", 3)
    stored = slab.image if photometric == "MONOCHROME2" else 65535 - slab.image
    side = slab.mm_per_px
    write_dicom(tmp_path / "TB-61.dcm", stored, bits=16, PhotometricInterpretation=photometric, ImagerPixelSpacing=[side, side],
                BurnedInAnnotation="YES")
    as_tiff = bandkit.measure(slab.write(tmp_path))
    text = re.sub(r"bar = .*", 'source = "file"', slab.record_text("TB-61.dcm"))
    (tmp_path / "dicom.toml").write_text(text)
    result = bandkit.measure(tmp_path / "dicom.toml")
    assert {"spacing-at-detector", "burned-in-text"} <= codes(result)
    np.testing.assert_allclose(result.growth.extension_mm_yr, as_tiff.growth.extension_mm_yr, rtol=0.02)
    np.testing.assert_allclose(result.growth.density_g_cm3, as_tiff.growth.density_g_cm3, rtol=0.02)
    for path in result.write(tmp_path / "out").iterdir():
        assert not any(secret in path.read_bytes() for secret in (b"Nobody", PRIVATE_TEXT.encode(), b"RN-4711")), path.name


@pytest.mark.slow
def test_volume_is_part_of_what_a_batch_compares(scans, tmp_path):
    record = write_record(scans, phantom(seed=1), "core1", name="again.toml")
    runner = CliRunner()
    first = runner.invoke(app, ["measure", str(record), "--out", str(tmp_path)])
    assert (first.exit_code, "(unchanged)" in first.stdout) == (0, False)
    assert "(unchanged)" in runner.invoke(app, ["measure", str(record), "--out", str(tmp_path)]).stdout
    provenance = json.loads((tmp_path / "TB-31" / "result.json").read_text())["provenance"]
    assert len(provenance["image_sha256"]) == 64


# -- a new record, and the cut to look at ----------------------------------------------------------


def test_new_record_of_a_scan_is_fit_to_be_measured(scans, tmp_path):
    core = phantom(seed=2)
    shutil.copytree(scans / "core2", tmp_path / "TB-31.b")
    done = CliRunner().invoke(app, ["new", str(tmp_path / "TB-31.b")])
    assert done.exit_code == 0, done.stderr
    assert [Path(line).name for line in done.stdout.splitlines()] == ["TB-31.b.toml", "TB-31.b_cut.tif", "TB-31.b_views.png"]
    record = read_record(tmp_path / "TB-31.b.toml")
    assert record.volume is not None
    above, below, _ = np.array(record.volume.points_px) * core.voxel_mm
    way = (below - above) / np.linalg.norm(below - above)
    assert np.degrees(np.arccos(way @ core.way)) < 3.0
    assert np.linalg.norm(above - core.top_mm) < 3.0
    with Image.open(tmp_path / "TB-31.b_views.png") as page:
        assert page.size[0] > 1000
    with tifffile.TiffFile(tmp_path / "TB-31.b_cut.tif") as tiff:
        page = tiff.pages[0]
        assert page.dtype == np.int16
        assert page.tags["XResolution"].value[0] / page.tags["XResolution"].value[1] == pytest.approx(10 / 0.6)
    result = bandkit.measure(record)
    whole = result.growth.complete == "yes"
    assert result.growth.extension_mm_yr[whole].mean() == pytest.approx(core.year_extension_mm.mean(), rel=0.02)
    again = CliRunner().invoke(app, ["new", str(tmp_path / "TB-31.b")])
    assert again.exit_code == 3
    assert "is there already and was not overwritten" in again.stderr


def test_new_record_of_a_stack_asks_for_the_voxel(scans, tmp_path):
    shutil.copytree(scans / "stack1", tmp_path / "stack1")
    done = CliRunner().invoke(app, ["new", str(tmp_path / "stack1")])
    assert done.exit_code == 0
    assert "write volume.voxel_mm" in done.stderr
    assert "then bandkit cut" in done.stderr
    path = tmp_path / "stack1.toml"
    text = path.read_text()
    assert "# fill in: voxel_mm = " in text
    assert "[[track]]" not in text
    path.write_text(text.replace("# fill in: voxel_mm = [0.4, 0.4, 0.6]", "voxel_mm = [0.6, 0.6, 1.0]"))
    done = CliRunner().invoke(app, ["cut", str(path)])
    assert done.exit_code == 0, done.stderr
    assert {path.name for path in tmp_path.glob("stack1_*")} == {"stack1_cut.tif", "stack1_views.png"}


@pytest.mark.parametrize(("elements", "kind", "values", "said"), [
    ({"Modality": "CT", "PixelSpacing": [0.5, 0.5]}, "ct", "hounsfield", "holds in the slab itself"),
    ({"Modality": "CR", "ImagerPixelSpacing": [0.5, 0.5]}, "radiograph", "intensity", "holds at the detector"),
    ({"Modality": "OT", "PixelSpacing": [0.5, 0.5]}, "radiograph", "intensity", "may hold in the slab or at the detector"),
])
def test_new_record_says_what_the_file_says(tmp_path, elements, kind, values, said):
    write_dicom(tmp_path / "a.dcm", np.tile(np.arange(64, dtype=np.uint16) * 50, (48, 1)), **elements)
    done = CliRunner().invoke(app, ["new", str(tmp_path / "a.dcm")])
    assert done.exit_code == 0, done.stderr
    record = read_record(tmp_path / "a.toml")
    assert (record.image.kind, record.image.values, record.scale.from_file) == (kind, values, True)
    assert said in record.text


def test_new_record_without_a_spacing_asks_for_a_scale(tmp_path):
    write_dicom(tmp_path / "a.dcm", np.tile(np.arange(64, dtype=np.uint16) * 50, (48, 1)))
    assert CliRunner().invoke(app, ["new", str(tmp_path / "a.dcm")]).exit_code == 0
    assert 'source = "file"  # proposed' not in (tmp_path / "a.toml").read_text()


def test_single_slice_along_the_core(tmp_path):
    """One slice that a scanner laid along the core: Hounsfield units, boxes in it, no slab thickness."""
    core = phantom(seed=1)
    core.write_tiff(tmp_path / "stack")
    with open_slab(parse_record(core.record_text("stack", None, more="voxel_mm = [0.6, 0.6, 1.0]\n"), tmp_path / "x.toml")) as image:
        cut = np.nan_to_num(image.read(0, 0, image.width_px, image.height_px), nan=-1000.0)
        ends = [core.top_mm - 4 * core.way, core.top_mm + (core.length_mm - 1) * core.way]
        track = image.frame.to_px(np.array(ends))
    # Beside the core, in the air, two things of known density.
    for top, density in ((20, 0.9), (60, 2.1)):
        cut[top:top + 20, 2:14] = -1000 + 1743 / 1.30 * density + np.random.default_rng(top).normal(0, 20, (20, 12))
    write_slice(tmp_path / "one.dcm", cut, (0.6, 0.6), (0, 0, 0))
    points = ", ".join(f"[{x:.1f}, {y:.1f}]" for x, y in track)
    (tmp_path / "one.toml").write_text(
        'record = 1\n[specimen]\nid = "TB-31"\n[image]\nfile = "one.dcm"\nkind = "ct"\nvalues = "hounsfield"\n'
        '[scale]\nsource = "file"\n[density]\nstandards = [\n'
        '  { box_px = [3, 22, 12, 38], material = "aragonite", density_g_cm3 = 0.9 },\n'
        '  { box_px = [3, 62, 12, 78], material = "aragonite", density_g_cm3 = 2.1 },\n]\n'
        f'[dating]\nmark = "density maximum"\n[[track]]\nname = "A"\npoints_px = [{points}]\nfollow_mm = 30.0\n')
    result = bandkit.measure(tmp_path / "one.toml")
    whole = result.growth.complete == "yes"
    assert result.growth.extension_mm_yr[whole].mean() == pytest.approx(core.year_extension_mm.mean(), rel=0.02)
    np.testing.assert_allclose(result.growth.density_g_cm3[whole], core.track_g_cm3(), atol=0.03)
    assert not codes(result) & {"scale-from-file-tags", "no-thickness", "spacing-unclear"}


def test_cut_of_a_record_without_a_volume(tmp_path):
    write_dicom(tmp_path / "a.dcm")
    (tmp_path / "a.toml").write_text('record = 1\n[specimen]\nid = "TB-07"\n[image]\nfile = "a.dcm"\nkind = "radiograph"\n[scale]\nmm_per_px = 0.1\n')
    done = CliRunner().invoke(app, ["cut", str(tmp_path / "a.toml")])
    assert done.exit_code == 3
    assert "volume: missing; only a slab cut out of a scan has a cut to show" in done.stderr


def test_check_of_a_scan_reads_no_slices(scans, monkeypatch):
    record = write_record(scans, phantom(seed=1), "core1", name="check.toml")
    monkeypatch.setattr("bandkit.images.dicom._decode", lambda *_: pytest.fail("a slice was decoded"))
    done = CliRunner().invoke(app, ["check", str(record)])
    assert done.exit_code == 0, done.output
    assert "scale-from-file-tags" not in done.stdout


# -- what a person gets wrong ----------------------------------------------------------------------


def test_points_outside_the_volume(scans):
    path = write_record(scans, phantom(seed=1), "core1", name="outside.toml")
    record = parse_record(path.read_text().replace("thickness_mm = 5", "thickness_mm = 5\npx_mm = 0.0001"), path)
    with pytest.raises(InputError, match=r"outside\.toml: volume\.px_mm: pixels of 0\.0001 mm make a picture of"):
        bandkit.measure(record)
    text = path.read_text()
    start = text.index("points_px = [[") + len("points_px = [[")
    with pytest.raises(RecordError, match=r"outside\.toml: volume\.points_px\[1\]: \[999.*lies outside the volume of 110 x 100 x 120"):
        bandkit.measure(parse_record(text[:start] + "999, " + text[start:].split(",", 1)[1].lstrip(), path))


def test_track_in_the_air(scans):
    core = phantom(seed=1)
    path = write_record(scans, core, "core1", name="air.toml")
    text = path.read_text()
    path.write_text(text[: text.index("[[track]]")] + '[[track]]\nname = "A"\npoints_px = [[8, 40], [14, 120]]\n')
    with pytest.raises(DetectionError, match=r"air\.toml: track\.A\.points_px: no skeleton lies under this track"):
        bandkit.measure(path)


@pytest.mark.slow
def test_memory_stays_bounded(tmp_path):
    """A quarter of 512 x 512 x 800 voxels; the whole is measured in tests/benchmarks/ct_memory.py."""
    import sys

    sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))
    from ct_memory import measured, write_scan

    record = write_scan(tmp_path, 200)
    _, _, peak_mb, _, marks, worked_s = measured(record)
    assert marks >= 3
    assert peak_mb < 400, "the volume alone takes 105 MB in 16 bits, 420 MB in double precision"
    assert worked_s < 20
