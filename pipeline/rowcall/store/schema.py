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
    """One step of the schema: applied with its record in a single transaction."""

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
)
