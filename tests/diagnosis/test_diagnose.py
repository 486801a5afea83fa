"""Which rules are in force, with which limits, and what is said when tags are missing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from helpers.scene_answers import rule
from helpers.scenes import Studied, exports, history_of, kiln, study

import rowcall_rules
from rowcall.diagnosis import rule_book
from rowcall.diagnosis.diagnose import diagnose, limits_in_force, with_place
from rowcall.diagnosis.rule_book import load_rules
from rowcall.errors import RowcallError, SiteError
from rowcall.model import (
    Answer,
    BaghouseDay,
    Context,
    Fact,
    Inferred,
    Limits,
    Need,
    Rule,
    Subject,
    Verdict,
    Work,
    WorkEntry,
    WorkLog,
)
from rowcall.site import Role, Sample
from rowcall.units import parse_quantity


@pytest.fixture(scope="module")
def studied() -> Studied:
    return study(exports(kiln(), dust=True)[0])


def test_every_file_is_a_rule_of_its_name() -> None:
    folder = Path(rowcall_rules.__path__[0])
    paths = (path for path in folder.glob("*/[!_]*.py") if path.parent.name != "causes")
    files = sorted(path.stem for path in paths)
    assert [one.name for one in load_rules()] == files
    assert len(files) >= 5


class _Folder:
    """A stand-in for the rules package: the folder that holds its modules."""

    def __init__(self, folder: Path) -> None:
        self.__name__ = "rowcall_rules"
        self.__path__ = [str(folder)]


def test_no_rules_are_a_fault_of_the_installation(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rule_book, "rowcall_rules", _Folder(tmp_path))
    with pytest.raises(RowcallError, match="No rules were found"):
        load_rules()


@pytest.mark.parametrize("body", ["", "RULE = 3\n", "RULE = row_silent.RULE\n"])
def test_a_file_without_the_rule_of_its_name_is_refused(
    body: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "misnamed.py").write_text(
        "from rowcall_rules.rows import row_silent\n" + body, encoding="utf-8"
    )
    monkeypatch.setattr(rowcall_rules, "__path__", [*rowcall_rules.__path__, str(tmp_path)])
    with pytest.raises(RowcallError, match=r"misnamed.py does not hold the rule of its name"):
        load_rules()


def test_defaults_are_the_thresholds_as_written() -> None:
    rules = load_rules()
    limits = limits_in_force(rules, {})
    assert set(limits) == {one.name for one in rules}
    for one in rules:
        for threshold in one.thresholds:
            expected = parse_quantity(threshold.text, threshold.dimension)
            assert limits[one.name][threshold.key] == expected
            assert threshold.source
            assert threshold.meaning


def test_settings_win_over_defaults() -> None:
    settings = {"row_closes_late": {"late": "500 ms", "min_pulses": 40}}
    limits = limits_in_force(load_rules(), settings)
    assert limits["row_closes_late"]["late"] == 0.5
    assert limits["row_closes_late"]["min_pulses"] == 40.0
    defaults = limits_in_force(load_rules(), {})
    assert limits["row_closes_late"]["deep"] == defaults["row_closes_late"]["deep"]


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"row_quiet": {}}, ["rules.row_quiet: there is no such rule", "row_silent"]),
        ({"row_silent": {"pulses": 3}}, ["rules.row_silent.pulses", "min_pulses, silent_share"]),
        (
            {"row_closes_late": {"late": "0.3"}},
            ["rules.row_closes_late.late", "the unit is missing"],
        ),
        ({"row_closes_late": {"late": "3 bar"}}, ["does not fit here", "found '3 bar'"]),
        ({"row_silent": {"min_pulses": "many"}}, ["rules.row_silent.min_pulses", "'many'"]),
    ],
)
def test_a_wrong_setting_says_where_and_what(
    settings: dict[str, dict[str, object]], words: list[str]
) -> None:
    with pytest.raises(SiteError) as caught:
        limits_in_force(load_rules(), settings)
    assert all(word in str(caught.value) for word in words)


def asked(day: BaghouseDay, name: str) -> list[Answer]:
    one = rule(name)
    return [f.answer for f in diagnose([one], limits_in_force([one], {}), [day])]


def without_tags(day: BaghouseDay, role: Role) -> BaghouseDay:
    """As if the site file named no tag of a role."""
    tags = tuple(tag for tag in day.baghouse.tag if tag.role is not role)
    signals = {place: signal for place, signal in day.signals.items() if place[0] is not role}
    return replace(day, signals=signals, baghouse=day.baghouse.model_copy(update={"tag": tags}))


def without_values(day: BaghouseDay, role: Role, problem: str) -> BaghouseDay:
    """As if every tag of a role had been unusable."""
    signals = {place: signal for place, signal in day.signals.items() if place[0] is not role}
    health = tuple(
        replace(report, problem=problem) if report.role is role else report for report in day.health
    )
    return replace(day, signals=signals, health=health)


NEEDS = [
    (one.name, need.any_of, need.purpose)
    for one in load_rules()
    for need in one.needs
    if need.any_of
]


@pytest.mark.parametrize(("name", "roles", "purpose"), NEEDS)
def test_a_rule_without_its_tags_cannot_tell(
    studied: Studied, name: str, roles: tuple[Role, ...], purpose: str
) -> None:
    day = studied.day
    for role in roles:
        day = without_tags(day, role)
    (answer,) = asked(day, name)
    assert answer.verdict is Verdict.CANNOT_TELL
    assert answer.subject == Subject("BH1")
    assert "the site file names no tag for" in answer.text
    assert purpose in answer.text


@pytest.mark.parametrize(("name", "roles", "purpose"), NEEDS)
def test_a_rule_without_usable_values_says_which_and_why(
    studied: Studied, name: str, roles: tuple[Role, ...], purpose: str
) -> None:
    day = studied.day
    for role in roles:
        day = without_values(day, role, "every value was outside its range")
    (answer,) = asked(day, name)
    assert answer.verdict is Verdict.CANNOT_TELL
    tag = next(tag.tag for tag in day.baghouse.tag if tag.role in roles)
    assert f"{tag}" in answer.text
    assert "every value was outside its range" in answer.text
    assert purpose in answer.text


def test_findings_come_in_a_fixed_order(studied: Studied) -> None:
    rules = load_rules()
    limits = limits_in_force(rules, {})
    forth = diagnose(rules, limits, [studied.day])
    back = diagnose(reversed(rules), limits, [studied.day])
    assert forth == back
    subjects = [finding.answer.subject for finding in forth]
    assert subjects == sorted(subjects)


def test_limits_reach_the_rule(studied: Studied) -> None:
    seen: list[Limits] = []

    def judge(context: Context) -> Iterator[Answer]:
        seen.append(context.limits)
        yield Answer.clear(context.subject(), "Looked.")

    one = replace(rule("row_silent"), judge=judge)
    diagnose([one], {"row_silent": {"min_pulses": 7.0}}, [studied.day])
    assert seen == [{"min_pulses": 7.0}]


# What a rule needs besides its tags.


def clear(context: Context) -> Iterator[Answer]:
    yield Answer.clear(context.subject(), "Looked.")


def needing(*needs: Need, **how: object) -> Rule:
    """Return a rule of these needs alone, that always finds all clear."""
    plain = replace(rule("pulse_pressure"), needs=needs, judge=clear)
    return replace(plain, **how)  # type: ignore[arg-type]


def answers_of(one: Rule, day: BaghouseDay, **limits: float) -> list[Answer]:
    return [finding.answer for finding in diagnose([one], {one.name: limits}, [day])]


@pytest.mark.parametrize(("max_step_s", "is_met"), [(0.9, False), (1.0, True)])
def test_a_rule_may_need_dense_samples(studied: Studied, max_step_s: float, is_met: bool) -> None:
    need = Need(any_of=(Role.HEADER_PRESSURE,), purpose="to see pulses", max_step_s=max_step_s)
    (answer,) = answers_of(needing(need), studied.day)
    assert (answer.verdict is Verdict.CLEAR) is is_met
    assert ("sampled every 1 s" in answer.text) is not is_met


@pytest.mark.parametrize(
    ("sample", "is_met"),
    [(Sample.AT_INTERVALS, False), (Sample.ON_CHANGE, True), (Sample.THINNED, True)],
)
def test_points_by_change_lie_apart_where_nothing_happens_and_are_dense_enough(
    studied: Studied, sample: Sample, is_met: bool
) -> None:
    tags = tuple(
        tag.model_copy(update={"sample": sample}) if tag.role is Role.HEADER_PRESSURE else tag
        for tag in studied.day.baghouse.tag
    )
    day = replace(studied.day, baghouse=studied.day.baghouse.model_copy(update={"tag": tags}))
    need = Need(any_of=(Role.HEADER_PRESSURE,), purpose="to see pulses", max_step_s=0.9)
    (answer,) = answers_of(needing(need), day)
    assert (answer.verdict is Verdict.CLEAR) is is_met
    assert ("sampled every 1 s" in answer.text) is not is_met


@pytest.mark.parametrize(("coverage", "is_met"), [(0.4, False), (0.5, True), (0.6, True)])
def test_a_rule_may_need_most_of_the_day(studied: Studied, coverage: float, is_met: bool) -> None:
    health = tuple(replace(tag, coverage_frac=coverage) for tag in studied.day.health)
    need = Need(any_of=(Role.DP,), purpose="to see it", min_coverage=0.5)
    (answer,) = answers_of(needing(need), replace(studied.day, health=health))
    assert (answer.verdict is Verdict.CLEAR) is is_met
    assert ("covers 40 % of the day" in answer.text) is not is_met


@pytest.mark.parametrize(("n_before", "is_met"), [(3, False), (4, True)])
def test_a_rule_may_need_days_of_history(studied: Studied, n_before: int, is_met: bool) -> None:
    need = Need(purpose="to see a trend", past=(Fact.RESIDUAL_DP_PA,), days="history_days")
    past = history_of({Fact.RESIDUAL_DP_PA: [900.0] * n_before}, studied.day.day)
    (answer,) = answers_of(needing(need), replace(studied.day, history=past), history_days=5.0)
    assert (answer.verdict is Verdict.CLEAR) is is_met
    assert ("only 4 days are known" in answer.text) is not is_met


def test_tags_that_another_one_stands_for_are_named(studied: Studied) -> None:
    need = Need(any_of=(Role.HEADER_PRESSURE,), purpose="to see it", only_first=True)
    answers = answers_of(needing(need), studied.day)
    assert [(a.subject.compartment, a.verdict) for a in answers] == [
        (0, Verdict.CLEAR),
        (2, Verdict.CANNOT_TELL),
    ]
    assert "of compartment 1 is judged instead" in answers[1].text


def test_a_rule_sees_the_answers_of_those_it_comes_after(studied: Studied) -> None:
    seen: list[tuple[Answer, ...]] = []

    def judge(context: Context) -> Iterator[Answer]:
        seen.append(context.answers["row_silent"])
        yield from clear(context)

    first = replace(rule("row_silent"), needs=(), judge=clear)
    late = needing(name="a_rule_whose_name_comes_first", judge=judge, after=("row_silent",))
    diagnose([late, first], {late.name: {}, first.name: {}}, [studied.day])
    assert [answer.text for answers in seen for answer in answers] == ["Looked."]


def test_a_rule_sees_the_work_log(studied: Studied) -> None:
    done = WorkEntry(
        at=studied.day.start,
        line=2,
        day=studied.day.day,
        work=Work.INSPECTED,
        subject=Subject("BH1"),
    )
    seen: list[WorkEntry] = []

    def judge(context: Context) -> Iterator[Answer]:
        seen.extend(context.work)
        yield from clear(context)

    one = needing(judge=judge)
    diagnose([one], {one.name: {}}, [studied.day], work=WorkLog((done,)))
    assert seen == [done]


def test_a_site_file_with_a_rules_former_name_is_told_the_new_one() -> None:
    with pytest.raises(SiteError, match=r"row_faint: this rule is called row_weak now"):
        limits_in_force(load_rules(), {"row_faint": {}})


@pytest.mark.parametrize(("row", "is_known"), [(6, True), (7, False)])
def test_an_answer_names_its_place_up_to_the_last_one_of_a_round(
    studied: Studied, row: int, is_known: bool
) -> None:
    inferred = {1: Inferred(n_places=6, is_row=False, text="by the cadence of the drops")}
    found = Answer.clear(Subject("BH1", 1, row), "Answers.")
    answer = with_place(replace(studied.day, inferred=inferred), found)
    assert (answer.verdict is Verdict.CLEAR) is is_known
    assert answer.subject.is_place is is_known
    assert ("Place 6 of 6 by the cadence" in answer.text) is is_known
