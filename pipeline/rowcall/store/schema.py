"""The tables of a store, as named migrations that are each applied once, in order.

`samples` has no primary key and no index: measured on days of 1.7 million rows, a key made loading
twelve times slower and the file sixteen times larger. Each export's rows are appended sorted by
tag and time instead, so that DuckDB's per-row-group minima and maxima find a tag and a day.
All TIMESTAMP columns are UTC; `samples.value` is NaN where there was no number.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Migration:
    """One step of the schema."""

    name: str
    sql: str


_SAMPLES = """
CREATE TABLE tags (tag_id USMALLINT NOT NULL, name VARCHAR NOT NULL);
CREATE TABLE samples (
    tag_id USMALLINT NOT NULL,
    time TIMESTAMP NOT NULL,
    value DOUBLE NOT NULL,
    quality UTINYINT NOT NULL
);
CREATE TABLE files (
    file_id BIGINT NOT NULL,
    name VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    size_bytes BIGINT NOT NULL,
    taken_in_at TIMESTAMP NOT NULL,
    rows_read BIGINT NOT NULL,
    stored BIGINT NOT NULL,
    replaced BIGINT NOT NULL,
    unchanged BIGINT NOT NULL,
    set_aside BIGINT NOT NULL,
    first_time TIMESTAMP,
    last_time TIMESTAMP
);
CREATE TABLE file_tags (
    file_id BIGINT NOT NULL,
    tag_id USMALLINT NOT NULL,
    first_time TIMESTAMP NOT NULL,
    last_time TIMESTAMP NOT NULL
);
CREATE TABLE file_days (file_id BIGINT NOT NULL, day DATE NOT NULL);
CREATE TABLE set_aside (
    file_id BIGINT NOT NULL,
    line BIGINT NOT NULL,
    column_name VARCHAR NOT NULL,
    raw VARCHAR NOT NULL,
    reason VARCHAR NOT NULL
);
"""

_RESULTS = """
CREATE TABLE facts (
    day DATE NOT NULL,
    baghouse VARCHAR NOT NULL,
    compartment INTEGER NOT NULL,
    "row" INTEGER NOT NULL,
    name VARCHAR NOT NULL,
    value DOUBLE
);
CREATE TABLE findings (
    day DATE NOT NULL,
    baghouse VARCHAR NOT NULL,
    compartment INTEGER NOT NULL,
    "row" INTEGER NOT NULL,
    rule VARCHAR NOT NULL,
    verdict VARCHAR NOT NULL,
    urgency VARCHAR,
    start TIMESTAMP,
    "end" TIMESTAMP,
    values_json VARCHAR NOT NULL,
    text VARCHAR NOT NULL,
    action VARCHAR NOT NULL
);
CREATE TABLE pulses (
    day DATE NOT NULL,
    baghouse VARCHAR NOT NULL,
    time TIMESTAMP NOT NULL,
    compartment INTEGER,
    "row" INTEGER,
    before_pa DOUBLE,
    drop_pa DOUBLE,
    noise_pa DOUBLE,
    min_delay_s DOUBLE,
    tau_s DOUBLE,
    recovered BOOLEAN,
    answered BOOLEAN,
    confidence DOUBLE
);
CREATE TABLE cycles (
    day DATE NOT NULL,
    baghouse VARCHAR NOT NULL,
    start TIMESTAMP NOT NULL,
    "end" TIMESTAMP,
    residual_dp_pa DOUBLE,
    peak_dp_pa DOUBLE,
    cycle_time_s DOUBLE,
    n_pulses INTEGER,
    flow_m3_s DOUBLE,
    state_running BOOLEAN
);
CREATE TABLE judged (
    day DATE NOT NULL,
    file_id BIGINT NOT NULL,
    settings_hash VARCHAR NOT NULL,
    judged_at TIMESTAMP NOT NULL,
    revision INTEGER NOT NULL
);
CREATE TABLE mails (
    day DATE NOT NULL,
    revision INTEGER NOT NULL,
    recipient VARCHAR NOT NULL,
    state VARCHAR NOT NULL,
    changed_at TIMESTAMP NOT NULL
);
"""

_AHEAD = """
CREATE TABLE ahead (
    file_id BIGINT NOT NULL,
    read_until TIMESTAMP NOT NULL,
    first_time TIMESTAMP NOT NULL
);
"""

_HEALTH = """
CREATE TABLE tag_days (
    day DATE NOT NULL,
    baghouse VARCHAR NOT NULL,
    tag VARCHAR NOT NULL,
    role VARCHAR NOT NULL,
    compartment INTEGER NOT NULL,
    "row" INTEGER NOT NULL,
    n_points BIGINT NOT NULL,
    n_bad BIGINT NOT NULL,
    n_out_of_range BIGINT NOT NULL,
    coverage_frac DOUBLE NOT NULL,
    step_s DOUBLE,
    problem VARCHAR NOT NULL
);
"""

_SHARES = """
ALTER TABLE pulses ADD COLUMN share DOUBLE;
ALTER TABLE pulses ADD COLUMN share_error DOUBLE;
"""

# Plain names for rules and facts; facts that nothing read, and verdicts that are in `findings`, go.
_RULE_NAMES = {
    "row_faint": "row_weak",
    "row_drawn_out": "row_closes_late",
    "row_not_called": "row_not_pulsed",
    "rising_baseline_dp": "rising_residual_dp",
}
_FACT_NAMES = {
    "n_called": "n_sent",
    "n_heard": "n_judged",
    "called_share": "sent_share",
    "full_share": "answered_drop_ratio",
    "share_before": "drop_ratio_before",
    "share_after": "drop_ratio_after",
    "share_after_error": "drop_ratio_after_error",
    "coming_gain": "intermittent_gain",
    "coming_rate": "answer_rate",
    "coming_rate_low": "answer_rate_low",
    "coming_rate_high": "answer_rate_high",
    "left_pa": "shortfall_pa",
    "sag_pa": "cycle_loss_pa",
    "sag_share": "cycle_loss_share",
    "pulse_time_s": "pulse_length_s",
    "rest_pa": "idle_pa",
    "clock_offset_least_s": "clock_offset_min_s",
    "clock_offset_most_s": "clock_offset_max_s",
}
_NAMES = "\n".join(
    [
        *(
            f"UPDATE findings SET rule = '{new}' WHERE rule = '{old}';"
            for old, new in _RULE_NAMES.items()
        ),
        *(
            f"UPDATE facts SET name = '{new}' WHERE name = '{old}';"
            for old, new in _FACT_NAMES.items()
        ),
        "DELETE FROM facts WHERE regexp_full_match(name, 'verdict_.*|watch_.*|(n_)?tau(_s)?_h\\d\\d"
        "|min_delay_s|stack_tau_s|stack_tau_log_error|n_points|slow_frac|rest_s|idle_min"
        "|inlet_temperature_mean_c');",
    ]
)

_PLACES = """
ALTER TABLE findings ADD COLUMN is_place BOOLEAN DEFAULT false;
UPDATE findings SET is_place = true WHERE regexp_matches(text, 'Place \\d+ of \\d+ ');
"""

_FAILURES = """
CREATE TABLE failures (
    day DATE NOT NULL,
    baghouse VARCHAR NOT NULL,
    part VARCHAR NOT NULL,
    reference VARCHAR NOT NULL,
    version VARCHAR NOT NULL,
    settings_hash VARCHAR NOT NULL,
    file_id BIGINT NOT NULL
);
"""

_MEANINGS = """
CREATE TABLE meanings (day DATE NOT NULL, baghouse VARCHAR NOT NULL, settings VARCHAR NOT NULL);
ALTER TABLE judged ADD COLUMN verdicts_changed BOOLEAN DEFAULT true;
"""

# Nanoseconds since 1970-01-01 UTC, as file systems have them; null for files of before.
_WRITTEN = """
ALTER TABLE files ADD COLUMN written_ns BIGINT;
CREATE TABLE seen (
    name VARCHAR NOT NULL,
    size_bytes BIGINT NOT NULL,
    written_ns BIGINT NOT NULL,
    sha256 VARCHAR NOT NULL
);
"""

_NOTICES = """
CREATE TABLE notices (
    key VARCHAR NOT NULL,
    text VARCHAR NOT NULL,
    is_event BOOLEAN NOT NULL,
    first_said DATE NOT NULL,
    last_said DATE NOT NULL,
    carried_by DATE,
    mailed DATE
);
"""

# own: of the facts and verdicts of a day; past: of those that it was judged with; work: of the
# entries of the work log. Days judged before have none, as if the log had been empty.
_BASIS = """
CREATE TABLE basis (
    day DATE NOT NULL,
    baghouse VARCHAR NOT NULL,
    own VARCHAR NOT NULL,
    past VARCHAR NOT NULL,
    work VARCHAR NOT NULL
);
"""

_MAIL_FAILURES = """
ALTER TABLE mails ADD COLUMN n_failed INTEGER DEFAULT 0;
ALTER TABLE mails ADD COLUMN first_failed_at TIMESTAMP;
ALTER TABLE mails ADD COLUMN said VARCHAR DEFAULT '';
UPDATE mails SET n_failed = 1, first_failed_at = changed_at WHERE state = 'refused';
"""

_LACKS = """
ALTER TABLE findings ADD COLUMN lack VARCHAR;
ALTER TABLE findings ADD COLUMN lack_of VARCHAR;
"""

_ARCHIVED = """
CREATE TABLE archived (
    day DATE NOT NULL,
    first_us BIGINT NOT NULL,
    end_us BIGINT NOT NULL,
    n_rows BIGINT NOT NULL,
    sha256 VARCHAR NOT NULL
);
"""

# A path or a URL; empty: beside the store.
_ARCHIVE_FILES = """
ALTER TABLE archived ADD COLUMN file VARCHAR DEFAULT '';
"""

RECORD = """
CREATE TABLE rowcall_schema (
    version INTEGER NOT NULL,
    name VARCHAR NOT NULL,
    applied_at TIMESTAMP NOT NULL
);
"""

MIGRATIONS: tuple[Migration, ...] = (
    Migration("samples and ledger", _SAMPLES),
    Migration("results", _RESULTS),
    Migration("rows that lie ahead", _AHEAD),
    Migration("health of tags", _HEALTH),
    Migration("share of the usual drop of each pulse", _SHARES),
    Migration("plain names of rules and facts", _NAMES),
    Migration("places apart from rows", _PLACES),
    Migration("parts of days that failed", _FAILURES),
    Migration("settings that facts rest on", _MEANINGS),
    Migration("when files were written", _WRITTEN),
    Migration("notices and when they were said", _NOTICES),
    Migration("what a judgement rests on", _BASIS),
    Migration("mails that failed", _MAIL_FAILURES),
    Migration("what rules lacked", _LACKS),
    Migration("days in the archive", _ARCHIVED),
    Migration("where archived days lie", _ARCHIVE_FILES),
)
