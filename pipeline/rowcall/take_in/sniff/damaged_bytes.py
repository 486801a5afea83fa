"""Text that is UTF-8 but for some bytes, distinguished from text of a code page.

Text of a code page hardly ever holds a valid sequence of several bytes, and UTF-8 of any length
nearly only such.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterable
from itertools import chain

from rowcall.errors import ExportError
from rowcall.take_in.cells.overrides import edit

# Stands for bytes that are no UTF-8. Unicode keeps this code point for a program's own use; it is
# no character, so no export holds it (The Unicode Standard, 23.7 "Noncharacters").
MARK = "\ufdd0"
ZERO_MARK = "\ufdd1"  # likewise, for zero bytes: of a file that was being written as power failed
_STRAY = re.compile("[\udc80-\udcff]+")  # as `surrogateescape` has them
_WHOLE = re.compile("[^\x00-\x7f\udc80-\udcff]")
# Stray places that are few, beside letters that are UTF-8 (a wide export has them in its names
# alone): these, or one in so many lines. Chosen.
_ALWAYS_FEW, _LINES_A_STRAY = 3, 100
_HARDLY_EVER = 20  # stray places for each valid sequence, from which on it came by chance; chosen


def marked(text: str) -> str:
    """Return a text decoded by `surrogateescape` with a mark in the place of stray bytes."""
    return text if text.isascii() else _STRAY.sub(MARK, text)


def is_damaged_utf8(file: str, blocks: Iterable[bytes], *, is_given: bool) -> bool:
    """True where text that is no valid UTF-8 was UTF-8 before it was damaged; False: a code page.

    Args:
        file: for messages.
        blocks: the text, one piece after the other.
        is_given: the site file says that it is UTF-8.

    Raises:
        ExportError: it is neither plainly, or other than the site file says.
    """
    decoder = codecs.getincrementaldecoder("utf-8")(errors="surrogateescape")
    whole = stray = lines = 0
    for block in chain(blocks, [b""]):
        lines += block.count(b"\n")
        text = decoder.decode(block, final=not block)
        if not text.isascii():
            stray += len(_STRAY.findall(text))
            whole += len(_WHOLE.findall(text))
    if (whole or is_given) and stray <= max(whole, _ALWAYS_FEW, lines // _LINES_A_STRAY):
        return True
    if is_given:
        raise ExportError(
            f"{file}: the utf-8 text is damaged in {stray:,} places; export it again, or give "
            f"{edit('encoding', 'cp1252')} (or what it is written in) in the site file."
        )
    if whole * _HARDLY_EVER <= stray:
        return False
    raise ExportError(
        f"{file}: of the letters beyond ASCII {whole:,} are UTF-8 and {stray:,} are not; export it "
        f"again, or give {edit('encoding', 'cp1252')} (or what it is written in) in the site file."
    )
