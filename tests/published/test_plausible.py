"""Ranges by genus hold the published values, and warn outside them."""

import pytest

from bandkit.plausible import GENUS_RANGES, genus_range


@pytest.mark.parametrize(
    ("taxon", "extension_mm_yr", "source"),
    [
        ("Porites sp.", 13.0, "Abraham Reef, Lough & Barnes, Coral-List 2002"),
        ("Porites sp.", 9.4, "Sanctuary Reef, Lough & Barnes, Coral-List 2002"),
        ("Porites sp.", 19.0, "Barnes & Lough 1989"),
        ("Porites sp.", 8.0, "Barnes & Lough 1989"),
        ("Porites lobata", 7.48, "Klein & Loya 1991, northern Red Sea"),
        ("Porites columnaris", 5.68, "Klein & Loya 1991, northern Red Sea"),
        ("Porites lutea", 22.0, "surface annuli of microatolls, Abaiang 1998-2000"),
        ("Acropora yongei", 51.0, "PMC4349054, 32 degrees south"),
        ("Pocillopora damicornis", 1.54 / 35 * 365.25, "branch tips, 1.54 to 1.79 mm in 35 days"),
        ("Pocillopora damicornis", 1.79 / 35 * 365.25, "branch tips, 1.54 to 1.79 mm in 35 days"),
        ("Diploastrea heliopora", 3.5, "Lough & Barnes, Coral-List 2002"),
        ("Diploria labyrinthiformis", 3.5, "encyclopaedic"),
    ],
)
def test_published_extension_is_within_the_range(taxon, extension_mm_yr, source):
    least, most = genus_range(taxon).extension_mm_yr
    assert least <= extension_mm_yr <= most, source


@pytest.mark.parametrize(
    ("taxon", "density_g_cm3", "source"),
    [
        ("Porites sp.", 1.32, "Cooper et al. 2008"),
        ("Porites sp.", 1.25, "Cooper et al. 2008"),
        ("Porites lutea", 1.4, "Ta'u colony, Brown et al. 2009"),
        ("Porites sp.", 1.45, "Ishigaki, JAMSTEC Report 16:31, 2013"),
        ("Porites sp.", 1.70, "Ishigaki, JAMSTEC Report 16:31, 2013"),
        ("Acropora sp.", 0.86, "branch tips, Bucher et al. 1998"),
        ("Acropora sp.", 1.68, "branch tips, Bucher et al. 1998"),
    ],
)
def test_published_density_is_within_the_range(taxon, density_g_cm3, source):
    least, most = genus_range(taxon).density_g_cm3
    assert least <= density_g_cm3 <= most, source


def test_a_slip_of_the_decimal_point_is_outside_every_range():
    for genus, known in GENUS_RANGES.items():
        least, most = known.extension_mm_yr
        middle = (least * most) ** 0.5
        assert not least <= middle * 10 <= most, genus
        assert not least <= middle / 10 <= most, genus
        assert known.source


def test_names_of_genera():
    assert genus_range("PORITES lutea") is GENUS_RANGES["porites"]
    assert genus_range("Montastraea annularis") is GENUS_RANGES["orbicella"]
    assert genus_range("Favia pallida") is None
    assert genus_range("") is None
