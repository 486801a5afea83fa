"""The possible causes of a case, weighed by what speaks for and against each."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from rowcall.memory.signs import SIGNS, Material
from rowcall.model import Cause, Evidence, RankedCause, Rule, Sign, SignOf, Verdict


def ranked_causes(material: Material, rules: Mapping[str, Rule]) -> tuple[RankedCause, ...]:
    """Return the causes of a case's family, the most probable first.

    Weights add up as logarithms of likelihood ratios do where pieces of evidence are independent
    given the cause; evidence that is not known counts nothing.
    """
    causes = material.place.family.causes
    signs = [tuple(_signs(cause, material, rules)) for cause in causes]
    scores = [
        cause.prior + sum(sign.weight for sign in own)
        for cause, own in zip(causes, signs, strict=True)
    ]
    total = sum(math.exp(score - max(scores)) for score in scores)
    ranked = [
        RankedCause(
            cause.name,
            cause.title,
            math.exp(score - max(scores)) / total,
            tuple(sorted(own, key=lambda sign: -abs(sign.weight))),
            cause.check_first,
            cause.source.startswith("trials"),
        )
        for cause, score, own in zip(causes, scores, signs, strict=True)
    ]
    return tuple(sorted(ranked, key=lambda one: -one.probability))


def _signs(cause: Cause, material: Material, rules: Mapping[str, Rule]) -> Iterator[Sign]:
    for evidence in cause.evidence:
        is_so = holds(evidence.of, material)
        if is_so is None:
            continue
        weight = evidence.holds if is_so else evidence.fails
        if weight:
            yield Sign(_words(evidence, rules, is_so=is_so), weight)


def holds(of: str | SignOf, material: Material) -> bool | None:
    """Return whether a rule found something or a sign holds; None where that is not known."""
    if isinstance(of, SignOf):
        return SIGNS[of](material)
    if material.finding(of) is not None:
        return True
    answer = material.place.on(material.case.last_found).get(of)
    return False if answer is not None and answer.answer.verdict is Verdict.CLEAR else None


def _words(evidence: Evidence, rules: Mapping[str, Rule], *, is_so: bool) -> str:
    if isinstance(evidence.of, SignOf):
        return evidence.of.value if is_so else f"not: {evidence.of.value}"
    title = rules[evidence.of].title if evidence.of in rules else evidence.of
    words = f"{title[0].lower()}{title[1:]}"
    return words if is_so else f"clear: {words}"
