"""The HTML page: self-contained, no foreign markup, pictures where they were put."""

from __future__ import annotations

import re
from collections.abc import Callable
from html.parser import HTMLParser

import pytest
from helpers import report_days
from helpers.day_pages import all_pages

from rowcall_reports.figures.picture import Picture
from rowcall_reports.html import to_html, to_page
from rowcall_reports.page_links import without_links

PICTURE = Picture("rows-BH1.png", b"", "rows of BH1", "Roll call.")


class Tags(HTMLParser):
    """Collect the start tags of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep a tag with its attributes."""
        self.found.append((tag, dict(attrs)))

    def of(self, name: str) -> list[dict[str, str | None]]:
        """Return the attributes of all tags of a name."""
        return [attributes for tag, attributes in self.found if tag == name]


def report_text() -> str:
    return all_pages(report_days.report(name=report_days.ODD_NAME), (PICTURE,))


def page(src: dict[str, str]) -> Tags:
    return Tags(to_html(report_text(), title=report_days.ODD_NAME, image_src=src))


def test_pictures_point_where_they_were_put() -> None:
    image, *_ = page({"rows-BH1.png": "cid:rows-BH1.png@rowcall"}).of("img")
    assert image["src"] == "cid:rows-BH1.png@rowcall"
    assert image["alt"] == "rows of BH1"


def test_picture_that_is_not_there_is_told_by_its_text() -> None:
    assert page({}).of("img") == []
    markdown = all_pages(report_days.report(), (PICTURE,))
    assert "rows of BH1" in to_html(markdown, title="x", image_src={})


def test_nothing_foreign_runs_or_is_fetched() -> None:
    tags = page({"rows-BH1.png": "rows-BH1.png"})
    names = {tag for tag, _ in tags.found}
    assert not names & {"script", "iframe", "link", "form", "object", "style"}
    for _, attributes in tags.found:
        assert not any(name.startswith("on") for name in attributes)
        assert not str(attributes.get("src", "")).startswith("http")


def test_raw_markup_in_markdown_stays_text() -> None:
    html = to_html("<script>x</script> [a](javascript:x)", title="<b>", image_src={})
    assert Tags(html).of("script") == []
    assert Tags(html).of("a") == []
    assert "<title>&lt;b&gt;</title>" in html


def test_tables_carry_their_own_style() -> None:
    tables, cells = page({}).of("table"), page({}).of("td")
    assert tables
    assert all("border-collapse" in str(table["style"]) for table in tables)
    assert all(table["border"] == "1" for table in tables)
    assert any(cell.get("align") == "right" for cell in cells)
    assert all("nowrap" in str(table["style"]) for table in tables)


@pytest.mark.parametrize("write", [to_html, to_page])
def test_an_amount_and_its_unit_stay_on_one_line(write: Callable[..., str]) -> None:
    text = "63 % of 5 rows, 1.6 bar. Since 2 h or 3 months, 4 minutes, 79.0 kPa·s/m, 5 °C."
    html = write(text, title="x", image_src={})
    kept = "63_% of 5 rows, 1.6_bar. Since 2_h or 3 months, 4 minutes, 79.0_kPa·s/m, 5_°C."
    assert kept in html.replace("\N{NO-BREAK SPACE}", "_")


def test_tables_are_regions_of_names_of_their_own() -> None:
    html = to_page("|a|\n|-|\n\nx\n\n|b|\n|-|\n", title="x", image_src={})
    named = [region["aria-label"] for region in Tags(html).of("div")]
    assert named == ["Table 1", "Table 2"]


def test_styles_are_a_small_part_of_a_mail() -> None:
    """They were 63 % of the demo's, with a style on each cell."""
    html = to_html(report_text(), title="x", image_src={})
    styles = re.findall(r' (?:style|align|border|cellpadding)="[^"]*"', html)
    assert sum(map(len, styles)) < 0.35 * len(html)


class Text(HTMLParser):
    """Collect what a page shows as text, pictures by their texts."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.shown = ""
        self.feed(page.partition("<body")[2])

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep the text of a picture, and part words of different elements."""
        self.shown += f" {dict(attrs).get('alt', '')}" if tag == "img" else " "

    def handle_data(self, data: str) -> None:
        """Keep text."""
        self.shown += data


def test_page_and_text_of_a_mail_say_the_same_in_the_same_order() -> None:
    markdown = without_links(report_text())
    names = {"rows-BH1.png": "cid:rows-BH1.png@rowcall"}
    shown = Text(to_html(markdown, title="x", image_src=names)).shown.partition(">")[2]
    plain = re.sub(r"\]\([^)]*\.png\)|\\(?=[^\w\s])", " ", markdown)
    assert re.findall(r"\w+", shown) == re.findall(r"\w+", plain)
    assert len(re.findall(r"\w+", shown)) > 500
