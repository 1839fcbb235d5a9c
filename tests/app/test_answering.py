"""Programmes that ask, on the command line: who can answer is said in one line; where nobody can, nothing starts."""

from dataclasses import replace
from typing import Any

import pytest

from benchd.app import wiring
from benchd.app.answering import confirmation, how_to_answer
from benchd.procedures import PROCEDURES
from benchd.rules.moves import Meanwhile, Unanswered

from .conftest import Site, Typed

PROGRAMME = "programmes/vent_flap_acceptance.toml"
RUN = ("--order", "1", "--serial", "1", "--operator", "Ines")


def attended(site: Site, *, said: str = "attended = true\n") -> None:
    site.change(PROGRAMME, '[[test]]\nkind = "no_load"\n', f'{said}[[test]]\nkind = "no_load"\nconfirm = "Is it so?"\n')


def test_what_is_confirmed_is_asked_at_rest_and_only_yes_goes_on() -> None:
    ask = confirmation("Is it so?", within_s=60.0)
    assert (ask.answers, ask.ending) == (("yes", "no"), ("no",))
    assert (ask.meanwhile, ask.unanswered) == (Meanwhile.REST, Unanswered.END_RUN)


def test_an_attended_programme_that_asks_passes_the_check(typed: Typed, site: Site) -> None:
    attended(site)
    said = typed("check", *site.files)
    assert (said.status, said.err) == (0, "")


@pytest.mark.parametrize(("said", "line"), [("", 6), ("attended = false\n", 7)])
def test_the_check_refuses_one_that_nobody_attends_with_file_line_and_key(
    typed: Typed, site: Site, said: str, line: int
) -> None:
    attended(site, said=said)
    refused = typed("check", *site.files)
    assert refused.status == 78
    assert refused.sentence.startswith(f"programmes/vent_flap_acceptance.toml:{line} test.confirm asks the operator")


def test_the_check_refuses_a_kind_of_test_that_asks_by_itself_too(
    typed: Typed, site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    asking = replace(PROCEDURES["load"], asks=lambda _settings, _around: "Lock the rotor.")
    monkeypatch.setattr(wiring, "PROCEDURES", {**PROCEDURES, "load": asking})
    refused = typed("check", *site.files)
    assert refused.status == 78
    assert "programmes/vent_flap_acceptance.toml:11 test.kind" in refused.sentence
    assert 'asks the operator ("Lock the rotor."), but nobody attends it' in refused.sentence


@pytest.mark.usefixtures("nothing_runs")
def test_without_a_broker_nobody_could_answer_and_nothing_starts(typed: Typed, site: Site) -> None:
    attended(site)
    refused = typed("serve", *site.files, *RUN, "--broker", "off")
    assert refused.status == 2
    assert refused.sentence.startswith("The programme asks the operator, and without a broker nobody can answer")


def test_how_to_answer_is_one_line_and_nothing_where_nothing_is_asked() -> None:
    class Run:
        asks = True

    run: Any = Run()
    line = how_to_answer(run, bench="greenhouse", broker="pc:1883")
    assert line == (
        "This run asks the operator; answer with: benchctl answer --broker pc:1883 --bench greenhouse ANSWER"
    )
    run.asks = False
    assert how_to_answer(run, bench="greenhouse", broker=None) == ""
