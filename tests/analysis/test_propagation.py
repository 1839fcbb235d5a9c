"""Propagation by differencing: against closed forms written out here, and against a reference library."""

import math

import numpy as np
import pytest

from benchd.analysis.propagation import Addition, Source, coverage_factor, expanded, propagate
from benchd.rules.quantities import Quantity


def source(name, index, u, **more):
    return Source(name=name, input=index, standard_uncertainty=u, **more)


def ratio(x):
    return {"ratio": x[:, 0] / x[:, 1], "first": x[:, 0]}


def test_a_ratio_gets_the_root_of_the_sum_of_squared_relative_uncertainties():
    out = propagate(ratio, np.array([10.0, 4.0]), [source("a", 0, 0.01), source("b", 1, 0.004)])["ratio"]
    assert out.value == 2.5
    assert out.standard_uncertainty == pytest.approx(2.5 * math.hypot(0.001, 0.001), rel=1e-6)
    assert out.budget == {"a": pytest.approx(0.0025, rel=1e-5), "b": pytest.approx(0.0025, rel=1e-5)}


def test_the_budget_holds_only_what_acts_and_its_squares_add_up():
    sources = [source("a", 0, 0.01), source("b", 1, 0.004), source("b", 1, 0.003), source("nothing", 1, 0.0)]
    out = propagate(ratio, np.array([10.0, 4.0]), sources)
    assert set(out["ratio"].budget) == {"a", "b"}
    assert set(out["first"].budget) == {"a"}
    assert sum(s**2 for s in out["ratio"].budget.values()) == pytest.approx(out["ratio"].standard_uncertainty ** 2)


def test_sources_of_one_group_count_their_degrees_of_freedom_once():
    def total(x):
        return {"sum": x.sum(axis=1)}

    apart = [source("fit", i, 1.0, degrees_of_freedom=5.0) for i in range(4)]
    together = [source("fit", i, 1.0, degrees_of_freedom=5.0, group="fit") for i in range(4)]
    assert propagate(total, np.zeros(4), apart)["sum"].degrees_of_freedom == pytest.approx(20.0)
    assert propagate(total, np.zeros(4), together)["sum"].degrees_of_freedom == pytest.approx(5.0)


def test_an_addition_widens_one_output_and_stands_in_its_budget():
    out = propagate(
        ratio, np.array([10.0, 4.0]), [source("a", 0, 3.0)], {"first": [Addition(name="gap", standard_uncertainty=4.0)]}
    )
    assert out["first"].standard_uncertainty == pytest.approx(5.0)
    assert out["first"].budget == {"a": pytest.approx(3.0), "gap": pytest.approx(4.0)}
    assert out["ratio"].standard_uncertainty == pytest.approx(0.75)


@pytest.mark.parametrize(("degrees", "k"), [(1.0, 12.71), (10.0, 2.23), (19.0, 2.09), (math.inf, 1.960)])
def test_coverage_factors_are_those_of_students_t(degrees, k):
    # JCGM 100, table G.2, column 95 % (value from memory)
    assert coverage_factor(degrees) == pytest.approx(k, abs=0.005)


def test_expanded_uncertainty_is_k_times_u_and_nothing_without_a_value():
    q = Quantity(name="x", unit="V", value=1.0, standard_uncertainty=0.5, degrees_of_freedom=10.0)
    assert expanded(q) == pytest.approx((1.114, 2.228), abs=0.001)
    assert all(math.isnan(n) for n in expanded(Quantity.not_determined("x", "V", "no data")))
