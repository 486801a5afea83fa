"""A column of qualities, as words or as numbers of the two OPC numberings, to three codes.

Sources: OPC UA Part 4 (Services), 7.39 "StatusCode": the top two bits of the 32-bit code are the
severity, 00 good, 01 uncertain, 10 bad. In the older OPC Data Access numbering bits 6 and 7 of
the low byte are 11 good (192), 01 uncertain (64), 00 bad (0); bits 2 to 5 say more (OPC DA 3.00,
6.8 "OPC Quality Flags"), and 0 and 1 of a limit. Sub-codes of OPC UA are the upper
16 bits, so a code without flags is a multiple of 65 536.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import polars as pl

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.store.samples import BAD, GOOD, UNCERTAIN
from rowcall.take_in.cells.overrides import edit, listed, shown

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

UNKNOWN = 255  # no code: the cell is no known quality
Numbering = Literal["words", "opc_ua", "older_numbers"]

WORDS = {
    GOOD: ("good", "ok", "valid", "normal", "g"),
    UNCERTAIN: ("uncertain", "questionable", "doubtful", "suspect", "u"),
    BAD: ("bad", "invalid", "error", "fail", "failed", "b"),
}
_BY_WORD = {word: code for code, words in WORDS.items() for word in words}
_UA_SEVERITY = {0b00: GOOD, 0b01: UNCERTAIN, 0b10: BAD}
_MAX_CUT_DIGITS = 3  # decimals that an export writes; chosen
_DA_DEFINED = frozenset((*range(0, 33, 4), 64, 68, 80, 84, 88, 192, 216))  # without the limit
_DA_QUALITY = {0b11: GOOD, 0b01: UNCERTAIN, 0b00: BAD}


@dataclass(frozen=True, slots=True)
class Coding:
    """How a file writes qualities, as far as the site file says or the file was looked at.

    Attributes:
        numbering: the only way that is read; None where words and numbers may stand side by side.
        words: further texts (lower case) and their codes, which go before everything else.
        is_ua: numbers are OPC UA's, else of the older numbering.
    """

    numbering: Numbering | None = None
    words: Mapping[str, int] = field(default_factory=dict)
    is_ua: bool = False

    @classmethod
    def given(cls, overrides: TakeIn) -> Coding:
        """Return what the site file says."""
        by_code = (
            (GOOD, overrides.quality_good),
            (UNCERTAIN, overrides.quality_uncertain),
            (BAD, overrides.quality_bad),
        )
        words = {word.strip().lower(): code for code, listed in by_code for word in listed}
        return cls(overrides.quality, words, overrides.quality == "opc_ua")


def quality_codes(cells: pl.Series, coding: Coding) -> npt.NDArray[np.uint8]:
    """Return 0 good, 1 uncertain, 2 bad, or `UNKNOWN`, a cell; an empty cell is good."""
    import numpy as np

    coded = cells
    if cells.dtype != pl.Categorical:
        text = cells.cast(pl.String).fill_null("")
        if len(text) and (text == text[0]).all():  # the usual export, and a tenth of the work
            return np.full(len(text), _code(text[0].strip(), coding), np.uint8)
        coded = text.cast(pl.Categorical)
    places = coded.to_physical().to_numpy()
    table = np.full(int(places.max(initial=0)) + 1, UNKNOWN, np.uint8)
    different = coded.unique()
    words = [text.strip() for text in different.to_list()]
    table[different.to_physical().to_numpy()] = [_code(word, coding) for word in words]
    codes_of_rows: npt.NDArray[np.uint8] = table[places]
    return codes_of_rows


def numbering_of(different: Iterable[str], coding: Coding) -> Numbering | None:
    """Return how texts without a meaning of their own write qualities, None where open or mixed."""
    if coding.numbering is not None:
        return coding.numbering
    words = [word.strip() for word in different if word.strip()]
    numbers = {number for word in words if (number := _number(word)) is not None}
    if not numbers:
        return "words"
    if any(_number(word) is None for word in words):
        return None
    return "older_numbers" if _is_rest(numbers, coding) else _numbering_shown_by(numbers)


def is_told(cells: Iterable[str]) -> bool:
    """True where all filled cells are words for qualities, and one of them is a good one."""
    words = {cell.strip() for cell in cells} - {""}
    codes = {UNKNOWN if _number(word) is not None else _by_word(word) for word in words}
    return GOOD in codes and UNKNOWN not in codes


def settled(coding: Coding, different: Iterable[str], place: str) -> Coding:
    """Return a coding that knows which numbering all the different texts of a file are of.

    Unless `coding` says it, that is the older one where none is above 255 and one is 64 or more;
    OPC UA's where one can but be such a code, or where all are 0 (every point good; in the older
    numbering every single point of the file would be bad).

    Raises:
        ExportError: the numbers leave it open; `place` names the file.
    """
    if coding.numbering is not None:
        return coding
    numbers = {
        word: number
        for text in different
        if (word := text.strip()).lower() not in coding.words
        and (number := _number(word)) is not None
    }
    is_rest = _is_rest(set(numbers.values()), coding)
    return replace(coding, is_ua=not is_rest and _is_ua(numbers, place))


def has_odd_number(different: Iterable[str], words: Collection[str]) -> bool:
    """True where a text is a number up to 999 that no numbering defines, or begins with a 0."""
    return any(
        word.isdecimal()
        and len(word) <= _MAX_CUT_DIGITS
        and word not in words
        and (int(word) & ~0b11 not in _DA_DEFINED or (word[0] == "0" and word != "0"))
        for word in map(str.strip, different)
    )


def check_quality(file: str, name: str, cells: Iterable[str], coding: Coding) -> None:
    """Refuse a file none of whose first qualities can be read.

    Raises:
        ExportError: says how the site file would settle it.
    """
    different = list(dict.fromkeys(cell.strip() for cell in cells if cell.strip()))
    place = f"{file}, column {shown(name)}"
    # What these leave open, the rest of the file may settle: either numbering will do here.
    known = [
        code
        for is_ua in (True, False)
        for word in different
        if (code := _code(word, replace(coding, is_ua=is_ua))) != UNKNOWN
    ]
    if known or not different:
        return
    found = numbering_of(different, Coding())
    if coding.numbering is not None and found not in (None, coding.numbering):
        raise ExportError(
            f"{place}: {edit('quality', coding.numbering)} in the site file, but the column holds "
            f"{listed(different)}; set {edit('quality', found or '')}."
        )
    raise ExportError(
        f"{place}: the qualities {listed(different)} are not known as good, uncertain or bad; "
        f"say what they mean, such as {edit('quality_good', different[:1])} (also quality_bad, "
        "quality_uncertain) in the site file."
    )


def _code(word: str, coding: Coding) -> int:
    if not word or word.lower() in coding.words:
        return coding.words.get(word.lower(), GOOD)
    number = _number(word)
    if (number is None) != (coding.numbering == "words") and coding.numbering is not None:
        return UNKNOWN
    if number is not None and coding.is_ua:
        is_inside = -(2**31) <= number < 2**32
        return _UA_SEVERITY.get((number & 0xFFFF_FFFF) >> 30, UNKNOWN) if is_inside else UNKNOWN
    if number is not None:
        return _DA_QUALITY.get((number & 0xFF) >> 6, UNKNOWN) if 0 <= number < 2**16 else UNKNOWN
    return _by_word(word)


def _by_word(text: str) -> int:
    first = "".join(sign if sign.isalpha() else " " for sign in text.lower()).split()
    return _BY_WORD.get(first[0], UNKNOWN) if first else UNKNOWN


def _number(word: str) -> int | None:
    try:
        if word.lower().startswith("0x"):
            return int(word, 16)
        return int(float(word)) if float(word).is_integer() else None
    except (ValueError, OverflowError):
        return None


def _is_rest(found: Collection[int], coding: Coding) -> bool:
    """True for zeros beside texts that have a meaning: then not all are 0, so not all good."""
    return bool(coding.words) and set(found) == {0}


def _numbering_shown_by(found: Collection[int]) -> Numbering | None:
    """Return the numbering that all the different numbers of a file tell, None where open."""
    if set(found) == {0}:
        return "opc_ua"
    is_older = any(64 <= number <= 255 for number in found)
    is_ua = any(
        number < 0 or number >= 2**30 or (number >= 2**16 and number % 2**16 == 0)
        for number in found
    )
    if is_ua != is_older and (is_ua or max(found) <= 255):
        return "opc_ua" if is_ua else "older_numbers"
    return None


def _is_ua(numbers: Mapping[str, int], place: str) -> bool:
    """True where the numbers of a file are OPC UA's.

    0 and 1 are asked for by their own question: as good and bad they mean the opposite from one
    system to the next. Of other numbers 0 is good in the one numbering and bad in the other.
    """
    found = set(numbers.values())
    numbering = _numbering_shown_by(found)
    if numbering is not None or not found:
        return numbering == "opc_ua"
    if 1 in found and found <= {0, 1}:
        one = next(word for word, number in numbers.items() if number == 1)
        raise ExportError(
            f"{place}: the quality numbers {listed(sorted(numbers))} are of no known numbering; "
            f"if 1 is good, give {edit('quality_good', [one])} in the site file; if 0 is good, "
            f"{edit('quality_good', ['0'])}."
        )
    raise ExportError(
        f"{place}: the quality numbers {listed(sorted(numbers, key=numbers.__getitem__))} leave "
        f"open how they are meant; give {edit('quality', 'older_numbers')} (192 is good, 0 is bad) "
        'or "opc_ua" (0 is good) in the site file.'
    )
