"""Who and what must be there for a run, in words: the sentry, people at the bench, answers. It checks nothing."""

from collections.abc import Iterator

from benchd.app.wiring import PlannedRun
from benchd.settings.bench import Bench


def needed_for(bench: Bench, run: PlannedRun | None) -> Iterator[str]:
    """One sentence each: the sentry, what a start needs at the bench, and each question that the run will ask."""
    yield _sentry(bench)
    yield _start(bench)
    if run is None:
        return
    confirmations = run.confirmations
    for number, test in enumerate(run.tests):
        which = f"test {number + 1} ({test.title})"
        if (ask := confirmations.get(number)) is not None:
            answers = " or ".join(ask.answers)
            yield (
                f'Before {which} the operator is asked "{ask.text}" ({answers}); no answer within {ask.within_s:g} s '
                "ends the run."
            )
        if asked := test.procedure.asks(test.settings, test.around):
            yield f'In {which} the operator is asked "{asked}".'


def _sentry(bench: Bench) -> str:
    if bench.sentry is None:
        return "Without [sentry] serve speaks to the safety chain itself, and no second process watches it."
    return (
        f"'benchd sentry' with this file, or the unit benchd-sentry@{bench.name}, must run before a start: it owns the "
        "connection to the safety chain and watches serve."
    )


def _start(bench: Bench) -> str:
    start = bench.start
    needs = ["the selector at remote"] if start.remote_required else []
    if start.release_at_bench:
        needs.append(f"the release at the bench, pressed within {start.release_within_s:g} s after it was asked for")
    what = " and ".join(needs) or "nobody at the bench"
    return f"A start needs {what}; it warns for {start.pre_start_warning_s:g} s before the shaft may turn."
