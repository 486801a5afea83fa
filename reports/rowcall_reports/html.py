"""Markdown as an HTML page: for the mail's second part or a browser, nothing fetched."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from html import escape
from itertools import zip_longest

from markdown_it import MarkdownIt
from markdown_it.renderer import RendererHTML
from markdown_it.token import Token
from markdown_it.utils import EnvType, OptionsDict

from rowcall.units import UNITS, symbol
from rowcall_reports.page_links import NAV_MARK, anchor, without_links

# Mail clients drop style sheets but keep style attributes. What they inherit or do by themselves is
# not said again; cells get borders and padding from attributes of their table (`_TABLE`).
_STYLES = {
    "h1": "font-size:22px;line-height:1.25",
    "h2": "font-size:18px;padding-top:10px;border-top:2px solid #333",
    "h3": "font-size:15px",
    "ul": "padding-left:22px",
    "table": "border-collapse:collapse;font-size:13px;white-space:nowrap",
    "thead": "background:#eee;vertical-align:bottom;white-space:normal",
    "tbody": "vertical-align:top",
    "img": "max-width:100%;height:auto;border:0",
    "code": "white-space:pre-wrap",
}
_PICTURE_PX = "480"  # chosen: the words of a picture are about as large as those of the page
_TABLE = {"border": "1", "cellpadding": "4"}
_KEPT_WHOLE = 20  # chosen: dates, numbers and marks of a table are not broken across lines
_BODY = (
    "font-family:Segoe UI,Helvetica,Arial,sans-serif;font-size:16px;line-height:1.4;"
    "color:#111;background:#fff;max-width:980px;margin:0 auto;padding:16px"
)


# Pages in a folder: a style sheet, so that they follow the reader's light or dark and print.
SHEET = """\
:root{color-scheme:light dark;--ink:#111;--paper:#fff;--line:#888;--shade:#eee;--link:#0645ad}
@media (prefers-color-scheme:dark){
:root{--ink:#e8e8e8;--paper:#161616;--line:#777;--shade:#2b2b2b;--link:#8ab4f8}}
body{font:16px/1.35 Segoe UI,Helvetica,Arial,sans-serif;color:var(--ink);background:var(--paper);
margin:0 auto;max-width:980px;padding:12px;overflow-wrap:break-word}
a{color:var(--link)}
h1{font-size:22px;line-height:1.25;margin:0 0 10px}
h2{font-size:18px;margin:14px 0 4px;padding-top:4px;border-top:2px solid var(--line)}
h3{font-size:16px;margin:16px 0 6px}
p,ul,nav{margin:0 0 8px}
ul{padding-left:16px}
li{margin:0 0 2px}
table{border-collapse:collapse;margin:0 0 12px}
th,td{border:1px solid var(--line);padding:4px 7px;vertical-align:top}
th{background:var(--shade);vertical-align:bottom}
.short{white-space:nowrap}
td:not(.short){min-width:10em}
.wide{overflow-x:auto}
img{max-width:100%;height:auto;background:#fff;box-sizing:border-box;padding:4px;border-radius:6px}
code{font-family:Consolas,Menlo,monospace;white-space:pre-wrap;overflow-wrap:anywhere}
@media print{:root{--ink:#000;--paper:#fff;--line:#888;--shade:#eee;--link:#000}
body{max-width:none;padding:0}nav{display:none}img{max-height:95vh}
.wide{overflow:visible}h2,h3{break-after:avoid}img,tr{break-inside:avoid}}
"""
# An amount and its unit stay on one line.
_BEFORE_UNIT = re.compile(
    rf"(?<=\d) (?=(?:{'|'.join(re.escape(symbol(code)) for code in UNITS if symbol(code))})(?!\w))"
)
_NO_BREAK = "\N{NO-BREAK SPACE}"
_PAGE_FILE = re.compile(r"^([\w-]+)\.md(#.*)?$")


def to_html(markdown: str, *, title: str, image_src: Mapping[str, str]) -> str:
    """Return a page for the mail: styles on each element, relative links as plain text.

    Args:
        markdown: raw HTML in it stays text.
        title: the page title, plain text.
        image_src: for each picture name its source: a file name, `cid:` or `data:` address;
            a picture without one is shown by its text.
    """
    parser = _parser('<div style="overflow-x:auto">')
    tokens = parser.parse(without_links(markdown))
    _place_images(tokens, image_src)
    _keep_together(tokens)
    _dress(tokens)
    body = parser.renderer.render(tokens, parser.options, {})
    return _document(title, "", f'<body style="{_BODY}">\n{body}</body>')


def to_page(markdown: str, *, title: str, image_src: Mapping[str, str], all_days: str = "") -> str:
    """Return a page for a folder: one style sheet, links to the pages beside it; else `to_html`.

    all_days: address of the page of all days, linked at the top; '' without.
    """
    parser = _parser('<div class="wide" role="region" aria-label="Table {}" tabindex="0">')
    tokens = parser.parse(markdown)
    _place_images(tokens, image_src)
    _connect(tokens)
    _keep_together(tokens)
    body = parser.renderer.render(tokens, parser.options, {})
    days = f'<nav aria-label="All days"><a href="{escape(all_days)}">All days</a></nav>\n'
    top = days if all_days else ""
    return page(title, f"{top}<main>\n{body}</main>\n")


def page(title: str, body: str, style: str = "") -> str:
    """Return a page for a folder in the style of all pages; `body` and `style` are HTML and CSS."""
    return _document(title, f"<style>\n{SHEET}{style}</style>\n", f"<body>\n{body}</body>")


def _document(title: str, head: str, body: str) -> str:
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n{head}</head>\n{body}\n</html>\n"
    )


def _parser(around_table: str) -> MarkdownIt:
    """Return a parser that lets a table wider than the page be moved by itself, not the page."""

    def open_table(
        renderer: RendererHTML,
        tokens: Sequence[Token],
        number: int,
        options: OptionsDict,
        _: EnvType,
    ) -> str:
        nth = sum(token.type == "table_open" for token in tokens[: number + 1])
        return around_table.format(nth) + renderer.renderToken(tokens, number, options, {})

    parser = MarkdownIt("commonmark", {"html": False}).enable("table")
    parser.add_render_rule("table_open", open_table)
    parser.add_render_rule("table_close", lambda *_: "</table></div>\n")
    return parser


def _keep_together(tokens: Sequence[Token]) -> None:
    for token in tokens:
        for child in token.children or ():
            if child.type == "text":
                child.content = _BEFORE_UNIT.sub(_NO_BREAK, child.content)


def _connect(tokens: Sequence[Token]) -> None:
    """Give headings their places, links their pages, lines of links their landmark."""
    taken = Counter[str]()
    for token, following, last in zip(tokens, tokens[1:], tokens[2:], strict=False):
        if token.type == "heading_open":
            text = "".join(child.content for child in following.children or ())
            place = anchor(text)
            token.attrSet("id", f"{place}-{taken[place]}" if taken[place] else place)
            taken[place] += 1
        if token.type == "paragraph_open" and _is_links(following):
            token.tag = last.tag = "nav"
            taken["nav"] += 1
            token.attrSet("aria-label", f"Pages {taken['nav']}")
        if token.type == "td_open" and len(following.content) <= _KEPT_WHOLE:
            token.attrSet("class", "short")
        for child in token.children or ():
            if child.type == "link_open":
                child.attrSet("href", _PAGE_FILE.sub(r"\1.html\2", str(child.attrGet("href"))))


def _is_links(paragraph: Token) -> bool:
    """Return whether a paragraph holds nothing but links."""
    children = paragraph.children or []
    words = [child.content for child in children if child.type == "text" and not child.level]
    return bool(children) and children[0].type == "link_open" and set(words) <= {NAV_MARK}


def _dress(tokens: Sequence[Token]) -> None:
    """Put styles on freshly parsed tokens."""
    for token, following in zip_longest(tokens, tokens[1:]):
        style = _STYLES.get(token.tag)
        if token.type in ("td_open", "th_open"):
            # Columns are flush right or not (`wording.table`).
            token.attrs = {"align": "right"} if token.attrs else {}
            if token.type == "td_open" and len(following.content) > _KEPT_WHOLE:
                token.attrSet("style", "white-space:normal")
        if style is not None and token.nesting >= 0:
            token.attrs |= {"style": style, **(_TABLE if token.tag == "table" else {})}
        _dress([child for child in token.children or () if child.tag])


def _place_images(tokens: Sequence[Token], image_src: Mapping[str, str]) -> None:
    for token in tokens:
        for child in token.children or ():
            if child.type == "image":
                _place_image(child, image_src)


def _place_image(token: Token, image_src: Mapping[str, str]) -> None:
    source = image_src.get(str(token.attrGet("src")))
    if source is None:
        token.type, token.tag = "text", ""
        token.attrs = {}
        return
    token.attrSet("src", source)
    token.attrSet("width", _PICTURE_PX)
