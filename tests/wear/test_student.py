"""Student's t written without a statistics package, against scipy's."""

import pytest
from scipy import stats

from gateway.wear.student import cdf, normal_quantile, quantile


@pytest.mark.parametrize("dof", [1.0, 2.5, 7.0, 33.3, 400.0, 4_999.0, 5_001.0, 1e6])
@pytest.mark.parametrize("p", [1e-4, 0.05, 0.4, 0.6, 0.95, 0.975, 0.9999])
def test_quantile(dof, p):
    """Pins quantiles, whole and broken degrees of freedom, to nine digits."""
    assert quantile(p, dof) == pytest.approx(stats.t.ppf(p, dof), rel=1e-9)


@pytest.mark.parametrize("t", [-30.0, -2.0, 0.0, 0.3, 5.0])
def test_cdf(t):
    """Pins the distribution function on both sides."""
    assert cdf(t, 6.5) == pytest.approx(stats.t.cdf(t, 6.5), rel=1e-10)


def test_normal_quantile():
    """Pins the normal quantile."""
    assert normal_quantile(0.975) == pytest.approx(stats.norm.ppf(0.975), rel=1e-12)


@pytest.mark.parametrize(("p", "dof"), [(0.0, 5.0), (1.0, 5.0), (0.9, 0.0), (0.9, -1.0)])
def test_refusals(p, dof):
    """Pins that shares and degrees of freedom out of range are refused, not answered."""
    with pytest.raises(ValueError):
        quantile(p, dof)
