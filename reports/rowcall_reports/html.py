"""The report as one HTML page: for the mail's second part or a browser, nothing fetched."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from itertools import zip_longest

from markdown_it import MarkdownIt
from markdown_it.renderer import RendererHTML
from markdown_it.token import Token
from markdown_it.utils import EnvType, OptionsDict

# Mail clients drop style sheets but keep style attributes, so every element carries its own.
_STYLES = {
    "h1": "font-size:22px;line-height:1.25;margin:0 0 12px",
    "h2": "font-size:18px;margin:28px 0 8px;padding-top:10px;border-top:2px solid #333",
    "h3": "font-size:15px;margin:20px 0 6px",
    "p": "margin:0 0 10px",
    "ul": "margin:0 0 10px;padding-left:22px",
    "li": "margin:0 0 3px",
    "table": "border-collapse:collapse;margin:0 0 12px;font-size:13px",
    "th": "border:1px solid #999;padding:4px 7px;background:#eee;vertical-align:bottom",
    "td": "border:1px solid #bbb;padding:4px 7px;vertical-align:top",
    "img": "max-width:100%;height:auto;border:0",
    "code": "font-family:Consolas,Menlo,monospace;font-size:13px;white-space:pre-wrap",
}
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
        if token.type == "td_open" and len(following.content) <= _KEPT_WHOLE:
            style = f"{style};white-space:nowrap"
        if style is not None and token.nesting >= 0:
            # A table's column alignment already sits in the style of its cells.
            own = token.attrGet("style")
            token.attrSet("style", f"{style};{own}" if own else style)
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
