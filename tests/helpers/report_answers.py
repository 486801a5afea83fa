"""Rules and answers of the judged day of the report tests."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from helpers.report_facts import (
    CLOSES_LATE,
    DAY,
    FADING,
    MISSES_PULSES,
    NOT_PULSED,
    SILENT,
    START,
)

from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Finding,
    Lack,
    Quantity,
    RowMark,
    Rule,
    Subject,
    Threshold,
    Urgency,
    Verdict,
)
from rowcall.units import Dimension


def _never(context: Context) -> list[Answer]:
    raise AssertionError("reports must not judge")


def _rule(
    name: str, title: str, *thresholds: Threshold, chapter: Chapter = Chapter.ROWS, **more: Any
) -> Rule:
    defaults: dict[str, Any] = {
        "looks_for": title,
        "needs": (),
        "check_first": ("listen to the row on a manual step", "swap the coil with its neighbour"),
        "confused_with": "a row that was not pulsed",
        "cautions": (Caution.LOCKOUT, Caution.STORED_AIR, Caution.HEIGHT),
        "references": (),
        "judge": _never,
    }
    return Rule(
        name=name, title=title, chapter=chapter, thresholds=thresholds, **{**defaults, **more}
    )


def rules() -> tuple[Rule, ...]:
    """Return rules like the real ones, with judges that must not be called."""
    return (*_rules_of_rows(), *_other_rules())


def _rules_of_rows() -> tuple[Rule, ...]:
    common = "common practice, no source"
    return (
        _rule(
            "row_silent",
            "Row does not answer",
            Threshold("share_judged", "50 %", Dimension.RATIO, "share of pulses judged", common),
            marks=(
                RowMark("S", "silent", "pulsed, but header pressure did not drop", 2),
                RowMark("M", "misses pulses", "answered some of its pulses", 3, watch_only=True),
            ),
            judges_valve=True,
            trial_fault="a silent row",
        ),
        _rule(
            "row_closes_late",
            "Row's valve closes late",
            marks=(RowMark("L", "closes late", "the valve closed late", 5, shows_lateness=True),),
            judges_valve=True,
            trial_fault="a row that closes 0.4 s late",
        ),
        _rule(
            "row_weak",
            "Row's pulse is weak",
            marks=(RowMark("W", "weak", "answered, with a drop well below its peers'", 4),),
            judges_valve=True,
        ),
        _rule(
            "row_not_pulsed",
            "Row is not pulsed",
            marks=(RowMark("N", "not pulsed", "the controller sends it no pulses", 1),),
        ),
    )


def _other_rules() -> tuple[Rule, ...]:
    return (
        _rule(
            "slow_header_recovery",
            "Header refills slowly",
            Threshold(
                "longest",
                "15 s",
                Dimension.TIME,
                "95 % recovered within",
                "common practice, no source",
            ),
            chapter=Chapter.AIR,
            confused_with="",
            check_first=("drain the header", "read the regulator"),
        ),
        _rule(
            "temperature_excursion",
            "Inlet over the limit of the bags",
            chapter=Chapter.TEMPERATURE,
            cautions=(Caution.HOT,),
        ),
        _rule(
            "rising_residual_dp",
            "Residual DP rises",
            chapter=Chapter.DP,
            cautions=(Caution.BREATHING,),
        ),
    )


def _answers_of_rows(baghouse: str, places: list[tuple[int, int]]) -> list[Finding]:
    out = []
    for compartment, row in places:
        for rule, bad in (("row_silent", SILENT), ("row_closes_late", CLOSES_LATE)):
            subject = Subject(baghouse, compartment, row)
            if baghouse == "BH1" and (compartment, row) == bad:
                continue
            if baghouse == "BH1" and row == 11:
                why = "only 12 of its 240 pulses could be judged"
                answer = Answer.cannot_tell(subject, why, Lack.FINE_PRESSURE)
            else:
                answer = Answer.clear(subject, "Drop as its peers.")
            out.append(Finding(DAY, rule, answer))
    return out


def findings() -> tuple[Finding, ...]:
    """Return every answer of the day."""
    kiln = [(c, r) for c in (1, 2) for r in range(1, 13)]
    mill = [(1, r) for r in range(1, 9)]
    others = [
        unjudged("slow_header_recovery", Subject("BH1", 1), "only 12 pulses to follow"),
        _clear("slow_header_recovery", Subject("BH1", 2)),
        _clear("slow_header_recovery", Subject("BH2", 1)),
        _clear("rising_residual_dp", Subject("BH2")),
    ]
    return (
        *_faults(),
        *others,
        *_answers_of_rows("BH1", kiln),
        *_answers_of_rows("BH2", mill),
    )


def _faults() -> list[Finding]:
    return [
        _found(
            "rising_residual_dp",
            Subject("BH1"),
            Urgency.WATCH,
            "Residual DP rose by 0.24 kPa in 30 days at the same gas flow.",
            "Repair silent rows first and watch a day; plan a bag sample for an outage.",
        ),
        _found(
            "row_silent",
            Subject("BH1", *SILENT),
            Urgency.NOW,
            "No pressure drop at any of 240 pulses; its neighbours drop 1.6 bar.",
            "Pulse row 4 manually, standing clear, and listen. "
            "Isolated, locked out and bled: coil, wire, both diaphragms.",
        ),
        _found(
            "row_closes_late",
            Subject("BH1", *CLOSES_LATE),
            Urgency.NEXT_OUTAGE,
            "Drop 158 % of its peers' and lowest 0.9 s after the pulse (peers 0.2 s).",
            "Isolated, locked out and bled: both diaphragms of row 9 new, seat clean.",
        ),
        _found(
            "temperature_excursion",
            Subject("BH1"),
            Urgency.NOW,
            "Inlet 22 min above the continuous limit of 135 °C, highest 148 °C.",
            "Ask the kiln what happened at 14:00; look for shrunken or stiff bags.",
        ),
    ]


def other_marks() -> tuple[Finding, ...]:
    """Return findings for the marks that `findings` does not show."""
    return (
        _found(
            "row_not_pulsed",
            Subject("BH1", *NOT_PULSED),
            Urgency.NEXT_OUTAGE,
            "The controller sends this row no pulses; its peers get 240.",
            "See whether its output is switched off.",
        ),
        _found(
            "row_silent",
            Subject("BH1", *MISSES_PULSES),
            Urgency.WATCH,
            "Misses pulses: no pressure drop at 96 of 240 pulses.",
            "Isolated, locked out and bled: wire and coil of row 5, for a loose contact.",
        ),
        _found(
            "row_weak",
            Subject("BH1", *FADING),
            Urgency.NEXT_OUTAGE,
            "Weak: its drop is 62 % of its peers'.",
            "Isolated, locked out and bled: pilot line of row 2.",
        ),
        unjudged("row_weak", Subject("BH1", 1, 1), "its drop is too uncertain"),
    )


def _found(rule: str, subject: Subject, urgency: Urgency, text: str, action: str) -> Finding:
    return Finding(
        DAY,
        rule,
        Answer(
            subject=subject,
            verdict=Verdict.FOUND,
            text=text,
            action=action,
            urgency=urgency,
            start=START + timedelta(hours=2),
            end=START + timedelta(hours=20),
            values=(Quantity("drop_pa", 1234.5, "Pa"), Quantity("ratio", float("nan"), "1")),
        ),
    )


def _clear(rule: str, subject: Subject) -> Finding:
    return Finding(DAY, rule, Answer.clear(subject, "As usual."))


def unjudged(
    rule: str, subject: Subject, text: str, lack: Lack = Lack.FINE_PRESSURE, of: str = ""
) -> Finding:
    """Return an answer that could not be given."""
    return Finding(DAY, rule, Answer.cannot_tell(subject, text, lack, of))
