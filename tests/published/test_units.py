"""Units of growth and the conversions between them, against published pairs."""

import numpy as np
import pytest

from bandkit.growth import calcification, calcification_from_daily


def test_daily_rates_are_per_year_of_365_25_days():
    """Unit, exact: 1 mg/cm2 per day is 0.36525 g/cm2/yr."""
    assert float(calcification_from_daily(1.0)) == 0.36525


def test_acropora_yongei_daily_rates():
    """Acropora yongei at 32 degrees south, 1.31 to 2.02 mg/cm2 per day (PMC4349054), is 0.478 to 0.738 g/cm2/yr."""
    np.testing.assert_allclose(calcification_from_daily([1.31, 2.02]), [0.478, 0.738], atol=1e-3)


def test_pocillopora_damicornis_daily_rates():
    """Pocillopora damicornis, 0.34 to 0.90 mg/cm2 per day (PMC4349054), is 0.124 to 0.329 g/cm2/yr."""
    np.testing.assert_allclose(calcification_from_daily([0.34, 0.90]), [0.124, 0.329], atol=1e-3)


def test_extension_in_mm_density_in_g_cm3():
    """Unit, exact: 10 mm/yr at 1 g/cm3 is 1 g/cm2/yr, which is 10 kg/m2/yr."""
    g_cm2_yr = float(calcification(10.0, 1.0))
    assert g_cm2_yr == 1.0
    assert g_cm2_yr * 1e-3 * 1e4 == pytest.approx(10.0)
