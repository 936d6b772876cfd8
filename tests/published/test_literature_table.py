"""Row by row against published tables: C = E x D with the residuals that the tables are known to have.

Needs the folder of open data sets in the environment variable ``BANDKIT_REAL_DATA``; skipped without it.
"""

import csv
import os
from pathlib import Path

import numpy as np
import pytest

from bandkit.growth import calcification
from bandkit.plausible import genus_range

PORITES_TABLE = "porites-literature-sst/Extracted_Results_SST_DSR_kd490_Literature.xlsx"
SIDERASTREA_TABLE = "florida-siderastrea-1890-2014/YIRCR12S_Growth.csv"


def real_data(name):
    folder = os.environ.get("BANDKIT_REAL_DATA")
    if not folder:
        pytest.skip("BANDKIT_REAL_DATA is not set")
    path = Path(folder) / name
    if not path.exists():
        pytest.skip(f"{name} is not in BANDKIT_REAL_DATA")
    return path


@pytest.fixture(scope="module")
def porites():
    """L. Bertini's compilation of published Porites growth: study, mm/yr, g/cm3, g/cm2/yr of the complete rows."""
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.load_workbook(real_data(PORITES_TABLE), read_only=True, data_only=True)
    header, *rows = book["Sheet1"].iter_rows(values_only=True)
    book.close()
    columns = [header.index(name) for name in ("Study", "Extension", "Density", "Calcification")]
    picked = [[row[i] for i in columns] for row in rows]
    complete = [row for row in picked if all(isinstance(value, int | float) for value in row[1:])]
    study = np.array([row[0].strip() for row in complete])
    return study, *np.array([row[1:] for row in complete], dtype=float).T


@pytest.fixture(scope="module")
def siderastrea():
    """A Siderastrea siderea core of the Florida Keys, 1890-2014: year, cm/yr, g/cm3, g/cm2/yr."""
    with real_data(SIDERASTREA_TABLE).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return np.array([[float(row[name]) for name in ("Year", "linext", "density", "calc")] for row in rows]).T


def residual_percent(extension_mm_yr, density, published):
    return 100 * (published - calcification(extension_mm_yr, density)) / published


def test_porites_products(porites):
    study, extension, density, published = porites
    residual = residual_percent(extension, density, published)
    assert residual.size == 183
    assert np.median(residual) == pytest.approx(-0.20, abs=0.01)
    assert np.mean(np.abs(residual) < 1) == pytest.approx(0.64, abs=0.005)
    assert np.mean(np.abs(residual) < 5) == pytest.approx(0.92, abs=0.005)
    assert np.sum(np.abs(residual) > 10) == 10
    # Large misses are of two studies: values rounded to 0.1 that are no products, and two rows of one table.
    assert set(study[np.abs(residual) > 10]) == {"Xie (2017) Thesis - Hong Kong", "Moynihan et al. (2021) - Taiwan"}


def test_porites_products_row_by_row(porites):
    """Every row within 7 % but those of the two studies that are known to miss."""
    study, extension, density, published = porites
    known = np.isin(study, ["Xie (2017) Thesis - Hong Kong", "Moynihan et al. (2021) - Taiwan"])
    residual = residual_percent(extension, density, published)
    assert np.sum(known) == 13
    np.testing.assert_array_less(np.abs(residual[~known]), 7.0)
    assert np.sum(np.abs(residual[~known]) > 5) == 4


@pytest.mark.parametrize(
    ("name", "n_rows", "mean", "least", "most"),
    [
        ("Lough et al. (1999) - GBR Long Cores", 42, -0.27, -1.2, 1.2),
        ("Lough et al. (2000) - GBR Colonies", 31, -0.78, -4.4, 5.8),
        ("Xie (2017) Thesis - Hong Kong", 10, 25.1, -15.4, 54.0),
    ],
)
def test_porites_residuals_by_study(porites, name, n_rows, mean, least, most):
    study, extension, density, published = porites
    of_study = study == name
    residual = residual_percent(extension, density, published)[of_study]
    assert residual.size == n_rows
    assert residual.mean() == pytest.approx(mean, abs=0.01)
    assert residual.min() == pytest.approx(least, abs=0.05)
    assert residual.max() == pytest.approx(most, abs=0.05)


def test_porites_moynihan_taiwan(porites):
    study, extension, density, published = porites
    of_study = study == "Moynihan et al. (2021) - Taiwan"
    residual = np.sort(residual_percent(extension, density, published)[of_study])
    np.testing.assert_allclose(residual[:2], [-169.1, -47.4], atol=0.05)


@pytest.mark.parametrize(
    "name", ["Tanzil et al. (2009) - Thailand", "Tanzil et al. (2013) - Singapore", "Tanzil et al. (2013) - Malaysia"])
def test_porites_studies_that_print_the_product(porites, name):
    study, extension, density, published = porites
    of_study = study == name
    assert np.sum(of_study) >= 6
    np.testing.assert_allclose(
        calcification(extension[of_study], density[of_study]), published[of_study], rtol=1e-9)


def test_porites_rows_are_plausible(porites):
    """No published site mean of the genus raises a warning."""
    _, extension, density, _ = porites
    known = genus_range("Porites")
    assert known.extension_mm_yr[0] <= extension.min()
    assert extension.max() <= known.extension_mm_yr[1]
    assert known.density_g_cm3[0] <= density.min()
    assert density.max() <= known.density_g_cm3[1]


def test_siderastrea_products(siderastrea):
    """The table's calcification was not computed from its rounded columns: 0.4 % higher on average."""
    year, extension_cm, density, published = siderastrea
    assert year.size == 125
    assert sorted(year) == list(range(1890, 2015))
    difference = published - calcification(extension_cm * 10, density)
    assert difference.mean() == pytest.approx(0.0019, abs=5e-5)
    assert difference.std(ddof=1) == pytest.approx(0.0029, abs=5e-5)
    assert np.abs(difference).max() == pytest.approx(0.0153, abs=5e-5)
    np.testing.assert_array_less(np.abs(difference) / published, 0.0285)


def test_siderastrea_means(siderastrea):
    """Means 0.358 cm/yr, 1.350 g/cm3, 0.484 g/cm2/yr; the product of means differs by the covariance."""
    _, extension_cm, density, _ = siderastrea
    product = calcification(extension_cm * 10, density)
    covariance = np.cov(extension_cm, density, ddof=0)[0, 1]
    assert covariance == pytest.approx(-0.00104, abs=1e-5)
    assert product.mean() == pytest.approx(extension_cm.mean() * density.mean() + covariance, rel=1e-12)
    assert (extension_cm.mean(), density.mean()) == pytest.approx((0.358, 1.350), abs=5e-4)


def test_siderastrea_rows_are_plausible(siderastrea):
    _, extension_cm, density, _ = siderastrea
    known = genus_range("Siderastrea siderea")
    assert known.extension_mm_yr[0] <= extension_cm.min() * 10
    assert extension_cm.max() * 10 <= known.extension_mm_yr[1]
    assert known.density_g_cm3[0] <= density.min()
    assert density.max() <= known.density_g_cm3[1]
