"""Weighed in air and in vacuo."""

import pytest

from monitor.science import sugar

from .tables import numbers


def test_in_air_and_in_vacuo_lead_to_each_other():
    """Both columns of the published table lead to each other, to their last digit."""
    for row in numbers("sucrose_sg2020"):
        true, apparent = row["SG20_20_true_in_vacuo"], row["SG20_20_apparent_in_air"]
        assert sugar.apparent_from_true(true) == pytest.approx(apparent, abs=1.1e-5)
        assert sugar.true_from_apparent(apparent) == pytest.approx(true, abs=1.1e-5)
