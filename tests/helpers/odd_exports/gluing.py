"""Damage by the piece: exports put together in one file, and bytes that are no text."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from helpers.odd_exports.drawn_exports import text_case
from helpers.odd_exports.export_case import HEAD, ROW, Case, Piece


def concatenate(rng: Random, case: Case) -> Case:
    """Append another export, or this one again."""
    other = case if rng.random() < 0.3 else text_case(rng)
    tail = tuple(Piece(piece.raw) for piece in other.pieces)
    if other is case:
        return replace(case, pieces=(*(Piece(p.raw) for p in case.pieces), *tail), loose=True)
    return replace(case, pieces=(*case.pieces, *tail), loose=case.by_order)


def other_header(rng: Random, case: Case) -> Case:
    """Append rows of the same tags and instants in other columns, under a header that says so."""
    heads = [piece for piece in case.pieces if piece.role == HEAD]
    rows = [piece for piece in case.pieces if piece.role == ROW and piece.samples]
    named = [piece for piece in heads if _cells(piece, case)[0].strip('"') == "Time"]
    begin, *others = _cells(named[0], case) if named else [""]
    if len(rows) < 2 or len(others) < 2 or any(name.count('"') % 2 for name in others):
        return case
    if rng.random() < 0.5:
        others.reverse()
    else:
        others[0] = others[0].replace(others[0].strip('"'), "another tag")
    lines = [case.delimiter.join([begin, *others])]
    lines += [piece.raw.decode(case.encoding, "replace").strip("\r\n") for piece in rows]
    made = [Piece((line + "\n").encode(case.encoding)) for line in lines]
    last = case.pieces[-1].raw.decode(case.encoding, "replace")  # another change may have cut it
    ended = [] if last.endswith("\n") else [Piece("\n".encode(case.encoding))]
    return replace(case, pieces=(*case.pieces, *ended, *made), loose=case.by_order)


def stray_bytes(rng: Random, case: Case) -> Case:
    """Put bytes that are no UTF-8 into some rows."""
    places = [place for place, piece in enumerate(case.pieces) if piece.role == ROW]
    for place in rng.sample(places, min(len(places), rng.randint(1, 3))):
        raw = case.pieces[place].raw
        at = rng.randint(0, max(0, len(raw) - 2))
        junk = rng.choice((b"\xff", b"\xc3", b"\xe4\xf6", b"\xed\xa0\x80", b"\xf5\x80"))
        case = case.with_piece(place, Piece(raw[:at] + junk + raw[at:]))
    return replace(case, loose=case.loose or case.by_order)


def _cells(piece: Piece, case: Case) -> list[str]:
    """Cut a line at its delimiters, those within quotes too."""
    return (
        piece.raw.decode(case.encoding, "replace")
        .lstrip("\ufeff")
        .strip("\r\n")
        .split(case.delimiter)
    )
