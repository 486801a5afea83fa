"""Pulse pressure against what is usual for the bags' fabric."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from helpers.scene_answers import ask, found, value_of
from helpers.scene_edits import in_unit, with_values
from helpers.scenes import Export, exports, kiln, local, on_time, study

from rowcall.media import Fibre
from rowcall.model import Subject, Urgency, Verdict
from rowcall.site import Role
from rowcall_plant import HeaderPlan, RowSilent

RULE = "pulse_pressure"
PSI = 6894.757  # Pa, NIST SP 811 B.8
ONE = Subject("BH1", 1)


def at(set_pa: float, media: Fibre | None = Fibre.ARAMID) -> Export:
    export = exports(kiln(rows=(6,), header=HeaderPlan(set_pa=set_pa)), hours=4)[0]
    baghouse = export.baghouse.model_copy(update={"media": media})
    return replace(export, baghouse=baghouse)


# Starting points 80-90 psi for felt and 50-60 psi for woven glass: common practice, no source.
@pytest.mark.parametrize(
    ("psi", "media", "is_found"),
    [
        (85.0, Fibre.ARAMID, False),
        (60.0, Fibre.ARAMID, True),
        (100.0, Fibre.POLYESTER, True),
        (78.0, Fibre.POLYESTER, False),
        (55.0, Fibre.GLASS, False),
        (85.0, Fibre.GLASS, True),
    ],
)
def test_pressure_outside_the_band_of_the_media_is_found(
    psi: float, media: Fibre, is_found: bool
) -> None:
    answers = ask(RULE, study(at(psi * PSI, media)).day)
    assert found(answers) == ({(1, 0)} if is_found else set())
    answer = answers[ONE]
    assert value_of(answer, "before_pa") == pytest.approx(psi * PSI, rel=0.01)
    assert answer.urgency is (Urgency.WATCH if is_found else None)
    assert ("Within 10 % of what is usual" in answer.text) == (psi == 78.0)
    if is_found:
        assert ("high" in answer.text) == (psi > 90 or media is Fibre.GLASS)


def test_unknown_media_cannot_be_judged() -> None:
    assert ask(RULE, study(at(4e5, None)).day)[ONE].verdict is Verdict.CANNOT_TELL


@pytest.mark.parametrize("step_s", [1, 5, 10])
@pytest.mark.parametrize("emptied", [(1,), (1, 2)])
def test_pulses_without_air_are_found_whatever_the_media(
    step_s: int, emptied: tuple[int, ...]
) -> None:
    """Exactly 0 while the controller goes on: air shut, or no transmitter."""
    export = exports(kiln(cleaning=on_time(6)), seed=4, step_s=step_s, hours=3)[0]
    for tag in export.baghouse.tag:
        if tag.role is Role.HEADER_PRESSURE and tag.compartment in emptied:
            export = with_values(export, tag.tag, lambda _, value: 0.0 * value)
    answers = ask(RULE, study(export).day)
    assert found(answers) == {(compartment, 0) for compartment in emptied}
    for compartment in emptied:
        answer = answers[Subject("BH1", compartment)]
        assert answer.urgency is Urgency.NOW
        assert value_of(answer, "n_without_air") > 400


def test_a_header_emptied_for_some_hours_is_found_with_their_begin_and_end() -> None:
    export = exports(kiln(cleaning=on_time(6)), seed=4, step_s=5, hours=6)[0]
    (tag,) = (
        tag.tag
        for tag in export.baghouse.tag
        if tag.role is Role.HEADER_PRESSURE and tag.compartment == 2
    )
    away = with_values(
        export, tag, lambda s, value: np.where((s > 3 * 3600) & (s < 5 * 3600), 0.0, value)
    )
    day = study(away).day
    answer = ask(RULE, day)[Subject("BH1", 2)]
    assert answer.verdict is Verdict.FOUND
    assert answer.start is not None
    assert answer.end is not None
    assert abs(answer.start - day.start - timedelta(hours=3)) < timedelta(minutes=2)
    assert abs(answer.end - day.start - timedelta(hours=5)) < timedelta(minutes=2)


def test_a_silent_row_does_not_change_the_pressure() -> None:
    fault = RowSilent(start=local(0), compartment=1, row=2)
    answers = ask(RULE, study(exports(kiln(), [fault], hours=4)[0]).day)
    assert {answer.verdict for answer in answers.values()} == {Verdict.CLEAR}


def test_the_unit_of_the_export_does_not_matter() -> None:
    export = at(4e5)
    plain, other = (
        ask(RULE, study(one).day)[ONE]
        for one in (export, in_unit(export, "header_pressure", "[psi]"))
    )
    assert value_of(plain, "before_pa") == pytest.approx(value_of(other, "before_pa"), rel=1e-6)


def test_a_header_without_usable_pressure_cannot_be_judged() -> None:
    export = at(6e5)
    samples = dict(export.samples)
    tag = next(tag.tag for tag in export.baghouse.tag if tag.role.value == "header_pressure")
    samples[tag] = replace(samples[tag], quality=samples[tag].quality + 2)
    answers = ask(RULE, study(replace(export, samples=samples)).day)
    assert {answer.verdict for answer in answers.values()} == {Verdict.CANNOT_TELL}
