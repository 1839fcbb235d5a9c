import pytest

from benchd_rig.control_requests import RequestRefusedError, SetWireFault, parsed


def test_a_wire_fault_takes_its_own_numbers():
    request = parsed('{"do": "fault", "device": "supply", "kind": "late_reply", "on": true, "delay_s": 0.3}')
    assert isinstance(request, SetWireFault)
    assert request.__pydantic_extra__ == {"delay_s": 0.3}


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("hello", "no JSON"),
        ("[1]", '"do" must be one of'),
        ("{}", '"do" must be one of'),
        ('{"do": "explode"}', '"do" must be one of'),
        ('{"do": ["truth"]}', '"do" must be one of'),
        ('{"do": "truth", "please": true}', "'please'"),
        ('{"do": "fault", "device": "supply", "kind": "hang"}', "'on'"),
        ('{"do": "fault", "device": "supply", "kind": "late_reply", "on": true, "delay_s": "soon"}', "'delay_s'"),
        ('{"do": "trip", "device": "thermometers"}', "'device'"),
        ('{"do": "log", "last": 0}', "'last'"),
        ('{"do": "commission", "overspeed_rpm": NaN}', "'overspeed_rpm'"),
    ],
)
def test_a_bad_request_is_one_sentence(line, says):
    with pytest.raises(RequestRefusedError, match=says) as refused:
        parsed(line)
    text = str(refused.value)
    assert "\n" not in text
    assert text.endswith(".")
