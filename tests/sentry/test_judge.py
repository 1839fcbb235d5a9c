"""What the daemon's signs mean, moment by moment; time is handed in."""

from benchd.sentry.sentry import Judge, Rules, Verdict
from benchd.sentry.shared import DaemonSigns

RULES = Rules(tick_hz=100.0, tick_silent_s=0.1)


def signs(*, ticks: int = 1000, tick_mono_s: float = 10.0, energised: bool = True, ended: bool = False) -> DaemonSigns:
    return DaemonSigns(
        pid=1, born=1, ticks=ticks, tick_mono_s=tick_mono_s, beats=0, energised=energised, ended=ended, asked=0
    )


def test_nobody_there_and_nothing_energised_are_no_reason_for_anything() -> None:
    judge = Judge(RULES)
    assert judge.verdict(None, now_mono_s=100.0, there=False) is Verdict.RESTING
    assert judge.verdict(signs(energised=False), now_mono_s=100.0, there=False) is Verdict.RESTING
    assert judge.verdict(signs(ended=True), now_mono_s=100.0, there=False) is Verdict.RESTING


def test_a_tick_that_is_older_than_allowed_has_stopped() -> None:
    assert Judge(RULES).verdict(signs(), now_mono_s=10.1, there=True) is Verdict.WELL
    assert Judge(RULES).verdict(signs(), now_mono_s=10.101, there=True) is Verdict.STOPPED


def test_a_process_that_is_gone_has_stopped_however_fresh_its_tick_is() -> None:
    assert Judge(RULES).verdict(signs(), now_mono_s=10.0, there=False) is Verdict.STOPPED


def advance(judge: Judge, *, rate_hz: float, seconds: float) -> Verdict:
    """The last verdict over ticks that come at a rate."""
    found = Verdict.RESTING
    for step in range(int(seconds / 0.01)):
        now_s = 10.0 + step * 0.01
        ticks = 1000 + int((now_s - 10.0) * rate_hz)
        found = judge.verdict(signs(ticks=ticks, tick_mono_s=now_s - 0.005), now_mono_s=now_s, there=True)
        if found is not Verdict.WELL:
            break
    return found


def test_a_tick_that_advances_at_less_than_half_its_rate_falls_behind() -> None:
    assert advance(Judge(RULES), rate_hz=100.0, seconds=5.0) is Verdict.WELL
    assert advance(Judge(RULES), rate_hz=60.0, seconds=5.0) is Verdict.WELL
    assert advance(Judge(RULES), rate_hz=40.0, seconds=5.0) is Verdict.BEHIND


def test_counting_begins_anew_with_every_run() -> None:
    judge = Judge(RULES)
    judge.verdict(signs(), now_mono_s=10.0, there=True)
    judge.verdict(signs(energised=False), now_mono_s=11.0, there=True)
    fresh = signs(ticks=1001, tick_mono_s=100.0)
    assert judge.verdict(fresh, now_mono_s=100.0, there=True) is Verdict.WELL
