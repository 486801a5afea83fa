"""The leak map: compartment by compartment, rows down and positions across, failed bags marked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rowcall.bags.clusters import Pattern
from rowcall.bags.lives import Bag, Seat
from rowcall.site import Baghouse
from rowcall_reports.figures import canvas
from rowcall_reports.figures.picture import Picture

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MAX_BLOCKS = 4  # chosen: compartments of a sheet that still fits a telephone's patience
# Chosen by eye: at the sides, a row, the widest bag, above and below each compartment.
_LEFT_IN, _RIGHT_IN, _ROW_IN, _BAG_IN, _HEAD_IN, _FOOT_IN = 0.5, 0.45, 0.17, 0.24, 0.28, 0.4
_MIN_DIGIT_IN = 0.1  # a bag narrower than that shows no digit
_MIN_LABEL_IN = 0.19  # bags narrower than that are numbered in steps of five
_MAX_DIGIT = 9
_WHITE: canvas.Color = (1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True)
class Block:
    """One compartment: how often bags failed at each of its seats, and which wait for a new one."""

    compartment: int
    seats: tuple[Seat, ...]
    failed: Counter[Seat]
    waiting: frozenset[Seat]


def blocks_of(bags: Sequence[Bag]) -> list[Block]:
    """Return the compartments in which most bags failed, in their order."""
    failed = Counter(bag.seat for bag in bags if bag.found)
    waiting = frozenset(bag.seat for bag in bags if bag.waits)
    total = Counter[int]()
    for seat, n in failed.items():
        total[seat[0]] += n
    shown = sorted(compartment for compartment, _ in total.most_common(_MAX_BLOCKS))
    return [
        Block(one, tuple({b.seat: 0 for b in bags if b.seat[0] == one}), failed, waiting)
        for one in shown
    ]


def draw_leak_map(
    house: Baghouse, day: str, bags: Sequence[Bag], patterns: Sequence[Pattern], said: str
) -> Picture | None:
    """Return the picture, None where no bag failed.

    Args:
        day: as file names have it.
        said: what stands out, in a sentence.
    """
    blocks = blocks_of(bags)
    if not blocks:
        return None
    longest = max(position for block in blocks for *_, position in block.seats)
    bag_in = min(_BAG_IN, (canvas.PAGE_IN - _LEFT_IN - _RIGHT_IN) / longest)
    n_rows = [max(row for _, row, _ in block.seats) for block in blocks]
    tall = sum(_HEAD_IN + n * _ROW_IN + _FOOT_IN for n in n_rows)
    figure = canvas.new_sheet(canvas.PAGE_IN, tall)
    bottom = tall + _FOOT_IN
    for block, n in zip(blocks, n_rows, strict=True):
        bottom -= _FOOT_IN + _HEAD_IN + n * _ROW_IN
        axes = canvas.place_axes(figure, _LEFT_IN, bottom, longest * bag_in, n * _ROW_IN)
        axes.set_xlim(0.5, longest + 0.5)
        axes.set_ylim(n + 0.5, 0.5)
        _draw_block(axes, house, block, bag_in)
        _outline(axes, block.compartment, patterns)
    return Picture(
        name=f"leaks-{house.id}-{day}.png",
        png=canvas.to_png(figure),
        alt=_alt(house.id, blocks, bags, said),
        caption=_caption(blocks, bags, patterns),
    )


def _draw_block(axes: Axes, house: Baghouse, block: Block, bag_in: float) -> None:
    own = block.seats
    n_failed = sum(block.failed[seat] for seat in own)
    canvas.write_title(axes, f"Compartment {block.compartment}: {n_failed} failed")
    sound = [seat for seat in own if not block.failed[seat]]
    axes.plot([s[2] for s in sound], [s[1] for s in sound], ".", color=canvas.PALE_INK, ms=1.5)
    for waits, ground, ink in ((True, canvas.INK, _WHITE), (False, canvas.GRID, canvas.INK)):
        seats = [s for s in own if block.failed[s] and (s in block.waiting) == waits]
        at = [s[2] for s in seats], [s[1] for s in seats]
        canvas.put_boxes(axes, *at, (0.9, 0.9), ground)
        for n in sorted({block.failed[seat] for seat in seats} if bag_in >= _MIN_DIGIT_IN else ()):
            digit = str(n) if n <= _MAX_DIGIT else "+"
            same = [seat for seat in seats if block.failed[seat] == n]
            canvas.put_letters(axes, digit, [s[2] for s in same], [s[1] for s in same], ink)
    _label(axes, house, block, bag_in)


def _label(axes: Axes, house: Baghouse, block: Block, bag_in: float) -> None:
    """Number rows and positions, with the letter of those that lie at one side as a whole."""
    positions = sorted({position for *_, position in block.seats})
    rows = sorted({row for _, row, _ in block.seats})
    step = 1 if bag_in >= _MIN_LABEL_IN else 5
    numbers = {p: str(p) if p == 1 or p % step == 0 else "" for p in positions}
    labels = {p: f"{n}\n{_letters(house, 'positions', p)}".rstrip() for p, n in numbers.items()}
    axes.set_xticks(positions, labels.values())
    axes.tick_params(length=0)
    axes.set_yticks(rows, [f"{row} {_letters(house, 'rows', row)}".strip() for row in rows])
    for row in rows:
        if n := sum(block.failed[seat] for seat in block.seats if seat[1] == row):
            canvas.write_beside(axes, row, str(n))


def _letters(house: Baghouse, kind: str, number: int) -> str:
    sides = {"i": f"inlet_{kind}", "w": f"wall_{kind}"}
    return "".join(letter for letter, key in sides.items() if number in getattr(house, key))


def _outline(axes: Axes, compartment: int, patterns: Sequence[Pattern]) -> None:
    """Put a dashed line around rows and positions that stand out."""
    for pattern in patterns:
        for place in pattern.places if pattern.stands_out else ():
            if pattern.factor == "position":
                span = axes.axvspan(place[0] - 0.5, place[0] + 0.5)
            elif pattern.factor == "row" and place[0] == compartment:
                span = axes.axhspan(place[1] - 0.5, place[1] + 0.5)
            else:
                continue
            span.set(fill=False, edgecolor=canvas.INK, linewidth=1.2, clip_on=False)
            span.set_linestyle(canvas.DASHES)


def _alt(baghouse: str, blocks: Sequence[Block], bags: Sequence[Bag], said: str) -> str:
    failed = sum(bag.found is not None for bag in bags)
    waiting = [bag.seat for bag in bags if bag.waits]
    shown = ", ".join(str(block.compartment) for block in blocks)
    places = "; ".join(f"compartment {c}, row {r}, position {p}" for c, r, p in waiting[:5])
    more = f" and {len(waiting) - 5} more" if len(waiting) > 5 else ""
    wait = f" Waiting for a new bag: {places}{more}." if waiting else ""
    return (
        f"Leak map of {baghouse}, rows down, positions across, compartment {shown}: "
        f"{failed} failed bags. {said}{wait}"
    )


def _caption(blocks: Sequence[Block], bags: Sequence[Bag], patterns: Sequence[Pattern]) -> str:
    parts = [
        "Dark: failed and still there; grey: failed and changed since; the digit says how often. "
        "At the right, failed bags of the row."
    ]
    if any(bag.zone for bag in bags):
        parts.append("i: at the inlet, w: at the wall, by the site file.")
    if any(p.stands_out and p.factor in ("row", "position") for p in patterns):
        parts.append("Dashed: more than chance.")
    if (hidden := len({b.seat[0] for b in bags if b.found}) - len(blocks)) > 0:
        parts.append(f"Not shown: {hidden} compartments with fewer failed bags.")
    return " ".join(parts)
