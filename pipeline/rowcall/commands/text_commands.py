"""The commands that only print: rules, schema and reference."""

from __future__ import annotations

import argparse

from rowcall.commands.exit_codes import Exit
from rowcall.commands.options import Commands, add_command
from rowcall.reference.chapters import PARTS


def add_to(commands: Commands) -> None:
    """Add these commands to the parser."""
    add_command(
        commands,
        _rules,
        "rules",
        "print what each rule looks for, its thresholds, their sources, and causes",
    )
    parser = add_command(
        commands,
        _schema,
        "schema",
        "print what the columns of findings, cases and work orders hold, for other systems",
    )
    parser.add_argument(
        "table",
        nargs="?",
        choices=("findings", "cases"),
        help="print the JSON Schema (draft 2020-12) of a line of findings.jsonl or cases.jsonl",
    )
    parser = add_command(
        commands,
        _reference,
        "reference",
        "print what exports, site file, work log and reports may hold, as Markdown",
    )
    parser.add_argument(
        "part", nargs="?", choices=PARTS, help=f"{', '.join(PARTS)} (default: all of them)"
    )


def _rules(_: argparse.Namespace) -> Exit:
    from rowcall.diagnosis.rule_book import load_families, load_rules

    for rule in load_rules():
        print(f"{rule.name}: {rule.title}")
        print(f"  looks for: {rule.looks_for}")
        for need in rule.needs:
            roles = " or ".join(role.value for role in need.any_of) or "earlier days"
            print(f"  needs: {roles}, {need.purpose}")
        for limit in rule.thresholds:
            print(f"  {rule.name}.{limit.key} = {limit.text}: {limit.meaning} ({limit.source})")
        print(f"  easily confused with: {rule.confused_with}")
        print(f"  sources: {'; '.join(rule.references)}\n")
    for family in load_families():
        rules = ", ".join(member.rule for member in family.members)
        print(f"Case {family.key}: {family.title} (findings of {rules})")
        for cause in family.causes:
            print(f"  cause {cause.name}: {cause.title} (weights: {cause.source})")
            for one in cause.evidence:
                print(f"    {one.holds:+.1f} if so, {one.fails:+.1f} if not: {one.of}")
        print()
    return Exit.DONE


def _schema(options: argparse.Namespace) -> Exit:
    from rowcall_reports.tables.day_files import TABLES, schema_text

    if options.table:
        print(schema_text(options.table), end="")
        return Exit.DONE
    for table in TABLES:
        print(f"{table.name}, a line: {table.title}")
        width = max(len(column.name) for column in table.columns)
        for column in table.columns:
            print(f"  {column.name:{width}}  {column.type_words}: {column.words}")
        print()
    return Exit.DONE


def _reference(options: argparse.Namespace) -> Exit:
    for name in [options.part] if options.part else PARTS:
        print(PARTS[name].text())
    return Exit.DONE
