"""DICOM files: each read right, or refused with the right reason."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import imagecodecs
import numpy as np
import pydicom
import pytest
from dicom_files import GREYS, dicom, write_dicom
from image_files import codes, whole
from pydicom.data import get_testdata_file
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

from bandkit.errors import ImageReadError
from bandkit.images import open_image
from bandkit.images.kinds import is_dicom

JPEG, JPEG_12, JPEG_LOSSLESS, JPEG_LS, J2K_LOSSLESS, MPEG = (
    f"1.2.840.10008.1.2.4.{number}" for number in (50, 51, 70, 80, 90, 102))


def refuse(path: Path, message: str, reason: str) -> None:
    with pytest.raises(ImageReadError, match=message) as caught, open_image(path) as image:
        whole(image)
    assert caught.value.reason == reason
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)


def read(path: Path) -> np.ndarray:
    with open_image(path) as image:
        return whole(image)


# -- what the numbers mean -------------------------------------------------------------------------


def test_greys_come_as_stored(tmp_path):
    with open_image(write_dicom(tmp_path / "a.dcm")) as image:
        assert (image.format, image.width_px, image.height_px, image.channels) == ("DICOM", 16, 12, 1)
        assert (image.dtype, image.bits, image.full_scale) == (np.uint16, 12, 4095.0)
        assert image.resolution_mm_px is None
        assert codes(image) == []
        np.testing.assert_array_equal(whole(image), GREYS)
        np.testing.assert_array_equal(image.read(3, 2, 9, 11), GREYS[2:11, 3:9])


def test_white_at_zero_is_turned_round(tmp_path):
    with open_image(write_dicom(tmp_path / "a.dcm", PhotometricInterpretation="MONOCHROME1")) as image:
        assert codes(image) == ["inverted-greys"]
        np.testing.assert_array_equal(whole(image), 4095 - GREYS)


def test_line_to_real_numbers_is_applied(tmp_path):
    with open_image(write_dicom(tmp_path / "a.dcm", RescaleSlope="2", RescaleIntercept="-100")) as image:
        np.testing.assert_array_equal(whole(image), 2 * GREYS.astype(int) - 100)
        assert image.dtype == np.int16
        assert image.full_scale == 2 * 4095 - 100
    with open_image(write_dicom(tmp_path / "b.dcm", RescaleSlope="0.5", RescaleIntercept="0.25")) as image:
        np.testing.assert_array_equal(whole(image), GREYS * 0.5 + 0.25)
        assert image.dtype == np.float32


def test_inverted_greys_with_a_line_stay_in_their_range(tmp_path):
    path = write_dicom(tmp_path / "a.dcm", PhotometricInterpretation="MONOCHROME1", RescaleSlope="0.5", RescaleIntercept="10")
    np.testing.assert_allclose(read(path), 10 + (10 + 0.5 * 4095) - (0.5 * GREYS + 10))


def test_table_to_real_numbers_is_applied(tmp_path):
    table = Dataset()
    table.LUTDescriptor, table.LUTData = [4096, 0, 16], (np.arange(4096, dtype="<u2")[::-1] * 3).tobytes()
    table.ModalityLUTType = "US"
    table["LUTDescriptor"].VR, table["LUTData"].VR = "US", "OW"
    path = write_dicom(tmp_path / "a.dcm", ModalityLUTSequence=Sequence([table]))
    np.testing.assert_array_equal(read(path), (4095 - GREYS.astype(int)) * 3)


def test_hounsfield_units_are_numbers_not_greys(tmp_path):
    signed = GREYS.astype(np.int16) - 1000
    ct = {"Modality": "CT", "RescaleSlope": "1", "RescaleIntercept": "-24", "PixelSpacing": [0.5, 0.4]}
    with open_image(write_dicom(tmp_path / "a.dcm", signed, bits=16, PhotometricInterpretation="MONOCHROME1", **ct)) as image:
        np.testing.assert_array_equal(whole(image), signed - 24)
        assert codes(image) == []
        assert image.resolution_mm_px == (0.4, 0.5)
        assert image.spacing_at == "object"


@pytest.mark.parametrize(("padding", "missing"), [(0, True), (-2000, False)])
def test_what_was_not_scanned_is_no_number(tmp_path, padding, missing):
    ct = {"Modality": "CT", "RescaleSlope": "1", "RescaleIntercept": "-2000"}
    path = write_dicom(tmp_path / "a.dcm", GREYS.astype(np.int16), bits=16, PixelPaddingValue=padding, **ct)
    assert np.isnan(read(path)[0, 0]) == missing
    assert read(path)[0, 1] == 21 - 2000


def test_padding_that_could_be_air_is_left(tmp_path):
    ct = {"Modality": "CT", "RescaleSlope": "1", "RescaleIntercept": "-1000"}
    assert read(write_dicom(tmp_path / "a.dcm", GREYS, bits=16, PixelPaddingValue=0, **ct))[0, 0] == -1000


def test_bits_beside_the_stored_ones_are_no_part_of_a_number(tmp_path):
    overlaid = GREYS | 0xF000
    np.testing.assert_array_equal(read(write_dicom(tmp_path / "a.dcm", overlaid)), GREYS)
    negative = np.array([[0x0FFF, 0x0800], [0x0001, 0x07FF]], np.uint16).view(np.int16)
    np.testing.assert_array_equal(read(write_dicom(tmp_path / "b.dcm", negative)), [[-1, -2048], [1, 2047]])
    shifted = GREYS << 4
    np.testing.assert_array_equal(read(write_dicom(tmp_path / "c.dcm", shifted, HighBit=15)), GREYS)


def test_colour_and_palette(tmp_path):
    colours = np.stack([GREYS, GREYS[::-1], GREYS[:, ::-1]], axis=-1).astype(np.uint8)
    with open_image(write_dicom(tmp_path / "a.dcm", colours, bits=8)) as image:
        assert image.channels == 3
        np.testing.assert_array_equal(whole(image), colours)
    with open_image(get_testdata_file("examples_palette.dcm", download=False)) as image:
        assert codes(image) == ["palette-colours"]
        assert whole(image).shape == (350, 800, 3)


@pytest.mark.parametrize(("elements", "code"), [
    ({"BurnedInAnnotation": "YES"}, "burned-in-text"),
    ({"LossyImageCompression": "01"}, "lossy-compression"),
    ({"PresentationIntentType": "FOR PRESENTATION"}, "greys-for-viewing"),
    ({"PixelIntensityRelationship": "LOG"}, "greys-logarithmic"),
    ({"Modality": "CT", "ImageType": ["ORIGINAL", "PRIMARY", "LOCALIZER"]}, "scan-localizer"),
])
def test_doubts_that_the_file_raises(tmp_path, elements, code):
    with open_image(write_dicom(tmp_path / "a.dcm", **elements)) as image:
        assert codes(image) == [code]


def test_file_without_doubts_raises_none(tmp_path):
    elements = {"BurnedInAnnotation": "NO", "LossyImageCompression": "00", "PresentationIntentType": "FOR PROCESSING",
                "PixelIntensityRelationship": "LIN"}
    with open_image(write_dicom(tmp_path / "a.dcm", **elements)) as image:
        assert codes(image) == []


# -- where the spacing holds -----------------------------------------------------------------------

AT_DETECTOR = {"ImagerPixelSpacing": [0.2, 0.1]}


@pytest.mark.parametrize(("elements", "stated", "at", "magnification"), [
    ({}, None, "tags", None),
    (AT_DETECTOR, (0.1, 0.2), "detector", None),
    ({"NominalScannedPixelSpacing": [0.2, 0.1]}, (0.1, 0.2), "detector", None),
    ({**AT_DETECTOR, "EstimatedRadiographicMagnificationFactor": "1.04"}, (0.1, 0.2), "detector", 1.04),
    ({**AT_DETECTOR, "DistanceSourceToDetector": "1000", "DistanceSourceToPatient": "950"}, (0.1, 0.2), "detector", 1000 / 950),
    ({**AT_DETECTOR, "DistanceSourceToDetector": "1000", "DistanceSourceToPatient": "1200"}, (0.1, 0.2), "detector", None),
    ({**AT_DETECTOR, "PixelSpacing": [0.2, 0.1]}, (0.1, 0.2), "detector", None),
    ({**AT_DETECTOR, "PixelSpacing": [0.19, 0.095], "PixelSpacingCalibrationType": "FIDUCIAL"}, (0.095, 0.19), "object", None),
    ({**AT_DETECTOR, "PixelSpacing": [0.19, 0.095], "PixelSpacingCalibrationType": "GEOMETRY"}, (0.095, 0.19), "unclear", None),
    ({**AT_DETECTOR, "PixelSpacing": [0.19, 0.095]}, (0.095, 0.19), "unclear", None),
    ({"PixelSpacing": [0.2, 0.1]}, (0.1, 0.2), "unclear", None),
    ({"PixelSpacing": [0.2, 0.1], "Modality": "CT"}, (0.1, 0.2), "object", None),
    ({"PixelSpacing": [0.0, 0.1]}, None, "tags", None),
    ({"PixelSpacing": [0.2, 0.1], "Modality": "CT", "ImageType": ["ORIGINAL", "PRIMARY", "LOCALIZER"]}, (0.1, 0.2), "unclear", None),
])
def test_where_the_spacing_holds(tmp_path, elements, stated, at, magnification):
    with open_image(write_dicom(tmp_path / "a.dcm", **elements)) as image:
        assert image.resolution_mm_px == stated
        assert image.spacing_at == at
        assert image.magnification == (None if magnification is None else pytest.approx(magnification))


def test_how_it_was_made_is_told_without_names(tmp_path):
    made = {"KVP": "55", "XRayTubeCurrent": "100", "ConvolutionKernel": "B70s"}
    with open_image(write_dicom(tmp_path / "a.dcm", **made)) as image:
        assert dict(image.header.acquisition) == {"tube_kv": 55.0, "tube_ma": 100.0, "kernel": "B70s"}


# -- compressions ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("syntax", "pack"), [
    (J2K_LOSSLESS, lambda v: imagecodecs.jpeg2k_encode(v, level=0, codecformat="j2k", reversible=True)),
    (JPEG_LS, imagecodecs.jpegls_encode),
    (JPEG_LOSSLESS, lambda v: imagecodecs.ljpeg_encode(v, bitspersample=16)),
])
def test_lossless_compressions(tmp_path, syntax, pack):
    path = write_dicom(tmp_path / "a.dcm", bits=16, syntax=syntax, packed=bytes(pack(GREYS)))
    np.testing.assert_array_equal(read(path), GREYS)


def test_jpeg_2000_as_a_file_of_its_own_inside(tmp_path):
    packed = bytes(imagecodecs.jpeg2k_encode(GREYS, level=0, codecformat="jp2", reversible=True))
    assert packed[4:8] == b"jP  "
    np.testing.assert_array_equal(read(write_dicom(tmp_path / "a.dcm", bits=16, syntax=J2K_LOSSLESS, packed=packed)), GREYS)
    large = bytes(imagecodecs.jpeg2k_encode(np.zeros((300, 400), np.uint16), level=0, codecformat="jp2", reversible=True))
    path = write_dicom(tmp_path / "b.dcm", bits=16, syntax=J2K_LOSSLESS, packed=large)
    refuse(path, "the header says 16 x 12 px, the packed picture 400 x 300", "unreadable-image")


def test_run_lengths(tmp_path):
    data = dicom()
    data.compress(pydicom.uid.RLELossless)
    pydicom.dcmwrite(tmp_path / "a.dcm", data)
    np.testing.assert_array_equal(read(tmp_path / "a.dcm"), GREYS)


def test_plain_jpeg(tmp_path):
    smooth = np.add.outer(np.arange(32), np.arange(40)).astype(np.uint8)
    path = write_dicom(tmp_path / "a.dcm", smooth, bits=8, syntax=JPEG, packed=bytes(imagecodecs.jpeg_encode(smooth, level=95)))
    assert np.abs(read(path).astype(int) - smooth).max() <= 3


def test_rare_compression_without_its_decoder(tmp_path, monkeypatch):
    path = write_dicom(tmp_path / "a.dcm", bits=16, syntax=JPEG_LS, packed=bytes(imagecodecs.jpegls_encode(GREYS)))
    monkeypatch.setattr("importlib.util.find_spec", lambda *_: None)
    refuse(path, r"JPEG-LS in DICOM needs the package imagecodecs: pip install \"bandkit\[tiff\]\"", "missing-extra")


def test_film_is_no_picture(tmp_path):
    path = write_dicom(tmp_path / "a.dcm", bits=16, syntax=MPEG, packed=b"\0\0\1\xb3" + bytes(60))
    refuse(path, r"transfer syntax 1\.2\.840\.10008\.1\.2\.4\.102 \(MPEG-4.*\) is not read; export it uncompressed", "unsupported-image")


# -- telling, refusing -----------------------------------------------------------------------------


@pytest.mark.parametrize("implicit", [True, False])
def test_file_without_the_usual_beginning(tmp_path, implicit):
    data = dicom()
    del data.file_meta
    data.preamble = None
    data.save_as(tmp_path / "a.dcm", implicit_vr=implicit, little_endian=True, enforce_file_format=False)
    assert (tmp_path / "a.dcm").read_bytes()[:2] == b"\x08\0"
    np.testing.assert_array_equal(read(tmp_path / "a.dcm"), GREYS)


def test_dicom_may_begin_like_a_tiff(tmp_path):
    path = write_dicom(tmp_path / "a.dcm")
    content = path.read_bytes()
    path.write_bytes(b"II*\0" + content[4:])
    np.testing.assert_array_equal(read(path), GREYS)


@pytest.mark.parametrize(("start", "told"), [
    (bytes(128) + b"DICM", True), (b"\x08\0\x05\0CS\n\0ISO_IR", True), (b"\0\x08\0\x05CS\0\nISO_IR", True),
    (b"\x08\0\x00\0\x04\0\0\0\x10\0\0\0", True), (b"\x08\0\x00\0\xff\xff\xff\x7f\x10\0\0\0", False),
    (b"\x08\0\x05\0", False), (bytes(200), False), (b"II*\0\x08\0\0\0\0\0\0\0", False), (b"\x02\0abcdefghijkl", False)])
def test_telling_dicom_by_its_first_bytes(start, told):
    assert is_dicom(start, 10_000) == told


@pytest.mark.parametrize(("elements", "message"), [
    ({"NumberOfFrames": "3"}, "the file holds 3 frames, and which one is meant is not known; export the one wanted"),
    ({"PhotometricInterpretation": "CMYK"}, "the file holds CMYK pixels; export it as grey or RGB"),
    ({"SamplesPerPixel": 2}, "2 values per pixel do not fit MONOCHROME2; export it as grey or RGB"),
    ({"BitsAllocated": 1, "BitsStored": 1, "HighBit": 0}, "1 bits in 1 are not read; export it with 8 to 16 bits"),
    ({"HighBit": 3}, "bits 12 below bit 3 do not fit; export it anew"),
    ({"RescaleSlope": "0", "RescaleIntercept": "0"}, "rescale slope 0 and intercept 0 say nothing; export it anew"),
])
def test_layouts_that_cannot_be_measured(tmp_path, elements, message):
    refuse(write_dicom(tmp_path / "a.dcm", **elements), message, "unsupported-image")


def test_other_things_in_dicom(tmp_path):
    refuse(write_dicom(tmp_path / "a.dcm", Rows=None, Modality="SR"),
           r"this DICOM file holds no picture \(modality SR\); name the file with the picture", "no-picture")
    refuse(write_dicom(tmp_path / "b.dcm", Rows=0), "the image is empty, 16 x 0 px", "unreadable-image")
    deflated = get_testdata_file("image_dfl.dcm", download=False)
    refuse(Path(deflated), r"transfer syntax 1\.2\.840\.10008\.1\.2\.1\.99 \(deflated as a whole\) is not read", "unsupported-image")
    listing = Path(get_testdata_file("DICOMDIR-empty.dcm", download=False))
    refuse(listing, "this is the table of contents of a DICOM disc, not a picture", "no-picture")


def test_without_its_library_the_extra_is_named(tmp_path, monkeypatch):
    path = write_dicom(tmp_path / "a.dcm")
    monkeypatch.setitem(sys.modules, "pydicom", None)
    refuse(path, r"DICOM needs the package pydicom: pip install \"bandkit\[dicom\]\"", "missing-extra")


def test_truncated(tmp_path):
    path = write_dicom(tmp_path / "a.dcm")
    path.write_bytes(path.read_bytes()[:-100])
    refuse(path, "the file ends before the part of the image that is needed", "truncated-image")
    data = dicom()
    del data.PixelData
    pydicom.dcmwrite(path, data, enforce_file_format=True)
    refuse(path, "the file ends before the part of the image that is needed", "truncated-image")


@pytest.mark.parametrize("share", np.linspace(0.13, 0.999, 25))
def test_piece_of_a_file_is_refused(tmp_path, share):
    path = write_dicom(tmp_path / "a.dcm")
    content = path.read_bytes()
    path.write_bytes(content[: int(share * len(content))])
    with pytest.raises(ImageReadError, match=r"a\.dcm: "), open_image(path) as image:
        whole(image)


@pytest.mark.parametrize("seed", range(40))
def test_damaged_bytes_raise_our_own_errors_only(tmp_path, seed):
    rng = np.random.default_rng(seed)
    packed = bytes(imagecodecs.jpeg2k_encode(GREYS, level=0, codecformat="j2k", reversible=True))
    options = {"bits": 16, "syntax": J2K_LOSSLESS, "packed": packed} if seed % 2 else {}
    path = write_dicom(tmp_path / "a.dcm", **options)
    content = bytearray(path.read_bytes())
    for at in rng.integers(132, len(content), 6):
        content[at] = rng.integers(256)
    path.write_bytes(content)
    try:
        read(path)
        told = f"{path}: "
    except ImageReadError as error:
        told = str(error)
    assert told.startswith(f"{path}: ")


@pytest.mark.parametrize("packed", [None, b"\xff\x4f\xff\x51\x00\x29\x00\x00\x00\x00\x4e\x20\x00\x00\x4e\x20" + bytes(40)])
def test_claims_of_size_allocate_nothing(tmp_path, packed):
    """Where the header says gigabytes, a small file is refused before they are asked for."""
    options = {} if packed is None else {"syntax": J2K_LOSSLESS, "packed": packed}
    path = write_dicom(tmp_path / "a.dcm", Rows=20000, Columns=20000, **options)
    code = ("import resource, sys\nfrom bandkit.errors import ImageReadError\nfrom bandkit.images import open_image\n"
            "import pydicom, PIL.Image\n"
            "resource.setrlimit(resource.RLIMIT_AS, (1_200_000_000,) * 2)\n"
            "try:\n  with open_image(sys.argv[1]) as image: image.read(0, 0, 9, 9)\n"
            "except ImageReadError as error: print(error.reason)\n")
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.strip() == "truncated-image"


def test_packed_picture_larger_than_its_header(tmp_path):
    large = np.zeros((300, 400), np.uint16)
    packed = bytes(imagecodecs.jpeg2k_encode(large, level=0, codecformat="j2k", reversible=True))
    path = write_dicom(tmp_path / "a.dcm", bits=16, syntax=J2K_LOSSLESS, packed=packed)
    refuse(path, "the header says 16 x 12 px, the packed picture 400 x 300; export it anew", "unreadable-image")
    packed = bytes(imagecodecs.jpegls_encode(large))
    path = write_dicom(tmp_path / "b.dcm", bits=16, syntax=JPEG_LS, packed=packed)
    refuse(path, "the header says 16 x 12 px, the packed picture 400 x 300; export it anew", "unreadable-image")


# -- files that other programs wrote ---------------------------------------------------------------


@pytest.mark.parametrize("name", ["MR_small_RLE", "MR_small_bigendian", "MR_small_expb", "MR_small_implicit",
                                  "MR_small_jp2klossless", "MR_small_jpeg_ls_lossless", "MR_small_padded"])
def test_one_picture_in_many_ways(name):
    plain, other = (get_testdata_file(f"{n}.dcm", download=False) for n in ("MR_small", name))
    np.testing.assert_array_equal(read(other), read(plain))


@pytest.mark.parametrize(("name", "size", "low", "high"), [
    ("CT_small", (128, 128), -896, 1167), ("693_J2KI", (512, 512), None, 1812), ("JPGExtended", (256, 1024), 0, 264)])
def test_files_of_scanners(name, size, low, high):
    with open_image(get_testdata_file(f"{name}.dcm", download=False)) as image:
        values = whole(image)
        assert (image.width_px, image.height_px) == size
    assert np.nanmax(values) == high
    assert low is None or np.nanmin(values) == low


def test_real_files_are_each_read_right_or_refused():
    if not os.environ.get("BANDKIT_REAL_DATA"):
        pytest.skip("BANDKIT_REAL_DATA is not set")
    folder = Path(os.environ["BANDKIT_REAL_DATA"]) / "dicom-test-files"
    told = {}
    for path in sorted(folder.glob("*.dcm")):
        with open_image(path) as image:
            values = whole(image)
            spacing = image.resolution_mm_px
            assert spacing is not None
            told[path.stem] = ((image.width_px, image.height_px), image.spacing_at, tuple(round(s, 6) for s in spacing),
                               set(codes(image)), float(np.nanmax(values)))
    assert told["CT_small"] == ((128, 128), "object", (0.661468, 0.661468), set(), 2191 - 1024)
    assert told["693_J2KI"][:3] == ((512, 512), "object", (0.478516, 0.478516))
    assert told["J2K_pixelrep_mismatch"][:3] == ((512, 512), "object", (0.431, 0.431))
    assert told["pydicom_CR1_6154"][:3] == ((16, 16), "detector", (0.1, 0.1))
    assert told["pydicom_CR2_6247"][3] == {"inverted-greys"}
    assert told["pydicom_CT2N_6293_localizer"][1:4] == ("unclear", (0.596847, 0.545455), {"scan-localizer"})
    assert told["highdicom_dx_image"][1:4] == ("detector", (1.2012, 1.2), {"inverted-greys", "greys-for-viewing"})
