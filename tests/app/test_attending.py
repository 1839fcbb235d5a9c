"""`benchd check` says beforehand who and what must be there: the sentry, people at the bench, answers."""

import pytest


def said(typed, *files) -> str:
    """What check says after the drives' parameters, as one line."""
    one = typed("check", *files)
    assert (one.status, one.err) == (0, "")
    return " ".join(one.out.split())


@pytest.mark.parametrize("alone", [True, False])
def test_check_names_the_sentry_and_what_a_start_needs(typed, site, *, alone: bool) -> None:
    files = site.files[:1] if alone else site.files
    found = said(typed, *files)
    assert "'benchd sentry' with this file, or the unit benchd-sentry@greenhouse, must run before a start" in found
    assert "A start needs the selector at remote; it warns for 2 s before the shaft may turn." in found
    assert "is asked" not in found


def test_check_says_that_nobody_watches_a_bench_without_a_sentry(typed, site) -> None:
    site.change("benches/greenhouse.toml", "[sentry]\ntick_silent_s = 0.1", "")
    found = said(typed, site.files[0])
    assert "Without [sentry] serve speaks to the safety chain itself" in found
    assert "benchd-sentry@" not in found


def test_check_names_the_release_at_the_bench(typed, site) -> None:
    site.change("benches/greenhouse.toml", "# release_at_bench = true #", "release_at_bench = true #")
    site.change("benches/greenhouse.toml", "# release_within_s = 30.0 #", "release_within_s = 45.0 #")
    site.change(
        "benches/greenhouse.toml",
        "port = 45031",
        "port = 45031\ninputs = { guard_closed = 0, estop_released = 1, remote_selected = 2, torque_enabled = 3, "
        "permit = 4, release_pressed = 5 }",
    )
    found = said(typed, site.files[0])
    assert "the selector at remote and the release at the bench, pressed within 45 s after it was asked for" in found
    site.change("benches/greenhouse.toml", "remote_required = true", "remote_required = false")
    assert "A start needs the release at the bench, pressed" in said(typed, site.files[0])


def test_check_names_each_question_before_it_is_asked(typed, site) -> None:
    programme = "programmes/vent_flap_acceptance.toml"
    site.change(programme, "[[test]]", "attended = true\nanswer_within_s = 240.0\n\n[[test]]")
    site.change(programme, 'kind = "no_load"', 'kind = "no_load"\nconfirm = "Is the coupling guard closed?"')
    found = said(typed, *site.files)
    assert (
        'Before test 1 (No-load test) the operator is asked "Is the coupling guard closed?" (yes or no); '
        "no answer within 240 s ends the run."
    ) in found
