from benchd_rig.message_log import MessageLog


def test_it_keeps_the_newest_two_thousand_in_order():
    log = MessageLog()
    for index in range(2100):
        log.add("message", str(index), at_mono_s=float(index))
    assert [entry.text for entry in log.last(3)] == ["2097", "2098", "2099"]
    kept = log.last(5000)
    assert (len(kept), kept[0].text) == (2000, "100")
    assert log.last(0) == []
