"""Bytes of a text export to clean UTF-8 text: at once, or block by block."""

from __future__ import annotations

import codecs
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.take_in.cells.overrides import edit
from rowcall.take_in.files.unpack import Readable, Unpacked
from rowcall.take_in.sniff.damaged_bytes import is_damaged_utf8, marked

_UTF16 = {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}
_ZIP = b"PK\x03\x04"
_HEAD_BYTES = 4_096
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


def utf8_text(path: Path, raw: bytes, pins: TakeIn | None = None) -> bytes:
    """Return the content of a text export as UTF-8 with lines ended by LF or CR LF.

    gzip and Zstandard are unpacked; UTF-8 and UTF-16 byte order marks are removed; UTF-16 without
    a mark is told by its zero bytes. What is not valid UTF-8 is UTF-8 with some bytes damaged,
    which get a mark in their place, or else Windows code page 1252, unless the site file names it.

    Raises:
        ExportError: empty, damaged or too large when unpacked, or not text at all.
    """
    pins = pins or TakeIn()
    with Unpacked(path.name, io.BytesIO(raw), len(raw), pins.largest_unpacked) as stream:
        data = stream.read(pins.largest_unpacked + 1)
    return whole_text(path.name, data, pins)


def whole_text(file: str, data: bytes, pins: TakeIn) -> bytes:
    """Return unpacked content as `utf8_text` does.

    Raises:
        ExportError: empty, not text at all, or with a line longer than any export's.
    """
    if not data[:_HEAD_BYTES].strip() and not data.strip():
        raise ExportError(f"{file}: the file is empty; export it again.")
    if data.startswith(_ZIP):
        raise ExportError(f"{file}: this is a zip archive; name it .zip, or unpack it first.")
    text = _decoded(file, data, writing_of_whole(file, data, pins.encoding))
    _check_no_zero(file, text, 1)
    if b"\n" not in text and b"\r" in text:
        text = text.replace(b"\r", b"\n")
    check_lines(file, text, pins.largest_line, 1)
    return text


def writing_of(head: bytes, encoding: str | None) -> Writing:
    """Tell the encoding from the first bytes, unless it is given."""
    marked = _UTF16.get(head[:2])
    if encoding is not None and encoding != "utf-16":
        return Writing(encoding, is_open=False)
    if marked or encoding == "utf-16":
        return Writing(marked or _unmarked_utf16(head[:400]) or "utf-16-le", is_open=False)
    unmarked = _unmarked_utf16(head[:400])
    return Writing(unmarked or UTF8, is_open=not unmarked)


def writing_of_whole(file: str, data: bytes, encoding: str | None) -> Writing:
    """Tell the encoding from the whole text, unless it is given.

    Raises:
        ExportError: it is UTF-8 neither plainly nor plainly not.
    """
    writing = writing_of(data[:_HEAD_BYTES], encoding)
    if writing.encoding != UTF8 or data.isascii():
        return writing
    try:
        data.decode(UTF8)
    except UnicodeDecodeError:
        return other_writing(file, [data], writing)
    return writing


def other_writing(file: str, blocks: Iterable[bytes], supposed: Writing) -> Writing:
    """Tell how text is written that turned out not to be valid UTF-8; raises `ExportError`."""
    if is_damaged_utf8(file, blocks, is_pinned=not supposed.is_open):
        return replace(supposed, is_damaged=True)
    return Writing(WINDOWS, is_open=False, bare_cr=supposed.bare_cr)


class NotUtf8Error(Exception):
    """A text supposed to be UTF-8 turned out not to be, or not throughout."""


def stream_writing(stream: Readable, encoding: str | None, longest: int) -> Writing:
    """Tell from the beginning of a stream how its text is written down."""
    data = bytearray()
    while len(data) <= longest and (block := stream.read(longest + 1 - len(data))):
        data += block
    writing = writing_of(bytes(data[:_HEAD_BYTES]), encoding)
    begin = data.decode(writing.encoding, errors="ignore")
    return replace(writing, bare_cr="\r" in begin and "\n" not in begin)


def line_blocks(
    file: str, stream: Readable, writing: Writing, block_bytes: int, longest: int
) -> Iterator[bytes]:
    """Return the text of a stream in blocks of whole lines, as clean UTF-8.

    Raises:
        ExportError: not text, or a line longer than `longest` bytes.
        NotUtf8Error: it was supposed to be UTF-8, and is not.
    """
    errors = "surrogateescape" if writing.is_damaged else "strict"
    decoder = codecs.getincrementaldecoder(writing.encoding)(errors)
    rest, line, begun = b"", 1, False
    while True:
        block = stream.read(block_bytes)
        text = rest + _step(file, decoder, block, writing)
        if not begun:
            text, begun = text.removeprefix(codecs.BOM_UTF8), True
        if writing.bare_cr:
            text = text.replace(b"\r", b"\n")
        _check_no_zero(file, text, line)
        cut = text.rfind(b"\n") + 1 if block else len(text)
        check_lines(file, text, longest, line)
        if cut:
            yield text[:cut]
            line += text.count(b"\n", 0, cut)
        rest = text[cut:]
        if not block:
            return


def check_lines(file: str, text: bytes, longest: int, first_line: int) -> None:
    """Refuse text with a line of more than `longest` bytes.

    Raises:
        ExportError: it has one.
    """
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


def _decoded(file: str, data: bytes, writing: Writing) -> bytes:
    if writing.encoding == UTF8:
        data = data.removeprefix(codecs.BOM_UTF8)
        return marked(data.decode(UTF8, "surrogateescape")).encode() if writing.is_damaged else data
    if writing.encoding == WINDOWS:
        return data.decode(WINDOWS, errors="replace").encode()
    try:
        text = data.decode(writing.encoding)
    except UnicodeError as error:
        raise ExportError(_damaged(file, writing.encoding, error)) from error
    return _in_step(file, text).removeprefix("\ufeff").encode()


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


def _check_no_zero(file: str, text: bytes, line: int) -> None:
    at = text.find(b"\0")
    if at >= 0:
        line += text.count(b"\n", 0, at)
        raise ExportError(
            f"{file}: this is not text (a zero byte in line {line}); export it as CSV or Parquet."
        )


def _unmarked_utf16(head: bytes) -> str:
    """Tell UTF-16 without a mark: of plain text, nearly every second byte is zero."""
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if odd > 0.4 * len(head) and even == 0:
        return "utf-16-le"
    if even > 0.4 * len(head) and odd == 0:
        return "utf-16-be"
    return ""
