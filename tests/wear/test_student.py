"""Student's t written without a statistics package, against scipy's."""

import pytest
import scipy

from gateway.wear.student import cdf, normal_quantile, quantile


@pytest.mark.parametrize("dof", [1.0, 2.5, 7.0, 33.3, 400.0, 4_999.0, 5_001.0, 1e6])
@pytest.mark.parametrize("p", [1e-4, 0.05, 0.4, 0.6, 0.95, 0.975, 0.9999])
def test_quantile(dof, p):
    """Pins quantiles, whole and broken degrees of freedom, to nine digits."""
    assert quantile(p, dof) == pytest.approx(scipy.stats.t.ppf(p, dof), rel=1e-9)


@pytest.mark.parametrize("t", [-30.0, -2.0, 0.0, 0.3, 5.0])
def test_cdf(t):
    """Pins the distribution function on both sides."""
    assert cdf(t, 6.5) == pytest.approx(scipy.stats.t.cdf(t, 6.5), rel=1e-10)


def test_normal_quantile():
    """Pins the normal quantile."""
    assert normal_quantile(0.975) == pytest.approx(scipy.stats.norm.ppf(0.975), rel=1e-12)


@pytest.mark.parametrize(("p", "dof"), [(0.0, 5.0), (1.0, 5.0), (0.9, 0.0), (0.9, -1.0)])
def test_refusals(p, dof):
    """Pins that shares and degrees of freedom out of range are refused, not answered."""
    with pytest.raises(ValueError):
        quantile(p, dof)


@pytest.mark.parametrize("dof", [5_000.0, 5_200.0])
@pytest.mark.parametrize("p", [1e-9, 1e-6, 0.01])
def test_far_tails_near_the_normal(p, dof):
    """Pins the expansion's second term too: far out it weighs a millionth."""
    assert quantile(p, dof) == pytest.approx(scipy.stats.t.ppf(p, dof), rel=1e-8)


@pytest.mark.parametrize(("t", "dof"), [(0.0, 3.0), (1e-9, 3.0), (1e200, 3.0), (-1e200, 3.0), (0.5, 1e5), (40.0, 1.0)])
def test_cdf_at_its_ends(t, dof):
    """Pins nought, what lies beyond the range of squares, many degrees and few."""
    assert cdf(t, dof) == pytest.approx(scipy.stats.t.cdf(t, dof), rel=1e-9, abs=1e-300)


@pytest.mark.parametrize("p", [1e-12, 0.2, 0.5, 0.8, 1 - 1e-7])
def test_normal_quantile_everywhere(p):
    """Pins both halves and the middle."""
    assert normal_quantile(p) == pytest.approx(scipy.stats.norm.ppf(p), rel=1e-8, abs=1e-12)


def test_refusals_say_what_was_given():
    """Pins the words."""
    with pytest.raises(ValueError, match=r"^degrees of freedom must be above zero, not -1$"):
        cdf(1.0, -1)
    with pytest.raises(ValueError, match=r"^a share lies between 0 and 1, not 1.5$"):
        quantile(1.5, 3.0)
