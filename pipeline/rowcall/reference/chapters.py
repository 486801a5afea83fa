"""The parts of the reference: a text beside the code it is about, with the code's own lists."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from string import Template
from typing import NamedTuple, get_args

from rowcall.reference.markdown_table import coded, table

Lists = Mapping[str, str]


class Part(NamedTuple):
    """One part: where its text stands, and what makes the lists that the text has places for."""

    package: str
    file: str
    lists: Callable[[], Lists]

    def text(self) -> str:
        """Return the part in Markdown."""
        from importlib.resources import files

        written = files(self.package).joinpath(self.file).read_text("utf-8")
        return Template(written).substitute(self.lists())


def _exports() -> Lists:
    from rowcall.site import TakeIn
    from rowcall.store.samples import BAD, GOOD, UNCERTAIN
    from rowcall.take_in.cells.numbers import SWITCH_WORDS
    from rowcall.take_in.cells.quality_codes import WORDS
    from rowcall.take_in.cells.time_formats import EPOCH_NAMES, NAMED_FORMS
    from rowcall.take_in.files.inbox import ENDINGS, PARTIAL, SPREADSHEETS
    from rowcall.take_in.sniff.column_words import (
        QUALITY_WORDS,
        TAG_WORDS,
        TIME_WORDS,
        VALUE_WORDS,
    )

    def words_of(key: str) -> str:
        choices = get_args(TakeIn.model_fields[key].annotation)[0]
        return coded(str(word).replace("\t", "tab") for word in get_args(choices))

    return {
        "endings": coded(one for one in ENDINGS if one not in SPREADSHEETS),
        "partial": coded(PARTIAL),
        "spreadsheets": coded(SPREADSHEETS),
        "encodings": words_of("encoding"),
        "delimiters": words_of("delimiter"),
        "time_words": coded(sorted(TIME_WORDS)),
        "tag_words": coded(sorted(TAG_WORDS)),
        "value_words": coded(sorted(VALUE_WORDS)),
        "quality_column_words": coded(sorted(QUALITY_WORDS)),
        "epochs": coded(EPOCH_NAMES),
        "named_forms": coded(form for form in NAMED_FORMS if form.endswith(("S", "Y"))),
        "switch_on": coded(word for word, number in SWITCH_WORDS.items() if number),
        "switch_off": coded(word for word, number in SWITCH_WORDS.items() if not number),
        "good": coded(WORDS[GOOD]),
        "uncertain": coded(WORDS[UNCERTAIN]),
        "bad": coded(WORDS[BAD]),
    }


def _site_file() -> Lists:
    from importlib.resources import files

    from rowcall.media import LIMITS_DEGF, RESISTANCE, SOURCE, limits_c
    from rowcall.reference.site_keys import printed, tables_of
    from rowcall.site.roles import ROLES, Role
    from rowcall.units import Dimension, codes

    limits = [(fibre, *limits_c(fibre)) for fibre in LIMITS_DEGF]
    return {
        "example": files("rowcall.site").joinpath("example.toml").read_text("utf-8").strip(),
        "tables": printed(tables_of()),
        "roles": table(
            ("role", "units", "one tag a", "without it"),
            (
                (
                    f"`{role.value}`",
                    coded(codes(ROLES[role].dimensions)),
                    ROLES[role].serves.value,
                    ROLES[role].without
                    + "".join(f"; `{one.value}` does as well" for one in ROLES[role].instead),
                )
                for role in Role
            ),
        ),
        "media_source": SOURCE,
        "media": table(
            ("media", "continuous", "surge", "against acids", "against alkalis"),
            (
                (f"`{f.value}`", f"{low:.0f} Cel", f"{high:.0f} Cel", *RESISTANCE[f])
                for f, low, high in limits
            ),
        ),
        "units": table(
            ("quantity", "units"),
            ((one.name.lower().replace("_", " "), coded(codes([one]))) for one in Dimension),
        ),
    }


def _work_log() -> Lists:
    from rowcall.work_log.bag_outcome import MEANINGS as OUTCOMES
    from rowcall.work_log.template import COLUMNS, MEANINGS, works_of

    return {
        "columns": table(
            ("column", "what stands in it"), ((f"`{c}`", t) for c, t in COLUMNS.items())
        ),
        "kinds": table(("work", "meaning"), ((f"`{w}`", t) for w, t in MEANINGS.items())),
        "outcomes": table(
            ("first word", "of", "meaning"),
            ((f"`{one}`", works_of(one), text) for one, text in OUTCOMES.items()),
        ),
    }


def _report() -> Lists:
    from rowcall.diagnosis.rule_book import load_rules
    from rowcall_reports.row_marks import UNKNOWN
    from rowcall_reports.tables.day_files import TABLES

    marks = [*(mark for rule in load_rules() for mark in rule.marks), UNKNOWN]
    return {
        "marks": table(("letter", "row"), ((f"`{m.letter}`", m.meaning) for m in marks)),
        "tables": "\n\n".join(f"### {one.name}\n\n{one.reference()}" for one in TABLES),
    }


def _cannot_tell() -> Lists:
    from rowcall.diagnosis.rule_book import load_rules

    return {"rules": "; ".join(rule.title[0].lower() + rule.title[1:] for rule in load_rules())}


PARTS: Mapping[str, Part] = {
    "exports": Part("rowcall.take_in", "EXPORTS.md", _exports),
    "site-file": Part("rowcall.site", "SITE_FILE.md", _site_file),
    "work-log": Part("rowcall.work_log", "WORK_LOG.md", _work_log),
    "report": Part("rowcall_reports", "REPORT.md", _report),
    "cannot-tell": Part("rowcall_rules", "CANNOT_TELL.md", _cannot_tell),
}
