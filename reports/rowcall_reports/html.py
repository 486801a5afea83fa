"""The report as one HTML page: for the mail's second part or a browser, nothing fetched."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from itertools import zip_longest

from markdown_it import MarkdownIt
from markdown_it.renderer import RendererHTML
from markdown_it.token import Token
from markdown_it.utils import EnvType, OptionsDict

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
_TABLE = {"border": "1", "cellpadding": "4"}
_KEPT_WHOLE = 20  # chosen: dates, numbers and marks of a table are not broken across lines
_BODY = (
    "font-family:Segoe UI,Helvetica,Arial,sans-serif;font-size:16px;line-height:1.4;"
    "color:#111;background:#fff;max-width:980px;margin:0 auto;padding:16px"
)


def to_html(markdown: str, *, title: str, image_src: Mapping[str, str]) -> str:
    """Return a self-contained page of a report's Markdown.

    Args:
        markdown: the report; raw HTML in it stays text.
        title: the page title, plain text.
        image_src: for each picture name its source: a file name, `cid:` or `data:` address;
            a picture without one is shown by its text.
    """
    parser = MarkdownIt("commonmark", {"html": False}).enable("table")
    parser.add_render_rule("table_open", _scrolling)
    parser.add_render_rule("table_close", lambda *_: "</table></div>\n")
    tokens = parser.parse(markdown)
    _dress(tokens, image_src)
    body = parser.renderer.render(tokens, parser.options, {})
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n</head>\n"
        f'<body style="{_BODY}">\n{body}</body>\n</html>\n'
    )


def _dress(tokens: Sequence[Token], image_src: Mapping[str, str]) -> None:
    """Put styles and picture sources on freshly parsed tokens."""
    for token, following in zip_longest(tokens, tokens[1:]):
        style = _STYLES.get(token.tag)
        if token.type in ("td_open", "th_open"):
            # Columns are flush right or not (`wording.table`).
            token.attrs = {"align": "right"} if token.attrs else {}
            if token.type == "td_open" and len(following.content) > _KEPT_WHOLE:
                token.attrSet("style", "white-space:normal")
        if style is not None and token.nesting >= 0:
            token.attrs |= {"style": style, **(_TABLE if token.tag == "table" else {})}
        for child in token.children or ():
            if child.type == "image":
                _place_image(child, image_src)
        _dress([child for child in token.children or () if child.tag], image_src)


def _scrolling(
    renderer: RendererHTML,
    tokens: Sequence[Token],
    number: int,
    options: OptionsDict,
    _: EnvType,
) -> str:
    """Let a table that is wider than the page be moved by itself, not the page."""
    table = renderer.renderToken(tokens, number, options, {})
    return f'<div style="overflow-x:auto">{table}'


def _place_image(token: Token, image_src: Mapping[str, str]) -> None:
    source = image_src.get(str(token.attrGet("src")))
    if source is None:
        token.type, token.tag = "text", ""
        token.attrs = {}
        return
    token.attrSet("src", source)
