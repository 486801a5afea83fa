"""The rules in force: every module of `rowcall_rules` holds one `RULE`, named like its file.

The table of causes lies beside them, in a folder of its own.
"""

from __future__ import annotations

from importlib import import_module
from pkgutil import iter_modules

import rowcall_rules
from rowcall.errors import RowcallError
from rowcall.model import Family, Rule


def load_rules() -> tuple[Rule, ...]:
    """Return every rule, in order of name.

    Raises:
        RowcallError: no rule was found, or a file does not hold the rule it is named after: a
            check-up without its rules must not report that all is well.
    """
    rules = []
    modules = (module for module in iter_modules(rowcall_rules.__path__) if not module.ispkg)
    for module in sorted(modules, key=lambda m: m.name):
        rule = getattr(import_module(f"rowcall_rules.{module.name}"), "RULE", None)
        if not isinstance(rule, Rule) or rule.name != module.name:
            raise RowcallError(
                f"rowcall_rules/{module.name}.py does not hold the rule of its name."
            )
        rules.append(rule)
    if not rules:
        raise RowcallError("No rules were found; rowcall is not installed completely.")
    return tuple(rules)


def load_families() -> tuple[Family, ...]:
    """Return the table of causes."""
    families: tuple[Family, ...] = import_module("rowcall_rules.causes").FAMILIES
    return families
