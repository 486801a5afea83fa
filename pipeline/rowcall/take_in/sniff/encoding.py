"""Bytes of a text export to clean UTF-8 text, block by block."""

from __future__ import annotations

import codecs
from collections.abc import Generator, Iterable
from dataclasses import dataclass, replace
from itertools import chain

from rowcall.errors import ExportError
from rowcall.take_in.cells.overrides import edit
from rowcall.take_in.files.inbox import no_spreadsheet
from rowcall.take_in.sniff.damaged_bytes import ZERO_MARK, is_damaged_utf8, marked

_UTF16 = {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}
_ZIP = b"PK\x03\x04"  # a local file header, by the zip format's specification
_OLD_OFFICE = b"\xd0\xcf\x11\xe0"  # [MS-CFB] 2.2: compound files begin so
_OFFICE = b"[Content_Types].xml"  # ECMA-376 part 2, 7.2.3: a part of every such package
_HEAD_BYTES = 400  # in which UTF-16 without a byte order mark shows; chosen: a few lines
_TURNED_LINE_END = "\u0a00"  # U+000A with its bytes changed over; Unicode assigns it to no sign
UTF8, WINDOWS = "utf-8", "cp1252"


@dataclass(frozen=True, slots=True)
class Writing:
    """How a text export is written down.

    Attributes:
        encoding: a name that Python knows.
        is_open: the encoding is only supposed, and gives way to `WINDOWS` where it does not fit.
        bare_cr: lines end with CR alone.
        is_damaged: bytes that do not fit get a mark in their place.
    """

    encoding: str
    is_open: bool
    bare_cr: bool = False
    is_damaged: bool = False


def other_writing(file: str, blocks: Iterable[bytes], supposed: Writing) -> Writing:
    """Tell how text is written that turned out not to be valid UTF-8; raises `ExportError`."""
    if is_damaged_utf8(file, blocks, is_given=not supposed.is_open):
        return replace(supposed, is_damaged=True)
    return Writing(WINDOWS, is_open=False, bare_cr=supposed.bare_cr)


class NotUtf8Error(Exception):
    """A text supposed to be UTF-8 turned out not to be, or not throughout."""


def writing_of_begin(file: str, begin: bytes, encoding: str | None) -> Writing:
    """Tell from the beginning of a text how it is written down, unless the encoding is given.

    Raises:
        ExportError: it is empty, or no text at all.
    """
    if not begin.strip():
        raise ExportError(f"{file}: the file is empty; export it again.")
    if begin.startswith(_OLD_OFFICE) or (begin.startswith(_ZIP) and _OFFICE in begin):
        raise ExportError(no_spreadsheet(file))
    if begin.startswith(_ZIP):
        raise ExportError(f"{file}: this is a zip archive; name it .zip, or unpack it first.")
    found = encoding
    if encoding in (None, "utf-16"):
        found = _UTF16.get(begin[:2]) or _unmarked_utf16(begin[:_HEAD_BYTES])
    is_open = not found and encoding is None
    found = found or (UTF8 if is_open else "utf-16-le")
    text = begin.decode(found, errors="ignore")
    return Writing(found, is_open, bare_cr="\r" in text and "\n" not in text)


def line_blocks(
    file: str, blocks: Iterable[bytes], writing: Writing, longest: int
) -> Generator[bytes]:
    """Return a text in blocks of whole lines, as clean UTF-8 with lines ended by LF or CR LF.

    UTF-8 and UTF-16 byte order marks are removed; bytes that are damaged, and zero bytes, get marks
    in their place.

    Args:
        blocks: the text as it lies on disk, cut anywhere.
        longest: bytes that a line may have.

    Raises:
        ExportError: damaged, or a line longer than `longest` bytes.
        NotUtf8Error: it was supposed to be UTF-8, and is not.
    """
    errors = "surrogateescape" if writing.is_damaged else "strict"
    decoder = codecs.getincrementaldecoder(writing.encoding)(errors)
    rest, line, begun = b"", 1, False
    for block in chain(blocks, (b"",)):
        text = rest + _step(file, decoder, block, writing)
        if not begun:
            text, begun = text.removeprefix(codecs.BOM_UTF8), True
        if writing.bare_cr:
            text = text.replace(b"\r", b"\n")
        text = text.replace(b"\0", ZERO_MARK.encode())
        cut = text.rfind(b"\n") + 1 if block else len(text)
        _check_lines(file, text, longest, line)
        if cut:
            yield text[:cut]
            line += text.count(b"\n", 0, cut)
        rest = text[cut:]


def _check_lines(file: str, text: bytes, longest: int, first_line: int) -> None:
    at = 0
    while at + longest < len(text):
        # Whatever line begins at `at`, one ends within the limit or this one is too long.
        end = text.rfind(b"\n", at, at + longest + 1)
        if end < 0:
            line = first_line + text.count(b"\n", 0, at)
            raise ExportError(
                f"{file}: line {line} is longer than {longest:,} bytes; check that this is an "
                "export, or raise take_in.largest_line in the site file."
            )
        at = end + 1


def _step(file: str, decoder: codecs.IncrementalDecoder, block: bytes, writing: Writing) -> bytes:
    """Return the next piece of text as UTF-8."""
    if writing.encoding == WINDOWS:
        return block.decode(WINDOWS, errors="replace").encode()
    if writing.encoding == UTF8 and block.isascii() and decoder.getstate()[0] == b"" and block:
        return block
    try:
        return _in_step(file, marked(decoder.decode(block, final=not block))).encode()
    except UnicodeError as error:
        if writing.encoding == UTF8:
            raise NotUtf8Error from error
        raise ExportError(_damaged(file, writing.encoding, error)) from error


def _in_step(file: str, text: str) -> str:
    """Return text, unless it is UTF-16 read out of step: a byte too many turns line ends around."""
    if _TURNED_LINE_END in text:
        raise ExportError(
            f"{file}: the UTF-16 text is damaged: bytes are missing or too many, so the rest of it "
            "cannot be read; copy or export the file again."
        )
    return text


def _damaged(file: str, encoding: str, error: UnicodeError) -> str:
    shown = "UTF-16" if encoding.startswith("utf-16") else encoding
    place = f" at byte {error.start}" if isinstance(error, UnicodeDecodeError) else ""
    return (
        f"{file}: the {shown} text is damaged{place}; export it again, or give "
        f"{edit('encoding', WINDOWS)} (or what it is written in) in the site file."
    )


def _unmarked_utf16(head: bytes) -> str:
    """Tell UTF-16 without a mark: of plain text, nearly every second byte is zero."""
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if odd > 0.4 * len(head) and even == 0:
        return "utf-16-le"
    if even > 0.4 * len(head) and odd == 0:
        return "utf-16-be"
    return ""
