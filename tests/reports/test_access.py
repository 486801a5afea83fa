"""What a reader needs to use the pages: contrast, valid markup, links by keyboard, safe names."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest
from helpers import report_days
from helpers.light import contrast
from markdown_it import MarkdownIt

from rowcall_reports import wording
from rowcall_reports.html import SHEET, to_page
from rowcall_reports.markdown import write_pages
from rowcall_reports.page_links import link

TEXT_CONTRAST, SHAPE_CONTRAST = 4.5, 3.0  # WCAG 2.2, 1.4.3 (AA) and 1.4.11
ODD = "a|b <i>*x*</i> [y](z) _q_ `c` & #1 \\ ![p](q)"
VOID = {"meta", "img", "br", "hr", "link", "input"}  # HTML Living Standard, 13.1.2


def colour(code: str) -> tuple[float, float, float]:
    full = code if len(code) == 6 else "".join(letter * 2 for letter in code)
    red, green, blue = (int(full[n : n + 2], 16) / 255 for n in (0, 2, 4))
    return red, green, blue


def themes() -> list[dict[str, tuple[float, float, float]]]:
    """Return the colours of the sheet by name: light, dark, in print."""
    return [
        {name: colour(code) for name, code in re.findall(r"--(\w+):#([0-9a-f]+)", block)}
        for block in re.findall(r":root\{([^}]*)\}", SHEET)
    ]


@pytest.mark.parametrize("theme", themes(), ids=["light", "dark", "print"])
def test_every_pair_of_colours_has_the_contrast_of_wcag(
    theme: dict[str, tuple[float, float, float]],
) -> None:
    for words, ground in (("ink", "paper"), ("ink", "shade"), ("link", "paper")):
        assert contrast(theme[words], theme[ground]) >= TEXT_CONTRAST
    # Links in a table's head would stand on the shade.
    assert contrast(theme["link"], theme["shade"]) >= TEXT_CONTRAST
    assert contrast(theme["line"], theme["paper"]) >= SHAPE_CONTRAST


class Nesting(HTMLParser):
    """Hold what a page opens and closes, and what the standard forbids."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.faults: list[str] = []
        self.ids: list[str] = []
        self.heads: list[int] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an open tag."""
        names = [name for name, _ in attrs]
        known = dict(attrs)
        if len(names) != len(set(names)):
            self.faults.append(f"{tag} has an attribute twice")
        if tag == "img" and not known.get("alt"):
            self.faults.append("picture without a text")
        if self.open and self.open[-1] == "p" and tag in {"p", "ul", "table", "div", "h2", "nav"}:
            self.faults.append(f"{tag} within a paragraph")
        if re.fullmatch("h[1-6]", tag):
            self.heads.append(int(tag[1]))
        self.ids += [str(known["id"])] if "id" in known else []
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Close what was opened last."""
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"{tag} closed out of order")


@pytest.mark.parametrize("name", ["Ondravel Lime", ODD])
def test_pages_are_well_formed_and_their_headings_in_order(name: str) -> None:
    for text in write_pages(report_days.report(name=name), ()).values():
        page = to_page(text, title=name, image_src={})
        assert page.startswith('<!DOCTYPE html>\n<html lang="en">')
        found = Nesting(page)
        assert found.faults == []
        assert found.open == []
        assert len(found.ids) == len(set(found.ids))
        assert found.heads[0] == 1
        assert found.heads.count(1) == 1
        steps = zip(found.heads, found.heads[1:], strict=False)
        assert all(after - before <= 1 for before, after in steps)


def test_every_reader_of_commonmark_finds_the_tables_headings_and_links_that_were_meant() -> None:
    kinds = {
        "table_open": r"(?m)^\| -+",
        "heading_open": r"(?m)^#+ ",
        "link_open": r"(?<!!)\[.*?\]\(",
    }
    for text in write_pages(report_days.sample(), ()).values():
        tokens = MarkdownIt("commonmark").enable("table").parse(text)
        every = [*tokens, *(child for token in tokens for child in token.children or ())]
        for kind, mark in kinds.items():
            assert sum(token.type == kind for token in every) == len(re.findall(mark, text)), kind
        plain = [token.content for token in every if token.type == "text"]
        assert not any("**" in words or "](" in words or "| " in words for words in plain)


@pytest.mark.parametrize(
    "name", [ODD, "1. x", "- x", "# x", "> x", "+ x", "x\n\n# y", "~~x~~", "$x$"]
)
def test_a_name_is_itself_on_its_page_wherever_it_stands(name: str) -> None:
    shown = " ".join(name.split())
    for markdown in (
        wording.escape(name),
        f"- {wording.escape(name)}",
        f"**{wording.escape(name)}:** then",
        link(wording.escape(name), "method"),
        wording.table([wording.escape(name)], [[wording.escape(name)]]),
    ):
        tokens = MarkdownIt("commonmark").enable("table").parse(markdown)
        texts = [
            "".join(
                child.content for child in token.children or () if child.type.startswith("text")
            )
            for token in tokens
            if token.type == "inline"
        ]
        assert texts
        assert all(text.removesuffix(": then") == shown for text in texts), texts
