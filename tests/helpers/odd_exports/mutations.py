"""Ways to damage an export, each a function from a valid case to a damaged one.

Lines that a mutator leaves as they were stay rows with the samples they hold; those that it made
or touched are marked as changed and promise nothing, except that they must be accounted for.
"""

from __future__ import annotations

import gzip
from collections.abc import Callable
from dataclasses import replace
from random import Random

from helpers.odd_exports.drawn_exports import HOSTILE, text_case
from helpers.odd_exports.drawn_parquet import damaged_bytes, odd_types, parquet_case
from helpers.odd_exports.export_case import CHANGED, HEAD, ROW, Case, Piece
from helpers.odd_exports.gluing import concatenate, other_header, stray_bytes

_NUMBERS = ("9" * 400, "1e999", "-1e308", "1e-400", "0x1F", "1_000", "१२", "1,2,3", "--1", "∞")
_TIMES = (
    "9999-12-31T23:59:59Z",
    "0001-01-01 00:00:00",
    "2026-02-30 25:61:61",
    "31.12.9999 23:59:59",
    "12/31/2199 11:59:59 PM",
    "2000-01-01T00:00:00Z",
    "99999999999999999999",
    "-1",
    "1e300",
    "05/04/2026 00:00:00",
    "2026-03-29 02:30:00",
)
_TEXTS = (*HOSTILE, *_NUMBERS, *_TIMES, "1,5", "1.234,5", "1,234.5", "Bad", "", " ", '"')
_CONTROLS = ("\x00", "\x0b", "\x0c", "\x1a", "\x1c", "\x85", "\u2028", "\ufeff", "\ud800", "\r")
_LONG = 300_000  # chosen: longer than the head that take-in looks at

Mutator = Callable[[Random, Case], Case]


def _encoded(text: str, case: Case) -> bytes:
    """Encode also what no encoder would write: lone surrogates, and signs the encoding lacks."""
    try:
        return text.encode(case.encoding, "surrogatepass")
    except UnicodeEncodeError:
        return text.encode("utf-8", "surrogatepass")


def _edited(case: Case, place: int, edit: Callable[[str], str]) -> Case:
    """Return a case with one line rewritten."""
    piece = case.pieces[place]
    text = piece.raw.decode(case.encoding, "replace")
    body = text.rstrip("\r\n")
    return _changed(case, place, _encoded(edit(body) + text[len(body) :], case))


def _changed(case: Case, place: int, raw: bytes) -> Case:
    loose = case.loose or case.pieces[place].role == HEAD or case.by_order
    return replace(case.with_piece(place, Piece(raw)), loose=loose)


def _any(rng: Random, case: Case) -> int:
    """Choose a line, one of the data most often."""
    rows = [place for place, piece in enumerate(case.pieces) if piece.role == ROW]
    return rng.choice(rows) if rows and rng.random() < 0.9 else rng.randrange(len(case.pieces))


def _in_text(rng: Random, case: Case, text: str) -> Case:
    def edit(line: str) -> str:
        at = rng.randint(0, len(line))
        return line[:at] + text + line[at:]

    return _edited(case, _any(rng, case), edit)


def _cell(rng: Random, case: Case, text: str) -> Case:
    def edit(line: str) -> str:
        cells = line.split(case.delimiter)
        cells[rng.randrange(len(cells))] = text
        return case.delimiter.join(cells)

    return _edited(case, _any(rng, case), edit)


def truncate(rng: Random, case: Case) -> Case:
    """Cut the file off at any byte."""
    place = rng.randrange(len(case.pieces))
    raw = case.pieces[place].raw
    kept = replace(case, pieces=case.pieces[: place + 1])
    return _changed(kept, place, raw[: rng.randrange(len(raw) or 1)])


def cut_end(rng: Random, case: Case) -> Case:
    """Cut the file off within the last field of a row."""
    rows = [place for place, piece in enumerate(case.pieces) if piece.role == ROW and piece.samples]
    if not rows[8:]:
        return case
    place = rng.choice(rows[8:])
    body = case.pieces[place].raw.decode(case.encoding).rstrip("\r\n")
    first = body.rfind(case.delimiter) + 1
    if "e" in body[first:].lower():  # nothing shows that an exponent is missing
        return case
    cut = body[: rng.randint(first, max(first, len(body) - 1))]
    piece = replace(case.pieces[place], raw=_encoded(cut, case), role=CHANGED)
    return replace(case, pieces=(*case.pieces[:place], piece))


def comma_cut(rng: Random, case: Case) -> Case:
    """Add a field to a row, as a decimal comma does in a comma-separated file."""
    place = _any(rng, case)
    return _edited(case, place, lambda line: f"{line}{case.delimiter}{rng.randint(0, 99)}")


def flip_bytes(rng: Random, case: Case) -> Case:
    """Change up to three bytes."""
    for _ in range(rng.randint(1, 3)):
        place = _any(rng, case)
        raw = bytearray(case.pieces[place].raw or b"?")
        at = rng.randrange(len(raw))
        raw[at] = raw[at] ^ (1 << rng.randrange(8)) if rng.random() < 0.7 else rng.randrange(256)
        case = _changed(case, place, bytes(raw))
    return case


def duplicate(rng: Random, case: Case) -> Case:
    """Write a line twice."""
    place = _any(rng, case)
    twin = Piece(case.pieces[place].raw)
    return replace(
        case.with_piece(place, twin, twin), loose=case.pieces[place].role == HEAD or case.by_order
    )


def swap(rng: Random, case: Case) -> Case:
    """Let two lines of data change places."""
    rows = [place for place, piece in enumerate(case.pieces[:-1]) if piece.role == ROW]
    if len(rows) < 2:
        return case
    pieces, (one, other) = list(case.pieces), rng.sample(rows, 2)
    pieces[one], pieces[other] = pieces[other], pieces[one]
    return replace(case, pieces=tuple(pieces), loose=case.by_order)


def drop(rng: Random, case: Case) -> Case:
    """Leave some lines out."""
    for _ in range(rng.randint(1, 4)):
        place = _any(rng, case)
        if len(case.pieces) > 1:
            loose = case.loose or case.pieces[place].role == HEAD or case.by_order
            case = replace(case.with_piece(place), loose=loose)
    return case


def garbage(rng: Random, case: Case) -> Case:
    """Insert a line that is no row."""
    place = _any(rng, case)
    text = rng.choice((*_TEXTS, "-" * 80, "(3 rows)", case.delimiter * 40, rng.randbytes(40).hex()))
    made = Piece(_encoded(text + "\n", case))
    return replace(
        case.with_piece(place, made, case.pieces[place]),
        loose=case.loose or case.pieces[place].role == HEAD,
    )


def control(rng: Random, case: Case) -> Case:
    """Put a control character, a zero, a byte order mark or a lone surrogate into a line."""
    return _in_text(rng, case, rng.choice(_CONTROLS))


def long_field(rng: Random, case: Case) -> Case:
    """Write a very long field."""
    return _cell(rng, case, rng.choice("x9\"' ") * rng.choice((5_000, _LONG)))


def mixed_ends(rng: Random, case: Case) -> Case:
    """End some lines with LF, others with CR LF; rarely one with CR alone, which joins two."""
    pieces = []
    for piece in case.pieces:
        text = piece.raw.decode(case.encoding, "replace")
        body = text.rstrip("\r\n")
        end = rng.choice(("\n", "\r\n")) if len(body) < len(text) else ""
        whole = piece.role != CHANGED and body.encode(case.encoding, "replace") in piece.raw
        pieces.append(replace(piece, raw=_encoded(body + end, case)) if whole else piece)
    mixed = replace(case, pieces=tuple(pieces))
    place = _any(rng, mixed)
    if rng.random() < 0.7 or place == len(pieces) - 1:
        return mixed
    joined = pieces[place].raw.decode(case.encoding, "replace").rstrip("\r\n") + "\r"
    return _changed(
        _changed(mixed, place + 1, pieces[place + 1].raw), place, _encoded(joined, case)
    )


def decimal_sign(rng: Random, case: Case) -> Case:
    """Write one line with the other decimal sign."""
    return _edited(case, _any(rng, case), lambda line: line.translate(str.maketrans(".,", ",.")))


def column_count(rng: Random, case: Case) -> Case:
    """Give a line a column more or less."""
    if rng.random() < 0.5:
        return _in_text(rng, case, case.delimiter)
    return _edited(case, _any(rng, case), lambda line: line.rpartition(case.delimiter)[0])


def quote(rng: Random, case: Case) -> Case:
    """Put a quote where none belongs."""
    return _in_text(rng, case, rng.choice(('"', '"""', "'", '""')))


def hostile(rng: Random, case: Case) -> Case:
    """Put a text that some other program would act upon, or an odd value, into a field."""
    text = rng.choice(_TEXTS)
    return _cell(rng, case, text if rng.random() < 0.5 else '"' + text.replace('"', '""') + '"')


def wrap(rng: Random, case: Case) -> Case:
    """Pack once too often, damage the packing, or lie in the file's name."""
    raw = case.content()
    packed = gzip.compress(raw, mtime=0)
    cut = packed[: rng.randrange(len(packed))]
    hurt = bytearray(packed)
    hurt[rng.randrange(len(hurt))] ^= 1 << rng.randrange(8)
    made = rng.choice((packed, cut, bytes(hurt), packed + b"rest", packed + packed, raw + packed))
    name = rng.choice(("day.csv", "day.csv.gz", "day.parquet"))
    return Case(name, "", (Piece(made),), loose=True)


def noise(rng: Random, case: Case) -> Case:
    """No export at all: random bytes, or all of one kind."""
    size = rng.choice((0, 1, 3, 100, 5_000))
    made = rng.choice((rng.randbytes(size), bytes(size), b"\n" * size, b";" * size, b'"' * size))
    return Case(rng.choice((case.name, "day.parquet")), "", (Piece(made),), loose=True)


# fmt: off
TEXT_MUTATORS: tuple[Mutator, ...] = (
    truncate, flip_bytes, duplicate, swap, drop, garbage, control, long_field, mixed_ends,
    decimal_sign, column_count, quote, hostile, cut_end, comma_cut, concatenate, other_header,
    stray_bytes, wrap, noise,
)
# fmt: on
PARQUET_MUTATORS: tuple[Mutator, ...] = (odd_types, damaged_bytes, damaged_bytes)


def valid_case(rng: Random, is_parquet: bool | None = None) -> Case:
    """Return an export with nothing wrong with it."""
    if is_parquet is None:
        is_parquet = rng.random() < 0.2
    case = parquet_case(rng) if is_parquet else text_case(rng)
    return replace(case, in_blocks=rng.random() < 0.3)


def damaged_case(rng: Random, *mutators: Mutator) -> Case:
    """Return an export that some mutators have damaged; one or two of all where none is given."""
    case = valid_case(rng, mutators[0] in PARQUET_MUTATORS if mutators else None)
    if not mutators:
        choice = TEXT_MUTATORS if case.delimiter else PARQUET_MUTATORS
        mutators = tuple(rng.choice(choice) for _ in range(2 if rng.random() < 0.15 else 1))
    for mutator in mutators:
        if case.pieces and (case.delimiter or mutator in PARQUET_MUTATORS):
            case = mutator(rng, case)
    return replace(case, what="+".join(mutator.__name__ for mutator in mutators))
