"""Rules and answers of the judged day of the report tests."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from helpers.report_facts import DAY, DRAWN_OUT, SILENT, START

from rowcall.model import (
    Answer,
    BaghouseDay,
    Caution,
    Finding,
    Limits,
    Quantity,
    Rule,
    Subject,
    Threshold,
    Urgency,
    Verdict,
)
from rowcall.units import Dimension


def _never(day: BaghouseDay, limits: Limits) -> list[Answer]:
    raise AssertionError("reports must not judge")


def _rule(name: str, title: str, *thresholds: Threshold, **more: Any) -> Rule:
    defaults: dict[str, Any] = {
        "looks_for": title,
        "needs": (),
        "check_first": ("listen to the row on a manual step", "swap the coil with its neighbour"),
        "confused_with": "a row that was not called",
        "cautions": (Caution.LOCKOUT, Caution.STORED_AIR, Caution.HEIGHT),
        "references": (),
        "judge": _never,
    }
    return Rule(name=name, title=title, thresholds=thresholds, **{**defaults, **more})


def rules() -> tuple[Rule, ...]:
    """Return rules with the names of the real ones and judges that must not be called."""
    common = "common practice, no source"
    return (
        _rule(
            "row_silent",
            "Row does not fire",
            Threshold("share_heard", "50 %", Dimension.RATIO, "least share of calls", common),
        ),
        _rule("row_closes_late", "Row's valve closes late"),
        _rule(
            "slow_header_recovery",
            "Header refills slowly",
            Threshold("longest", "15 s", Dimension.TIME, "95 % made good within", common),
            confused_with="",
            check_first=("drain the header", "read the regulator"),
        ),
        _rule(
            "temperature_excursion",
            "Inlet over the limit of the bags",
            cautions=(Caution.HOT,),
        ),
        _rule("rising_residual_dp", "Residual DP rises", cautions=(Caution.BREATHING,)),
    )


def _answers_of_rows(baghouse: str, places: list[tuple[int, int]]) -> list[Finding]:
    out = []
    for compartment, row in places:
        for rule, bad in (("row_silent", SILENT), ("row_closes_late", DRAWN_OUT)):
            subject = Subject(baghouse, compartment, row)
            if baghouse == "BH1" and (compartment, row) == bad:
                continue
            if baghouse == "BH1" and row == 11:
                answer = Answer.cannot_tell(subject, "only 12 of its 240 pulses were heard")
            else:
                answer = Answer.clear(subject, "Drop as its peers.")
            out.append(Finding(DAY, rule, answer))
    return out


def findings() -> tuple[Finding, ...]:
    """Return every answer of the day."""
    kiln = [(c, r) for c in (1, 2) for r in range(1, 13)]
    mill = [(1, r) for r in range(1, 9)]
    others = [
        untold("slow_header_recovery", Subject("BH1", 1), "only 12 pulses to follow"),
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
            "Plan a bag sample; mend silent rows first and watch a day.",
        ),
        _found(
            "row_silent",
            Subject("BH1", *SILENT),
            Urgency.NOW,
            "No drop after any of 240 calls; its neighbours drop 1.6 bar.",
            "Step row 4 by hand; check coil and wire, then both diaphragms.",
        ),
        _found(
            "row_closes_late",
            Subject("BH1", *DRAWN_OUT),
            Urgency.NEXT_OUTAGE,
            "Drop 158 % of its peers and lowest 0.9 s after the call (peers 0.2 s).",
            "Renew both diaphragms of row 9 and clean the seat.",
        ),
        _found(
            "temperature_excursion",
            Subject("BH1"),
            Urgency.NOW,
            "Inlet 22 min above the continuous limit of 135 °C, highest 148 °C.",
            "Ask the kiln what happened at 14:00; look for shrunken or stiff bags.",
        ),
    ]


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


def untold(rule: str, subject: Subject, text: str) -> Finding:
    """Return an answer that could not be given."""
    return Finding(DAY, rule, Answer.cannot_tell(subject, text))
