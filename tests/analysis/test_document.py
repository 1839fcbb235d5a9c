"""The results document: what stands in it, and what older ones become."""

import json

import pytest

from benchd.analysis.decision import Requirement, Rule, decide
from benchd.analysis.document import SCHEMA, as_present_schema, results_document
from benchd.analysis.results import Measured, PointResult, RecordResults, TestResults
from benchd.rules.quantities import Quantity

QUANTITY = Quantity(
    name="efficiency",
    unit="1",
    value=0.123456789123,
    standard_uncertainty=0.001,
    budget={"b": 0.0008, "a": 0.0006},
    interval=(0.1214, 0.12540000012345),
    draws=50000,
    seed=101,
)
POINT = PointResult(
    number=3,
    direction="up",
    asked={"torque_nm": 0.5, "speed_rpm": 3000.0},
    values={"torque": Measured(value=0.50000000001, standard_uncertainty=float("nan"))},
)


def results(*, points=(POINT,)):
    test = TestResults(kind="load", index=0, quantities=[QUANTITY], points=points, units={"torque": "N·m", "a": "V"})
    return RecordResults(tests={"load": test}, notes=("one",))


def test_points_stand_under_their_test_with_what_was_asked_and_found():
    test = results_document(results())["tests"]["load"]
    assert test["units"] == {"torque": "N·m", "a": "V"}
    assert test["points"] == [
        {
            "number": 3,
            "direction": "up",
            "asked": {"speed_rpm": 3000.0, "torque_nm": 0.5},
            "values": {"torque": {"value": 0.5, "standard_uncertainty": None}},
        }
    ]


def test_an_interval_stands_beside_the_expanded_uncertainty_with_what_draws_it_again():
    (plain,) = results_document(results())["tests"]["load"]["quantities"]
    assert (plain["value"], plain["interval_low"], plain["interval_high"]) == (0.123456789, 0.1214, 0.1254)
    assert (plain["draws"], plain["seed"]) == (50000, 101)
    assert list(plain["budget"]) == ["a", "b"]
    bare = Quantity(name="x", unit="V", value=1.0, standard_uncertainty=0.1)
    test = TestResults(kind="load", index=0, quantities=[bare])
    (plain,) = results_document(RecordResults(tests={"load": test}))["tests"]["load"]["quantities"]
    assert "interval_low" not in plain


def test_the_decision_stands_in_it_and_is_null_where_nothing_was_required():
    assert results_document(results())["decision"] is None
    decision = decide([Requirement(quantity="load.efficiency", low=0.1)], results(), Rule())
    plain = results_document(results(), decision)["decision"]
    assert plain["verdict"] == "accepted"
    assert plain["rule"]["kind"] == "guard_band"
    (one,) = plain["requirements"]
    assert (one["quantity"], one["low"], one["high"], one["verdict"]) == ("load.efficiency", 0.1, None, "accepted")
    json.dumps(plain, allow_nan=False)


def test_a_document_of_the_first_schema_is_read_as_one_without_points_and_decision():
    old = {"schema": 1, "notes": [], "tests": {"load": {"kind": "load", "index": 0, "notes": [], "quantities": []}}}
    new = as_present_schema(old)
    assert new["schema"] == SCHEMA
    assert new["decision"] is None
    assert new["tests"]["load"]["points"] == []
    assert new["tests"]["load"]["units"] == {}
    assert old["schema"] == 1
    present = results_document(results())
    assert as_present_schema(present) == present


@pytest.mark.parametrize("schema", [SCHEMA + 1, 0, None, "1", True])
def test_a_document_of_an_unknown_schema_is_refused_in_words(schema):
    with pytest.raises(ValueError, match="evaluate the run folder again"):
        as_present_schema({"schema": schema, "tests": {}})
