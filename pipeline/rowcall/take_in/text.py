"""Bytes of an export file to clean UTF-8 text."""

from __future__ import annotations

import codecs
import gzip
import zlib
from pathlib import Path

from rowcall.errors import ExportError

_GZIP = b"\x1f\x8b"
_UTF16 = {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}


def utf8_text(path: Path, raw: bytes) -> bytes:
    """Return the content of a text export as UTF-8 with lines ended by LF or CR LF.

    gzip is unpacked; UTF-8 and UTF-16 byte order marks are removed; UTF-16 without a mark is
    told by its zero bytes; what is not valid UTF-8 is read as Latin-1 (Windows code page 1252).

    Raises:
        ExportError: empty, damaged gzip, or not text at all.
    """
    data = _unpacked(path, raw)
    if not data[:4096].strip() and not data.strip():
        raise ExportError(f"{path.name}: the file is empty; export it again.")
    text = _decoded(path, data)
    if b"\0" in text:
        raise ExportError(
            f"{path.name}: this is not text (a zero byte at byte {text.index(0)}); "
            "export it as CSV or Parquet."
        )
    if b"\n" not in text and b"\r" in text:
        return text.replace(b"\r", b"\n")
    return text


def _unpacked(path: Path, raw: bytes) -> bytes:
    if not raw.startswith(_GZIP):
        return raw
    try:
        return gzip.decompress(raw)
    except (OSError, EOFError, zlib.error) as error:
        raise ExportError(
            f"{path.name}: the gzip data is damaged or cut off ({error}); copy the file again."
        ) from error


def _decoded(path: Path, data: bytes) -> bytes:
    encoding = _UTF16.get(data[:2]) or _unmarked_utf16(data[:400])
    if encoding:
        try:
            return data.decode(encoding).removeprefix("\ufeff").encode()
        except UnicodeDecodeError as error:
            raise ExportError(
                f"{path.name}: the UTF-16 text is damaged at byte {error.start}; export it again."
            ) from error
    if data.startswith(codecs.BOM_UTF8):
        data = data[len(codecs.BOM_UTF8) :]
    if data.isascii():
        return data
    try:
        data.decode()
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace").encode()
    return data


def _unmarked_utf16(head: bytes) -> str:
    """Tell UTF-16 without a mark: of plain text, nearly every second byte is zero."""
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if odd > 0.4 * len(head) and even == 0:
        return "utf-16-le"
    if even > 0.4 * len(head) and odd == 0:
        return "utf-16-be"
    return ""
