"""What the daemon's signs mean, moment by moment; time is handed in."""

from benchd.sentry.judge import Judge, Rules, Verdict
from benchd.sentry.process import Doing
from benchd.sentry.shared import DaemonSigns

RULES = Rules(tick_hz=100.0, tick_silent_s=0.1)


def signs(*, ticks: int = 1000, tick_mono_s: float = 10.0, energised: bool = True, ended: bool = False) -> DaemonSigns:
    return DaemonSigns(
        pid=1,
        born=1,
        ticks=ticks,
        tick_mono_s=tick_mono_s,
        beats=0,
        energised=energised,
        ended=ended,
        asked=0,
        warning=0,
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


def running(share: float):
    """What a runnable process does that gets this share of a processor."""
    return lambda now_s: Doing(runnable=True, ran_s=5.0 + share * (now_s - 10.0))


def sleeping(_: float) -> Doing:
    return Doing(runnable=False, ran_s=5.0)


def looked(judge: Judge, *, until_s: float, doing=sleeping, every_s: float = 0.005):
    """When a tick of 10.0 s was judged to have stopped, looking as often as the sentry does; None: not until then."""
    steps = round((until_s - 10.0) / every_s)
    for now_s in (10.0 + step * every_s for step in range(steps + 1)):
        if judge.verdict(signs(), now_mono_s=now_s, there=True, doing=doing(now_s)) is Verdict.STOPPED:
            return now_s
    return None


def test_a_loop_that_sleeps_has_stopped_when_its_time_is_over() -> None:
    assert 10.1 <= looked(Judge(RULES), until_s=11.0) < 10.107


def test_a_loop_that_computes_has_stopped_when_its_time_is_over_though_it_is_runnable() -> None:
    assert 10.1 <= looked(Judge(RULES), until_s=11.0, doing=running(1.0)) < 10.107
    beside_another = running(0.5)
    assert 10.1 <= looked(Judge(RULES), until_s=11.0, doing=beside_another) < 10.107


def test_a_daemon_that_waits_for_a_processor_gets_patience_with_an_end() -> None:
    assert looked(Judge(RULES), until_s=10.395, doing=running(0.05)) is None
    assert 10.4 <= looked(Judge(RULES), until_s=11.0, doing=running(0.05)) < 10.407


def test_what_the_sentry_itself_did_not_see_counts_for_nobody() -> None:
    judge = Judge(RULES)
    assert judge.verdict(signs(tick_mono_s=10.0), now_mono_s=10.003, there=True) is Verdict.WELL
    assert judge.verdict(signs(tick_mono_s=10.0), now_mono_s=10.203, there=True) is Verdict.WELL  # held up for 200 ms
    assert judge.verdict(signs(ticks=1001, tick_mono_s=10.204), now_mono_s=10.208, there=True) is Verdict.WELL
    found = [judge.verdict(signs(ticks=1001), now_mono_s=10.2 + step * 0.005, there=True) for step in range(2, 30)]
    assert found[-1] is Verdict.STOPPED


def test_a_silence_is_too_long_at_some_time_however_little_the_sentry_saw_of_it() -> None:
    judge = Judge(RULES)
    assert judge.verdict(signs(tick_mono_s=10.0), now_mono_s=10.003, there=True) is Verdict.WELL
    assert judge.verdict(signs(tick_mono_s=10.0), now_mono_s=10.401, there=True) is Verdict.STOPPED


def test_a_longer_silence_that_the_bench_file_allows_is_not_cut_short() -> None:
    judge = Judge(Rules(tick_hz=100.0, tick_silent_s=0.8))
    assert 10.8 <= looked(judge, until_s=11.0) < 10.807
