"""What a reader needs to use the pages: contrast, valid markup, links by keyboard, safe names."""

from __future__ import annotations

import re
from itertools import pairwise

import html5lib
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


@pytest.mark.parametrize("name", ["Ondravel Lime", ODD])
def test_pages_are_valid_and_their_headings_in_order(name: str) -> None:
    """Parsed without any error of the HTML Living Standard, by the package html5lib."""
    for text in write_pages(report_days.report(name=name), ()).values():
        page = to_page(text, title=name, image_src={})
        assert page.startswith('<!DOCTYPE html>\n<html lang="en">')
        parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
        parts = list(parser.parse(page).iter())
        ids = [part.get("id") for part in parts if part.get("id")]
        assert len(ids) == len(set(ids))
        assert all(part.get("alt") for part in parts if part.tag == "img")
        levels = [int(part.tag[1]) for part in parts if re.fullmatch("h[1-6]", str(part.tag))]
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(after - before <= 1 for before, after in pairwise(levels))


@pytest.mark.parametrize("broken", ["<p><ul></ul></p>", "<b><i></b></i>", '<a id="x" id="y">a</a>'])
def test_a_page_that_is_not_valid_is_seen(broken: str) -> None:
    page = to_page("# Title", title="Title", image_src={}).replace("</main>", f"{broken}</main>")
    with pytest.raises(html5lib.html5parser.ParseError):
        html5lib.HTMLParser(strict=True).parse(page)


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
