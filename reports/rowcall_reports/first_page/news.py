"""What became of the day's cases since the day before."""

from __future__ import annotations

from rowcall.model import Case, News
from rowcall_reports import wording
from rowcall_reports.actions import places_of
from rowcall_reports.prepared import PreparedReport

# In the order of the page.
_NEWS = {
    News.OPENED: "New",
    News.BACK: "Back again",
    News.WORSE: "Worse",
    News.CONTRADICTED: "Not mended",
    News.VERIFIED: "Mended",
    News.BETTER: "Better",
    News.CHATTERS: "Comes and goes",
    News.QUIET: "Not found any more",
    News.CLOSED: "Closed",
}


def write_news(prepared: PreparedReport) -> str:
    """Return what became of the cases on the day."""
    cases = prepared.own_cases
    lines = [
        f"- **{words}:** {'; '.join(_of_case(prepared, case, news) for case in cases_of)}."
        for news, words in _NEWS.items()
        if (cases_of := [case for case in cases if news in case.news])
    ]
    return "\n".join(lines) or "Nothing new."


def _of_case(prepared: PreparedReport, case: Case, news: News) -> str:
    said = next(event.text for event in reversed(case.history) if event.news is news)
    return f"{where(case)} ({wording.escape(said or title_of(prepared, case))})"


def title_of(prepared: PreparedReport, case: Case) -> str:
    """Return the title of the first rule that found the case, in a sentence."""
    titles = {rule.name: rule.title for rule in prepared.report.rules}
    rule = case.findings[0].rule
    return wording.lower_first(titles.get(rule, rule))


def where(case: Case) -> str:
    """Return the place of a case, or what it is where it has no place within the baghouse."""
    what = places_of([case.subject]) if case.subject.compartment else case.title
    return f"{wording.escape(case.subject.baghouse)}, {wording.lower_first(what)}"
