"""The page of leak map and bag life: where bags fail, how long they last, how many to keep."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rowcall.bags.clusters import MIN_FAILED, Pattern
from rowcall.bags.lives import Bag
from rowcall.bags.survival import MIN_FAILURES, Estimate, Lives, by_group, fit, lives_of
from rowcall.model import Work
from rowcall_reports import wording
from rowcall_reports.figures.life_curve import YEAR_D
from rowcall_reports.figures.picture import Picture, embedded
from rowcall_reports.outage.bag_study import (
    BagStudy,
    pattern_sentence,
    places_in_words,
    points_to,
)

_MAX_LISTED = 40  # failed bags on the page; chosen: the CSV has all
CSV_HEAD = (
    "baghouse", "compartment", "row", "position", "zone", "media", "put_in", "last_sound",
    "found_failed", "found_by", "result", "taken_out",
)  # fmt: skip
_COUNTED = (
    "A bag's life begins with `bags changed` of its place; failed bags of unknown age are on the "
    "map only.",
    "A failure lies between the last look at which the bag was sound and the one that found it. "
    "Where a bag of a compartment glows, or is found or changed as failed, all its bags were "
    "looked at, and those not named were sound.",
    "A bag changed as `healthy` was sound; one changed without a result is known only until it was "
    "last seen sound.",
    "Chance: failures dealt anew within compartments (positions: within rows) 1999 times; p holds "
    "for all lines together (Westfall-Young within a line, Holm over them).",
    "Life: Weibull distribution by maximum likelihood, 95 % intervals by profile likelihood; "
    "spares: 95 % prediction interval. Bags are taken to fail independently of each other.",
)


def write_bag_life(study: BagStudy) -> str:
    """Return the page as Markdown."""
    stop = study.stop
    leaks = [one for one in study.pictures if one.name.startswith("leaks")]
    parts = [
        f"# Leak map and bag life: {stop.name}",
        f"From the work log, as of {wording.long_day(stop.day)}. **{_in_short(study)}**",
        f"[Outage sheet](outage-{stop.house.id}-{stop.day.isoformat()}.md)",
        "## Where bags fail",
        *map(embedded, leaks),
        *_patterns(study),
        "## How long bags last",
        *_life(study, [one for one in study.pictures if one not in leaks]),
        "## Bags for the coming outages",
        *_spares(study),
        *_failed(study),
        "## How it is counted",
        "\n".join(f"- {line}" for line in _COUNTED),
    ]
    return "\n\n".join(parts) + "\n"


def _in_short(study: BagStudy) -> str:
    n, n_waiting = len(study.failures), sum(bag.waits for bag in study.failures)
    if not n or not (first := study.failures[0].found):
        return "No failed bag is known."
    since = wording.day_in_sentence(first.day, study.stop.day)
    out = ", ".join(map(places_in_words, study.standing_out))
    crowd = f" More than chance: {out}." if out else ""
    return f"{wording.count(n, 'failed bag')} since {since}, {n_waiting} still in place.{crowd}"


def _patterns(study: BagStudy) -> Iterator[str]:
    n = len(study.failures)
    if n < MIN_FAILED:
        yield (
            f"Cannot tell whether failed bags crowd somewhere: {n} known, {MIN_FAILED - n} more "
            "are needed."
        )
        return
    yield wording.table(
        ("Most at", "More than chance?", "Failed", "By chance"),
        map(_pattern_line, study.patterns),
        right=(2, 3),
    )
    for pattern in study.standing_out:
        cause, look = points_to(pattern)
        yield (
            f"**{pattern_sentence(pattern)}** It may be that {cause}. Look, all isolated, at: "
            f"{look}."
        )
    if not study.standing_out:
        yield "No pattern is more than chance; with few failed bags only a strong one can be."
    asked = {pattern.factor for pattern in study.patterns}
    if not asked & {"inlet side", "wall"}:
        yield (
            "Inlet side and walls: cannot tell; put `inlet_rows`, `inlet_positions`, `wall_rows`, "
            "`wall_positions` into the site file."
        )
    if "age" not in asked:
        yield "Age: cannot tell; it takes failures among bags of known and different age."


def _pattern_line(pattern: Pattern) -> tuple[str, ...]:
    by_age = pattern.expected is None
    return (
        places_in_words(pattern),
        f"{'yes' if pattern.stands_out else 'not shown'}, p {wording.significant(pattern.p, 2)}",
        wording.NO_VALUE if by_age else f"{pattern.failed} of {pattern.total}",
        wording.NO_VALUE if by_age else wording.significant(pattern.expected or 0.0, 2),
    )


def _life(study: BagStudy, pictures: Sequence[Picture]) -> Iterator[str]:
    yield from map(embedded, pictures)
    yield wording.table(
        ("Bags", "Lives", "Failed", "10 % failed by [years]", "Half failed by [years]", "Shape"),
        (_life_line(name, lives_of(bags)) for name, bags in by_group(study.bags).items()),
        right=(1, 2),
    )
    if study.model:
        yield _shape_sentence(study.model.shape_interval)
        oldest = wording.age(max(study.model.lives.sound, default=0.0))
        yield (
            f"Ages beyond {oldest}, the oldest sound bag seen, rest on the fitted distribution "
            "alone."
        )
    n_unknown = sum(bag.since is None for bag in study.failures)
    if n_unknown:
        yield (
            f"{wording.count(n_unknown, 'failed bag')} of unknown age: enter the day on which the "
            f'bags were put in as "{Work.BAGS_CHANGED}", and they count.'
        )


def _life_line(name: str, lives: Lives) -> tuple[str, ...]:
    counts = name, f"{lives.n_bags:,}", str(len(lives.found))
    model = fit(lives)
    if model is None:
        return *counts, _lacks(lives), "", ""
    shape = model.shape_interval
    ages = (_age_cell(model.quantile(share)) for share in (0.1, 0.5))
    low, high = (wording.significant(end) if end else "open" for end in (shape.low, shape.high))
    return *counts, *ages, f"{wording.significant(shape.value)} ({low} to {high})"


def _lacks(lives: Lives) -> str:
    if (lack := MIN_FAILURES - len(lives.found)) > 0:
        return f"cannot tell: {lack} more failures of known age needed"
    return "cannot tell: all found at one age; looks at another are needed"


def _age_cell(estimate: Estimate) -> str:
    if estimate.low is None:
        return "cannot tell"
    value, low = (_short(days / YEAR_D) for days in (estimate.value, estimate.low))
    if estimate.high is None:
        return f"{low} or later"
    return f"{value} ({low} to {_short(estimate.high / YEAR_D)})"


def _short(value: float) -> str:
    return wording.significant(value, 2)


def _shape_sentence(shape: Estimate) -> str:
    if shape.low is not None and shape.low > 1:
        return "Bags wear out: the older, the sooner they fail (shape above 1)."
    if shape.high is not None and shape.high < 1:
        return "New bags fail most (shape below 1): look at lot and fitting, not at age."
    return "Whether old bags fail sooner than new ones, these failures cannot tell."


def _spares(study: BagStudy) -> Iterator[str]:
    n_waiting = sum(bag.waits for bag in study.failures)
    if study.spares:
        yield wording.table(
            ("Outage", "Known to leak", "Further failures (95 %)", "Take along"),
            (
                (
                    one.outage.isoformat(),
                    str(one.known),
                    f"{one.expected} ({one.low} to {one.high})",
                    str(one.known + one.high),
                )
                for one in study.spares
            ),
            right=(1, 3),
        )
        yield "Further failures are those since bags were last looked at, found and renewed then."
        n_unknown = sum(bag.since is None and bag.until is None for bag in study.bags)
        if n_unknown:
            yield f"{wording.count(n_unknown, 'bag')} of unknown age come on top."
        return
    yield f"Known to leak: {wording.count(n_waiting, 'bag')}."
    if not study.model:
        lack = _lacks(lives_of(study.bags)).partition(": ")[2]
        yield f"How many more will have failed: cannot tell ({lack})."
    elif not study.stop.planned:
        yield f'No outage is planned: enter "{Work.OUTAGE_PLANNED}" ahead, and it is estimated.'


def _failed(study: BagStudy) -> Iterator[str]:
    if not study.failures:
        return
    yield "## Failed bags, newest first"
    yield wording.table(
        ("Compartment", "Row", "Position", "Found", "By", "Age", "Changed"),
        map(_failed_line, study.failures[: -_MAX_LISTED - 1 : -1]),
        right=(0, 1, 2),
    )
    if (more := len(study.failures) - _MAX_LISTED) > 0:
        yield f"{more} older ones are in the CSV."


def _failed_line(bag: Bag) -> tuple[str, ...]:
    found = bag.found
    age = bag.found_d
    return (
        *map(str, bag.seat),
        found.day.isoformat() if found else "",
        wording.escape(f"{found.work}: {found.result}".removesuffix(": ")) if found else "",
        wording.age(age) if age is not None else "not known",
        bag.until.isoformat() if bag.until else "no",
    )


def bag_lines(study: BagStudy) -> Iterator[Sequence[object]]:
    """Yield every bag as a line of the CSV."""
    for bag in study.bags:
        found = bag.found
        days = (bag.since, bag.sound, found and found.day, bag.until)
        put_in, sound, failed, out = (day.isoformat() if day else "" for day in days)
        by = (found.work, found.result) if found else ("", "")
        seat = (study.stop.house.id, *bag.seat, bag.zone, bag.media or "")
        yield *seat, put_in, sound, failed, *by, out
