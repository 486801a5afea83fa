"""What became of each case of a baghouse, what was done about it, and what speaks for a cause."""

from __future__ import annotations

from collections.abc import Iterator

from rowcall.model import Case, RankedCause
from rowcall_reports import job_words, wording
from rowcall_reports.actions import places_of
from rowcall_reports.prepared import PreparedDay


def write_cases(baghouse: PreparedDay) -> str:
    """Return the history of every case that is open or was closed on this day, '' without any."""
    return "\n\n".join("\n".join(_case(case)) for case in baghouse.cases)


def _case(case: Case) -> Iterator[str]:
    ended = f", closed {case.closed.isoformat()}" if case.closed else ""
    yield (
        f"**{wording.escape(case.title)}, {places_of([case.subject])}** (`{case.id}`): "
        f"{case.state}, opened {case.opened.isoformat()}, last found "
        f"{case.last_found.isoformat()}{ended}\n"
    )
    for event in case.history:
        said = f": {wording.escape(event.text)}" if event.text else ""
        yield f"- {event.day.isoformat()} {event.news.value}{said}"
    yield from (f"- {wording.escape(job_words.repair_text(one))}" for one in case.repairs)
    yield from (_cause(one) for one in case.causes)


def _cause(cause: RankedCause) -> str:
    """Return a cause with the signs for and against it, the weightiest first."""
    ranked = sorted(cause.signs, key=lambda sign: -abs(sign.weight))
    signs = "; ".join(
        f"{'for' if sign.weight > 0 else 'against'}: {wording.escape(sign.text)}" for sign in ranked
    )
    return f"- Cause: {job_words.cause(cause)}{f' - {signs}' if signs else ''}"
