"""Propagation of distributions: repeatable, bounded in memory, and honest about what it cannot draw."""

import math

import numpy as np
import pytest

from benchd.analysis import monte_carlo
from benchd.analysis.monte_carlo import coverage_interval, draw_outputs, headline_intervals
from benchd.analysis.propagation import Addition, Source, propagate


def source(index, u, **more):
    return Source(name=f"x{index}", input=index, standard_uncertainty=u, **more)


def ratio(x):
    return {"ratio": x[:, 0] / x[:, 1], "root": np.sqrt(x[:, 0] - 9.9), "first": x[:, 0]}


NOMINAL = np.array([10.0, 4.0])


def test_one_seed_gives_one_result_and_another_seed_another():
    sources = [source(0, 0.01, degrees_of_freedom=5.0), source(1, 0.004, distribution="rectangular")]
    one, again, other = (headline_intervals(ratio, NOMINAL, sources, ["ratio"], seed=s) for s in (1, 1, 2))
    assert one == again
    assert one["ratio"].low != other["ratio"].low
    assert (one["ratio"].draws, one["ratio"].seed) == (monte_carlo.DRAWS, 1)


def test_no_more_inputs_are_held_at_once_than_the_bound_however_many_are_drawn(monkeypatch):
    seen = []

    def model(x):
        seen.append(x.shape)
        return {"first": x[:, 0]}

    monkeypatch.setattr(monte_carlo, "CHUNK_NUMBERS", 1000)
    drawn = draw_outputs(model, np.zeros(10), [source(0, 1.0)], ["first"], draws=1050, seed=1)["first"]
    assert seen == [(100, 10)] * 10 + [(50, 10)]
    assert np.unique(drawn).size == 1050


def test_sources_of_one_group_share_one_draw_of_their_size():
    def both(x):
        return {"one": x[:, 0], "other": x[:, 1]}

    def hang_together(group):
        sources = [source(i, 1.0, degrees_of_freedom=4.0, group=group) for i in range(2)]
        drawn = draw_outputs(both, np.zeros(2), sources, ["one", "other"], draws=100_000, seed=3)
        assert np.corrcoef(drawn["one"], drawn["other"])[0, 1] == pytest.approx(0.0, abs=0.05)  # not their errors
        return np.corrcoef(np.abs(drawn["one"]), np.abs(drawn["other"]))[0, 1]

    assert hang_together("one estimate") > 0.2
    assert hang_together("") == pytest.approx(0.0, abs=0.02)


def test_a_group_with_one_known_and_one_estimated_member_is_drawn_with_the_estimate_for_both():
    sources = [source(0, 1.0, group="g"), source(1, 1.0, group="g", degrees_of_freedom=3.0)]
    drawn = draw_outputs(ratio, np.array([0.0, 4.0]), sources, ["first"], draws=100_000, seed=3)["first"]
    assert coverage_interval(drawn)[1] == pytest.approx(3.182, rel=0.03)  # t of 3 degrees of freedom, 95 %


def test_an_addition_is_drawn_on_top_of_its_output_alone():
    additions = {"first": [Addition(name="gap", standard_uncertainty=3.0, distribution="rectangular")]}
    found = headline_intervals(
        ratio, NOMINAL, [source(1, 0.004)], ["first", "ratio"], additions=additions, draws=50_000
    )
    assert found["first"].standard_uncertainty == pytest.approx(3.0, rel=0.01)
    assert found["first"].high - found["first"].low == pytest.approx(0.95 * 2.0 * 3.0 * math.sqrt(3.0), rel=0.01)
    assert found["ratio"].standard_uncertainty == pytest.approx(2.5 * 0.001, rel=0.02)


def test_it_agrees_with_the_law_of_propagation_where_nothing_is_bent():
    sources = [source(0, 0.01), source(1, 0.004), source(0, 0.02), source(0, 0.0)]
    law = propagate(ratio, NOMINAL, sources)["ratio"]
    drawn = headline_intervals(ratio, NOMINAL, sources, ["ratio"], draws=50_000)["ratio"]
    assert drawn.standard_uncertainty == pytest.approx(law.standard_uncertainty, rel=0.01)
    assert 0.5 * (drawn.low + drawn.high) == pytest.approx(law.value, abs=0.03 * law.standard_uncertainty)


def test_an_output_without_a_number_for_many_draws_has_no_interval():
    found = headline_intervals(ratio, NOMINAL, [source(0, 0.1)], ["root", "first", "unknown"])
    assert set(found) == {"first"}


def test_the_shortest_interval_of_a_lopsided_distribution_is_shorter_and_holds_as_many_draws():
    values = np.random.default_rng(1).exponential(1.0, 100_001)
    symmetric, shortest = coverage_interval(values), coverage_interval(values, kind="shortest")
    assert symmetric == pytest.approx((0.0253, 3.689), abs=0.05)
    assert shortest == pytest.approx((0.0, 2.996), abs=0.05)
    for low, high in (symmetric, shortest):
        assert np.mean((values >= low) & (values <= high)) == pytest.approx(0.95, abs=2e-5)


def test_too_few_draws_are_refused():
    with pytest.raises(ValueError, match="at least 100 draws, got 50"):
        headline_intervals(ratio, NOMINAL, [source(0, 0.1)], ["first"], draws=50)
