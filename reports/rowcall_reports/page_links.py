"""The pages of a day by name, and links between them and to places within them.

Links are relative and name the Markdown file; the HTML made from it names the page instead.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date

METHOD_PAGE = "method"
INDEX_FILE = "index.html"  # of all days, beside their folders
NAV_MARK = " · "  # between the links of a line that holds nothing else
_RELATIVE = re.compile(r"(?<![!\\])\[((?:\\.|[^\]\\])*)\]\((?!\w+:)[^)]*\)")


def day_page(day: date) -> str:
    """Return the name of the page of the day, without ending."""
    return f"rowcall-{day.isoformat()}"


def baghouse_page(baghouse: str) -> str:
    """Return the name of a baghouse's page; ids are letters, digits, `-` and `_`."""
    return f"baghouse-{baghouse}"


def anchor(title: str) -> str:
    """Return the place of a heading, as Markdown viewers make it from the text."""
    return re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-")


def link(words: str, page: str, title: str = "") -> str:
    """Return a link to a page, or with `title` to a heading of it; '' is the page itself."""
    return f"[{words}]({f'{page}.md' if page else ''}{f'#{anchor(title)}' if title else ''})"


def nav(links: Iterable[str]) -> str:
    """Return links to other pages on one line."""
    return NAV_MARK.join(links)


def without_links(markdown: str) -> str:
    """Return Markdown with the words of relative links only, for where the pages are not at hand.

    Pictures and addresses of the web stay.
    """
    return _RELATIVE.sub(r"\1", markdown)
