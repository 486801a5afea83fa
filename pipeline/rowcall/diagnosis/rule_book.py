"""The rules in force: every module in a folder of `rowcall_rules` holds one `RULE`, named like it.

The table of causes lies beside them, in a folder of its own.
"""

from __future__ import annotations

from importlib import import_module
from pkgutil import walk_packages

import rowcall_rules
from rowcall.errors import RowcallError
from rowcall.model import Family, Rule

_CAUSES = f"{rowcall_rules.__name__}.causes"


def load_rules() -> tuple[Rule, ...]:
    """Return every rule, in order of name.

    Raises:
        RowcallError: no rule was found, or a file does not hold the rule it is named after: a
            check-up without its rules must not report that all is well.
    """
    rules = []
    found = walk_packages(rowcall_rules.__path__, f"{rowcall_rules.__name__}.")
    for module in found:
        if module.ispkg or module.name.startswith(_CAUSES):
            continue
        rule = getattr(import_module(module.name), "RULE", None)
        if not isinstance(rule, Rule) or rule.name != module.name.rsplit(".", 1)[-1]:
            path = module.name.replace(".", "/")
            raise RowcallError(f"{path}.py does not hold the rule of its name.")
        rules.append(rule)
    if not rules:
        raise RowcallError("No rules were found; rowcall is not installed completely.")
    return tuple(sorted(rules, key=lambda rule: rule.name))


def load_families() -> tuple[Family, ...]:
    """Return the table of causes."""
    families: tuple[Family, ...] = import_module("rowcall_rules.causes").FAMILIES
    return families
