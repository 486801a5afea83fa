"""One baghouse: its build, its settings and its tags."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from datetime import date
from statistics import median
from typing import Annotated, Literal, NamedTuple, Self

from pydantic import BeforeValidator, Field, PositiveInt, model_validator

from rowcall import trade
from rowcall.media import SOURCE, Fibre, limits_c
from rowcall.site.roles import ROLES, Role, Serves
from rowcall.site.tag import Tag
from rowcall.site.toml_table import (
    Area,
    Flow,
    KeyPath,
    MolarEnergy,
    Name,
    Pressure,
    Ratio,
    Seconds,
    Table,
    TableError,
    Temperature,
    Volume,
    Written,
    between,
)
from rowcall.units import Dimension, parse_quantity

# Chosen wide on purpose: outside lies no baghouse, but a slip of the unit or of a digit.
Dp = Annotated[Pressure, between("50 Pa", "10 kPa")]
GasFlow = Annotated[Flow, between("10 m3/h", "10000000 m3/h")]
GasLimit = Annotated[Temperature, between("0 Cel", "1200 Cel")]


def _listed(value: object) -> object:
    return value if isinstance(value, (list, tuple)) else [value]


def _by_compartment(value: object) -> object:
    """Return numbers a row as one list a compartment, or one for all."""
    listed = list(value) if isinstance(value, (list, tuple)) else [value]
    is_nested = any(isinstance(part, (list, tuple)) for part in listed)
    return [_listed(part) for part in listed] if is_nested else [listed]


class DustLevel(NamedTuple):
    """A level of dust: a concentration [kg/m3], or a share of the monitor's range [1]."""

    value: float
    dimension: Dimension


def _dust(text: object) -> DustLevel:
    is_share = isinstance(text, str) and text.strip().endswith("%")
    dimension = Dimension.RATIO if is_share else Dimension.DUST
    if (value := parse_quantity(text, dimension)) <= 0.0:
        raise ValueError(f"{text!r} must be greater than 0")
    return DustLevel(value, dimension)


def _span(text: object) -> str:
    """Check two times of day."""
    if not isinstance(text, str) or not _CLOCK_SPAN.fullmatch(text):
        raise ValueError(f'{text!r} is no span of the day; allowed is text such as "02:30-02:40"')
    return text


_CLOCK_SPAN = re.compile(r"([01]\d|2[0-3]):[0-5]\d-([01]\d|2[0-3]):[0-5]\d")
WrittenDust = Annotated[DustLevel, Written("quantity, in mg/m3 or %"), BeforeValidator(_dust)]
ClockSpan = Annotated[str, Written("two times of day"), BeforeValidator(_span)]

MAX_BAGS = 200  # in a row; chosen: several times the longest
Bags = Annotated[int, Field(ge=1, le=MAX_BAGS)]


class Cleaning(Table):
    """Cleaning control: on demand between two DP set points, or on time."""

    mode: Literal["on_demand", "on_time"]
    """On demand between two DP set points, or on time."""
    start_dp: Dp = trade.START_DP.value
    """DP at which cleaning on demand starts."""
    stop_dp: Dp = trade.STOP_DP.value
    """DP at which it stops; below `start_dp`."""
    interval: Annotated[Seconds, between("0.2 s", "24 h")] = trade.ROW_INTERVAL.value
    """Time between two rows."""

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.mode == "on_demand" and self.stop_dp >= self.start_dp:
            raise ValueError("stop_dp must be below start_dp")
        return self


class Baghouse(Table):
    """One baghouse: its build, its settings and its tags."""

    id: Annotated[
        str,
        Written("letters, digits, `-`, `_`"),
        Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$"),
    ]
    """Short name, in reports, findings and the work log."""
    name: Name
    """As reports print it."""
    compartments: Annotated[int, Field(ge=1, le=99)]
    """How many there are."""
    rows_per_compartment: Annotated[
        tuple[int, ...],
        Written("whole number, or a list of one a compartment"),
        BeforeValidator(_listed),
    ]
    """How many rows each compartment has."""
    bags_per_row: Annotated[
        tuple[tuple[Bags, ...], ...] | None,
        Written("whole number, a list of one a row, or such a list a compartment"),
        BeforeValidator(_by_compartment),
    ] = None
    """How many bags each row has; a row of fewer bags drops less by design."""
    cloth_area: Annotated[Area, between("0.1 m2", "200000 m2")] | None = None
    """Of all bags together."""
    media: Fibre | None = None
    """Fibre of the bags; gives the temperature limits below."""
    continuous_limit: GasLimit | None = None
    """Highest inlet temperature that the bags bear for long; from the maker's data sheet."""
    surge_limit: GasLimit | None = None
    """Highest inlet temperature that they bear for minutes."""
    activation_energy: Annotated[MolarEnergy, between("20 kJ/mol", "400 kJ/mol")] | None = None
    """Of the ageing of the fibre: an assumption, with which reports weigh hours by temperature."""
    header_volume: Annotated[Volume, between("0.5 L", "100 m3")] | None = None
    """Of one header; lets reports give free air."""
    pulse_time: Annotated[Seconds, between("5 ms", "5 s")] = trade.PULSE_TIME.value
    """How long a valve is energised."""
    pulse_pressure: Annotated[Pressure, between("0.1 bar", "16 bar")] | None = None
    """Header pressure before a pulse, as it is meant to be (gauge)."""
    firing_order: tuple[int, ...] | None = None
    """The rows of a compartment in the order in which they are pulsed."""
    design_flow: GasFlow | None = None
    """Gas flow that the baghouse was built for."""
    running_flow: GasFlow | None = None
    """Above this flow gas counts as moving; left out: it is found from the day."""
    running_temperature: Annotated[Temperature, between("-40 Cel", "600 Cel")] | None = None
    """Inlet temperature at which a start is over; left out: it is over after a fixed time."""
    gas_moisture: Annotated[Ratio, Field(le=0.9)] | None = None
    """Share of water vapour in the gas, by volume; gives the water dew point."""
    gas_so3: Annotated[Ratio, Field(le=0.1)] | None = None
    """Share of SO3 in the gas, by volume."""
    dust_delay: Annotated[Seconds, between("0.5 s", "120 s")] | None = None
    """From a pulse to its puff at the dust monitor; left out: it is found where pulses allow."""
    opacity_limit: Annotated[Ratio, Field(gt=0, le=1)] | None = None
    """Highest six-minute average of opacity, such as `20 %`."""
    dust_alarm: WrittenDust | None = None
    """Alarm level of the dust signal, such as `12 mg/m3`, or `8 %` where its tag is in percent."""
    monitor_checks: tuple[ClockSpan, ...] = ()
    """Wall-clock times of the dust monitor's zero and span checks, such as `02:30-02:40`; left
    out: they are found by their shape."""
    so3_per_so2: Annotated[Ratio, Field(gt=0, le=1)] | None = None
    """Share of SO2 that is SO3 by then: an assumption, with which an SO2 tag gives the acid dew
    point."""
    residual_dp_limit: Dp | None = None
    """Where residual DP must not go; lets the report project a date."""
    inlet_rows: tuple[PositiveInt, ...] = ()
    """Rows of each compartment at the gas inlet; the leak map holds failed bags against them."""
    inlet_positions: tuple[PositiveInt, ...] = ()
    """Positions of each row at the gas inlet."""
    wall_rows: tuple[PositiveInt, ...] = ()
    """Rows of each compartment along a wall; the leak map holds failed bags against them."""
    wall_positions: tuple[PositiveInt, ...] = ()
    """Positions of each row along a wall."""
    cleaning: Cleaning
    tag: tuple[Tag, ...] = ()

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        listed = self.rows_per_compartment
        if len(listed) not in (1, self.compartments) or min(listed) < 1:
            raise ValueError(
                f"rows_per_compartment {list(listed)} must hold one number for all, or one a "
                f"compartment ({self.compartments} numbers), each 1 or more"
            )
        if found := list(self._problems()):
            raise TableError(found)
        return self

    def _problems(self) -> Iterator[tuple[KeyPath, str]]:
        if self.bags_per_row is not None and (text := self._wrong_bags(self.bags_per_row)):
            yield ("bags_per_row",), text
        order = self.firing_order
        if order is not None and sorted(order) != list(range(1, max(self.rows) + 1)):
            text = f"firing_order {list(order)} must hold each row from 1 to {max(self.rows)} once"
            yield ("firing_order",), text
        longest = MAX_BAGS if self.bags_per_row is None else max(map(max, self.bags_per_row))
        for kind, last in (("rows", max(self.rows)), ("positions", longest)):
            for key in (f"inlet_{kind}", f"wall_{kind}"):
                if over := [n for n in getattr(self, key) if n > last]:
                    yield (key,), f"{key} names {kind[:-1]} {over[0]}; allowed are 1 to {last}"
        if self.dust_alarm is not None:
            yield from ((("dust_alarm",), text) for text in self._wrong_alarm(self.dust_alarm))
        yield from self._wrong_tags()

    def _wrong_tags(self) -> Iterator[tuple[KeyPath, str]]:
        for index, tag in enumerate(self.tag):
            for text in self._wrong_place(tag):
                yield ("tag", index), f"tag {tag.tag!r}: {text}"
            before = [other for other in self.tag[:index] if other.shares_days_with(tag)]
            if any(other.place == tag.place for other in before):
                yield (
                    ("tag", index),
                    f"tag {tag.tag!r}: another tag already has role {tag.role.value} at this "
                    "compartment and row; give each tag its own place, or days of its own with "
                    "valid_from and valid_to",
                )
            elif same := [other for other in before if other.tag == tag.tag]:
                yield (
                    ("tag", index),
                    f"tag {tag.tag!r}: it already has role {same[0].role.value} at "
                    f"{same[0].where}; one tag records one thing, so one of the two is wrong",
                )

    def _wrong_bags(self, lists: tuple[tuple[int, ...], ...]) -> str:
        if len(lists) not in (1, self.compartments):
            return f"bags_per_row has {len(lists)} lists for {self.compartments} compartments"
        for compartment, n_rows in enumerate(self.rows, start=1):
            n_listed = len(lists[min(compartment, len(lists)) - 1])
            if n_listed not in (1, n_rows):
                return (
                    f"bags_per_row holds {n_listed} numbers for the {n_rows} rows of compartment "
                    f"{compartment}; write one number for all rows, one a row, or a list of these "
                    "for each compartment"
                )
        return ""

    def _wrong_alarm(self, level: DustLevel) -> Iterator[str]:
        for tag in self.tag:
            if tag.role is Role.DUST_SIGNAL and tag.outside_unit.dimension is not level.dimension:
                yield (
                    f"dust_alarm cannot be compared with tag {tag.tag!r}, which is recorded in "
                    f"{tag.unit}; write the level in that unit"
                )

    def _wrong_place(self, tag: Tag) -> Iterator[str]:
        if tag.compartment is not None and tag.compartment > self.compartments:
            yield (
                f"compartment {tag.compartment} does not exist; allowed are 1 to "
                f"{self.compartments}"
            )
            return
        if tag.row is not None and tag.row > max(self.rows):
            yield f"row {tag.row} does not exist; allowed are 1 to {max(self.rows)}"
        if tag.row is not None and ROLES[tag.role].serves is not Serves.ROW:
            yield f"role {tag.role.value} takes no row"
        n_rows = len(self._rows_of(tag.compartment or 0))
        if tag.numbers is not None and len(tag.numbers) != n_rows:
            yield (
                f"numbers has {len(tag.numbers)} entries for {n_rows} rows; write the number that "
                "the counter shows for each row, row 1 (of compartment 1) first"
            )

    @property
    def rows(self) -> tuple[int, ...]:
        """Number of rows in each compartment, compartment 1 first."""
        listed = self.rows_per_compartment
        return listed if len(listed) == self.compartments else listed * self.compartments

    def all_rows(self) -> list[tuple[int, int]]:
        """Every (compartment, row), in order."""
        return [(c, r) for c, n in enumerate(self.rows, start=1) for r in range(1, n + 1)]

    def served_by(self, header: int, headers: Collection[int]) -> list[int]:
        """Return the compartments that a header serves; 0 serves those without one of their own."""
        every = range(1, self.compartments + 1)
        return [header] if header else [c for c in every if c not in headers]

    def _rows_of(self, counter: int) -> list[tuple[int, int]]:
        return [place for place in self.all_rows() if counter in (0, place[0])]

    def _bags_of(self, compartment: int) -> tuple[int, ...]:
        lists = self.bags_per_row or ((1,),)
        listed = lists[min(compartment, len(lists)) - 1]
        return listed if len(listed) > 1 else listed * self.rows[compartment - 1]

    def bags_in(self, compartment: int, row: int) -> int | None:
        """Return how many bags a row has, None where the site file does not say."""
        return None if self.bags_per_row is None else self._bags_of(compartment)[row - 1]

    def zone_of(self, row: int, position: int) -> str:
        """Return where a bag hangs by the site file: `inlet side`, `wall`, `middle`, or ''."""
        if row in self.inlet_rows or position in self.inlet_positions:
            return "inlet side"
        if row in self.wall_rows or position in self.wall_positions:
            return "wall"
        stated = (self.inlet_rows, self.inlet_positions, self.wall_rows, self.wall_positions)
        return "middle" if any(stated) else ""

    def expected_drop_ratio(self, compartment: int, row: int) -> float:
        """Return a row's bags over the median row's of its header; 1 where no bags are stated.

        A row drops as the nozzles of its bags let out, so by design one of fewer bags drops less.
        """
        headers = {tag.compartment or 0 for tag in self.tag if tag.role is Role.HEADER_PRESSURE}
        served = self.served_by(compartment if compartment in headers else 0, headers)
        usual = median(n for c in served for n in self._bags_of(c))
        return self._bags_of(compartment)[row - 1] / usual

    def counted_rows(self, counter: int) -> dict[int, tuple[int, int]]:
        """Return (compartment, row) by the number that a step counter shows for it.

        Args:
            counter: compartment of the counter, 0 where it serves all.
        """
        rows = self._rows_of(counter)
        stated = (
            tag.numbers
            for tag in self.tag
            if tag.role is Role.STEP_COUNTER and (tag.compartment or 0) == counter
        )
        return dict(zip(next(stated, None) or range(1, len(rows) + 1), rows, strict=True))

    def on(self, day: date) -> Baghouse:
        """Return the baghouse with only the tags that are valid on a plant-local day."""
        valid = tuple(tag for tag in self.tag if tag.valid_from <= day <= tag.valid_to)
        return self if len(valid) == len(self.tag) else self.model_copy(update={"tag": valid})

    @property
    def limit_source(self) -> str:
        """Where the temperature limits come from."""
        return "site file" if self.continuous_limit is not None else SOURCE

    def temperature_limits(self) -> tuple[float, float] | None:
        """Continuous and surge limit in Cel: the site file's, else the media table's."""
        listed = limits_c(self.media) if self.media else (None, None)
        low, high = self.continuous_limit or listed[0], self.surge_limit or listed[1]
        return None if low is None or high is None else (low, high)
