"""A column of qualities, as words or as numbers of the two OPC numberings, to three codes.

Sources: OPC UA Part 4 (Services), 7.39 "StatusCode": the top two bits of the 32-bit code are the
severity, 00 good, 01 uncertain, 10 bad. In the older OPC Data Access numbering bits 6 and 7 of
the low byte are 11 good (192), 01 uncertain (64), 00 bad (0).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.store.samples import BAD, GOOD, UNCERTAIN

UNKNOWN = 255  # no code: the cell is no known quality

_WORDS = {
    GOOD: ("good", "ok", "valid", "normal", "g"),
    UNCERTAIN: ("uncertain", "questionable", "doubtful", "suspect", "u"),
    BAD: ("bad", "invalid", "error", "fail", "failed", "b"),
}
_BY_WORD = {word: code for code, words in _WORDS.items() for word in words}
_UA_SEVERITY = {0b00: GOOD, 0b01: UNCERTAIN, 0b10: BAD}
_DA_QUALITY = {0b11: GOOD, 0b01: UNCERTAIN, 0b00: BAD}


def quality_codes(cells: pl.Series) -> npt.NDArray[np.uint8]:
    """Return 0 good, 1 uncertain, 2 bad, or `UNKNOWN`, a cell; an empty cell is good.

    Which numbering a file uses is decided from all its numbers: the 32-bit one where a number
    needs more than 16 bits, or where all are 0 (every point good; in the older numbering every
    single point of the file would be bad); else the older one.
    """
    text = cells.cast(pl.String).fill_null("")
    if len(text) and (text == text[0]).all():  # the usual export, and a tenth of the work
        return np.full(len(text), _codes_of([text[0]])[0], np.uint8)
    coded = text.cast(pl.Categorical)
    places = coded.to_physical().to_numpy()
    table = np.full(int(places.max(initial=0)) + 1, UNKNOWN, np.uint8)
    different = coded.unique()
    table[different.to_physical().to_numpy()] = _codes_of(different.cast(pl.String).to_list())
    codes_of_rows: npt.NDArray[np.uint8] = table[places]
    return codes_of_rows


def _codes_of(different: Sequence[str]) -> list[int]:
    """Return the code of each of all the different texts of a file."""
    words = [word.strip() for word in different]
    numbers = {word: number for word in words if (number := _number(word)) is not None}
    is_ua = _is_ua(numbers.values())
    return [_code(word, numbers.get(word), is_ua) for word in words]


def _code(word: str, number: int | None, is_ua: bool) -> int:
    if not word:
        return GOOD
    if number is not None and is_ua:
        return _UA_SEVERITY.get((number & 0xFFFF_FFFF) >> 30, UNKNOWN)
    if number is not None:
        return _DA_QUALITY.get((number & 0xFF) >> 6, UNKNOWN)
    first = "".join(sign if sign.isalpha() else " " for sign in word.lower()).split()
    return _BY_WORD.get(first[0], UNKNOWN) if first else UNKNOWN


def _number(word: str) -> int | None:
    try:
        return int(word, 16) if word.lower().startswith("0x") else int(float(word))
    except (ValueError, OverflowError):
        return None


def _is_ua(numbers: Iterable[int]) -> bool:
    found = set(numbers)
    return found == {0} or any(number < 0 or number > 0xFFFF for number in found)
