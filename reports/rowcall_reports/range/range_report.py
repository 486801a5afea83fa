"""The report of a range as files: Markdown, a page, pictures, and what its verdicts rest on."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import date

import polars as pl

import rowcall
from rowcall.model import Case, Verdict
from rowcall_reports import wording
from rowcall_reports.figures.canvas import house_style
from rowcall_reports.figures.picture import Picture, by_name, embed
from rowcall_reports.html import to_page
from rowcall_reports.page_links import INDEX_FILE
from rowcall_reports.range.case_line import draw_cases, in_order, write_cases
from rowcall_reports.range.difference_tables import write_differences
from rowcall_reports.range.range_days import OtherRun, RangeDays
from rowcall_reports.range.trends import draw_trends, trend_table, write_trends

_CLOSING = (
    "Findings are advice from exported data. They do not replace the controls, interlocks and "
    f"inspections of the plant. Judged by rowcall {rowcall.__version__}; the report of each day is "
    "in the folder of its date."
)


def range_files(
    ranged: RangeDays, span: tuple[date, date], other: OtherRun, failed: Sequence[str] = ()
) -> dict[str, bytes]:
    """Return the files of the report by name; the same days give the same bytes.

    Args:
        span: first and last day.
        failed: parts of days that failed, a sentence each.
    """
    stem = f"range-{span[0]}-{span[1]}"
    facts = ranged.all_facts
    tables = {house.id: trend_table(facts, house.id) for house in ranged.site.baghouse}
    cases = in_order(list(ranged.cases.values()), ranged.found)
    pictures = _draw(stem, span, ranged, cases, tables)
    images = by_name(pictures)
    parts = [
        *_head(ranged, span, failed),
        f"## What differs from {wording.escape(other.name)}",
        *write_differences(ranged, other),
        *_titled("## Cases", embed(images, stem, "cases"), write_cases(cases, ranged.found)),
    ]
    units = ranged.site.units.scales
    for name, table in tables.items():
        picture = embed(images, f"{stem}-trends", name)
        written = write_trends(table, units)
        parts += _titled(f"## Trends of {wording.escape(name)}", picture, written)
    parts += [*_titled("## Verdicts by rule", _by_rule(ranged)), _CLOSING]
    text = "\n\n".join(part for part in parts if part) + "\n"
    title = f"{ranged.site.plant.name}, {span[0]} to {span[1]}"
    page = to_page(
        text,
        title=title,
        image_src={one.name: one.name for one in pictures},
        all_days=INDEX_FILE,
    )
    return {
        f"{stem}.md": text.encode(),
        f"{stem}.html": page.encode(),
        f"{stem}.json": _basis_text(ranged).encode(),
        **{one.name: one.png for one in pictures},
    }


def _draw(
    stem: str,
    span: tuple[date, date],
    ranged: RangeDays,
    cases: Sequence[Case],
    tables: Mapping[str, pl.DataFrame],
) -> list[Picture]:
    units = ranged.site.units.scales
    with house_style():
        made = [
            draw_cases(cases, ranged.found, span, stem),
            *(
                draw_trends(table, span, f"{stem}-trends", name, units)
                for name, table in tables.items()
            ),
        ]
    return [picture for picture in made if picture is not None]


def _titled(title: str, *parts: str) -> list[str]:
    return [title, *parts] if any(parts) else []


def _head(ranged: RangeDays, span: tuple[date, date], failed: Sequence[str]) -> Iterator[str]:
    """Yield title, what was tried, and what failed."""
    yield f"# {wording.escape(ranged.site.plant.name)}: {span[0]} to {span[1]}, judged again"
    yield f"{wording.count(len(ranged.days), 'day')} judged."
    if ranged.changed_settings:
        yield "Settings tried:"
        yield wording.bullets(f"{key} = {value}" for key, value in ranged.changed_settings.items())
    if failed:
        yield "Parts that failed:"
        yield wording.bullets(failed)


def _by_rule(ranged: RangeDays) -> str:
    """Return how often each rule found, cleared, or could not tell, over all places and days."""
    counts = Counter(
        (rule, said[0]) for day in ranged.days.values() for (rule, _), said in day.verdicts.items()
    )
    lines = [
        [wording.escape(rule.title), *(f"{counts[rule.name, verdict]:,}" for verdict in Verdict)]
        for rule in ranged.rules
    ]
    head = ["Places and days", *(verdict.value for verdict in Verdict)]
    return wording.table(head, lines, right=(1, 2, 3)) if counts else ""


def _basis_text(ranged: RangeDays) -> str:
    """Return what the verdicts rest on, by which a later run can say why its own differ."""
    files = {day.isoformat(): dict(one.basis.files or {}) for day, one in ranged.days.items()}
    basis = {"version": rowcall.__version__, "settings": dict(ranged.settings), "files": files}
    return json.dumps(basis, indent=1, sort_keys=True, ensure_ascii=False) + "\n"
