"""How a text export is written, and what its columns are."""

from __future__ import annotations

from rowcall.site import TakeIn
from rowcall.take_in.read.parquet_footer import check_columns
from rowcall.take_in.sniff.layout import Layout, find_layout
from rowcall.take_in.sniff.preamble import Head, read_head


def text_head(file: str, text: bytes, pins: TakeIn) -> tuple[Head, Layout]:
    """Return head and layout of a text export, of which `text` is the beginning at least."""
    head = read_head(file, text, pins)
    check_columns(file, len(head.names), pins)
    return head, find_layout(file, head.names, head.sample, pins)
