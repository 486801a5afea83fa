"""Advice of every rule: nothing that needs opening or live parts stands before isolation.

Actions are read from the rules' source: what is passed as `outside=` and `isolated=` to `work`, as
`action=`, as the fourth argument of `found` or as the parameter `action` of a function of the
module, followed through the module's names and functions.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

import rowcall_rules
from rowcall.diagnosis.rule_book import load_families, load_rules
from rowcall.model import ISOLATED, Caution, Rule

RULES = load_rules()
NAMES = [rule.name for rule in RULES]
FOLDER = Path(rowcall_rules.__path__[0])
FOUND_ACTION = 3  # the fourth argument of Context.found

# Parts of a valve or of a circuit, work on them, and bags taken out of the casing.
UNSAFE = re.compile(
    r"\b(coil|fuse|wir(e|ing)|terminal|voltage|pilot|vent|diaphragm|lid|bolt|seat|spring|bleed hole"
    r"|blowpipe|solenoid|open|swap|loosen|tighten|unscrew|remove|replace|renew|enter|dismantle"
    r"|(take|pull|send) a bag)"
    r"(s|d|ed|ing)?\b",
    re.IGNORECASE,
)
# What may be said before isolation all the same, for it is looked at, read or set from outside.
HARMLESS = re.compile(r"\b(is|are|stands?|left|stays?) open\b|\bsolenoid bits?\b", re.IGNORECASE)
# What cannot be done once power is locked out and the header bled.
NEEDS_ENERGY = re.compile(r"\b(voltage|listen|pulse it|under load)\b", re.IGNORECASE)
# `work` writes it so; lists of checks say it shorter.
BARRIER = re.compile(r"\bisolated(, locked out)?( and bled)?: ", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Advice:
    """One piece of advice of a rule: what stands before isolation, and what after it."""

    outside: str
    isolated: str


def advice(text: str) -> Advice:
    """Split text at the words of isolation."""
    parts = BARRIER.split(text, maxsplit=1)
    return Advice(parts[0], parts[-1] if len(parts) > 1 else "")


def unsafe_words(outside: str) -> list[str]:
    """Return what must not stand before isolation."""
    return [match[0] for match in UNSAFE.finditer(HARMLESS.sub("", outside))]


@dataclass
class Source:
    """A rule's module, and the advice that its code can give."""

    tree: ast.Module
    names: dict[str, ast.AST] = field(default_factory=dict)
    functions: dict[str, ast.FunctionDef] = field(default_factory=dict)

    @classmethod
    def of(cls, text: str) -> Source:
        """Parse a module and index what its names stand for."""
        source = cls(ast.parse(text))
        for node in ast.walk(source.tree):
            if isinstance(node, ast.FunctionDef):
                source.functions[node.name] = node
            elif isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                source.names[node.targets[0].id] = node.value
            elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                source.names[node.target.id] = node.value or ast.Pass()
        return source

    def actions(self) -> Iterator[Advice]:
        """Yield the advice of every place that passes an action or builds one."""
        for call in (node for node in ast.walk(self.tree) if isinstance(node, ast.Call)):
            if _called(call) == "work":
                given = {word.arg: self.text(word.value) for word in call.keywords}
                assert set(given) <= {"outside", "isolated"}, "work takes its parts by name"
                yield Advice(given.get("outside", ""), given.get("isolated", ""))
            for action in self._actions_of(call):
                yield advice(self.text(action))

    def text(self, node: ast.AST, seen: frozenset[str] = frozenset()) -> str:
        """Return the strings that an expression is made of, names and own functions followed."""
        if isinstance(node, ast.Constant):
            return node.value if isinstance(node.value, str) else ""
        if isinstance(node, ast.Call) and _called(node) == "work":
            given = {word.arg: self.text(word.value, seen) for word in node.keywords}
            inside = given.get("isolated", "")
            return given.get("outside", "") + (f" {ISOLATED}{inside}" if inside else "")
        if isinstance(node, ast.Name) and node.id not in seen:
            return self.text(self._meaning(node.id), seen | {node.id})
        return " ".join(self.text(child, seen) for child in ast.iter_child_nodes(node))

    def _actions_of(self, call: ast.Call) -> Iterator[ast.expr]:
        yield from (word.value for word in call.keywords if word.arg == "action")
        own = self.functions.get(_called(call))
        names = [one.arg for one in own.args.args] if own else []
        at = names.index("action") if "action" in names else FOUND_ACTION
        if (_called(call) == "found" or "action" in names) and len(call.args) > at:
            yield call.args[at]

    def _meaning(self, name: str) -> ast.AST:
        if name in self.names:
            return self.names[name]
        if name in self.functions:
            returned = [n for n in ast.walk(self.functions[name]) if isinstance(n, ast.Return)]
            return ast.List([n.value for n in returned if n.value is not None], ast.Load())
        return ast.Pass()


def _called(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def advice_of(rule: Rule) -> list[Advice]:
    """Return all advice that a rule can give with a finding."""
    text = next(FOLDER.rglob(f"{rule.name}.py")).read_text(encoding="utf-8")
    given = [one for one in Source.of(text).actions() if one.outside or one.isolated]
    assert given, f"no action of {rule.name} could be read"
    return given


def rule_of(name: str) -> Rule:
    return RULES[NAMES.index(name)]


@pytest.mark.parametrize("name", NAMES)
def test_no_advice_opens_anything_before_isolation(name: str) -> None:
    wrong = {
        one.outside: words
        for one in advice_of(rule_of(name))
        if (words := unsafe_words(one.outside))
    }
    assert wrong == {}


@pytest.mark.parametrize("name", NAMES)
def test_what_is_checked_first_needs_no_opening_before_isolation(name: str) -> None:
    checks = rule_of(name).check_first
    is_inside = [bool(BARRIER.match(check)) for check in checks]
    assert is_inside == sorted(is_inside)  # from outside first
    outside = [check for check, inside in zip(checks, is_inside, strict=True) if not inside]
    assert {check: words for check in outside if (words := unsafe_words(check))} == {}


@pytest.mark.parametrize(
    "checks",
    [
        pytest.param(cause.check_first, id=f"{family.key}-{cause.name}")
        for family in load_families()
        for cause in family.causes
    ],
)
def test_what_is_checked_of_a_cause_needs_no_opening_before_isolation(
    checks: tuple[str, ...],
) -> None:
    is_inside = [bool(BARRIER.match(check)) for check in checks]
    assert is_inside == sorted(is_inside)
    outside = [check for check, inside in zip(checks, is_inside, strict=True) if not inside]
    assert {check: words for check in outside if (words := unsafe_words(check))} == {}
    inside = [advice(check).isolated for check in checks]
    assert [text for text in inside if NEEDS_ENERGY.search(text)] == []


@pytest.mark.parametrize("name", NAMES)
def test_a_rule_whose_work_needs_isolation_has_the_cautions_of_it(name: str) -> None:
    rule = rule_of(name)
    texts = [advice(check) for check in rule.check_first] + advice_of(rule)
    if any(one.isolated for one in texts):
        assert Caution.LOCKOUT in rule.cautions
        assert {Caution.STORED_AIR, Caution.CONFINED_SPACE} & set(rule.cautions)


@pytest.mark.parametrize("name", NAMES)
def test_what_needs_power_or_air_does_not_stand_after_isolation(name: str) -> None:
    rule = rule_of(name)
    texts = [advice(check) for check in rule.check_first] + advice_of(rule)
    wrong = [one.isolated for one in texts if NEEDS_ENERGY.search(one.isolated)]
    assert wrong == []


# The test of the tests: what they must see.


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("From outside: check fuse, wire and coil.", ["fuse", "wire", "coil"]),
        ("Swap the coils.", ["Swap", "coils"]),
        ("Opening the pilot lines", ["Opening", "pilot"]),
        ("Listen; see whether the drain is left open.", []),
        ("Read the gauge. Isolated, locked out and bled: both diaphragms.", []),
        ("Renew both diaphragms.", ["Renew", "diaphragms"]),
        ("At the next outage take a bag for a test.", ["take a bag"]),
    ],
)
def test_what_needs_isolation_is_recognised(text: str, words: list[str]) -> None:
    assert unsafe_words(advice(text).outside) == words


@pytest.mark.parametrize(
    "code",
    [
        'x = Answer(action="Check the coil.")',
        'x = Answer(action=_ACTION)\n_ACTION = "Check " f"the {1} coil."',
        'x = context.found(subject, urgency, "Found.", _action(3))\n'
        'def _action(n):\n    return "Check the coil." if n else "Look."',
        'x = context.found(subject, urgency, "Found.", work(outside=_LOOK + "Listen."))\n'
        '_LOOK = "Check the coil."',
        '_ACTIONS = {1: work(outside="Check the coil.", isolated="both diaphragms.")}\n'
        'x = context.found(subject, urgency, "Found.", _ACTIONS[1])',
        'x = replace(answer, action="Check the coil.")',
        'x = _found(3, "Check the coil.")\n'
        'def _found(n, action):\n    return context.found(subject, urgency, "Found.", action)',
    ],
)
def test_advice_is_found_however_it_is_passed(code: str) -> None:
    outside = " ".join(one.outside for one in Source.of(code).actions())
    assert "coil" in unsafe_words(outside)
