'''The tables of a store, the same in SQLite and elsewhere; every constraint has a name.

Times in `*_us` are whole microseconds: `started_us`, `ended_us`, `made_us`, `last_seen_us` and all of the job
record since 1970 in UTC, every other since the soak's first scan. `*_s` are seconds since the soak's first
scan. What does not exist is NULL. Columns that hold a list or a table of their own (`daq`, `now`, `verdict`,
`checks`, `channels`, `evidence`, `thinned`) are JSON text without NaN. Alembic makes the tables
(`migrations/versions`); `metadata` here is what the code works with, and a test holds the two together.

**scan**: one row a second of a soak that has scans, key `(soak_id, t0_s)`. Its `data` are, little-endian
and without padding,

- n times int32: the scans' microseconds after `t0_s`;
- then for each channel in order n counts, as the DAQ sent them: int16 if every count of the row fits,
  else int32 (the length tells which: 4 n + 2 n c or 4 n + 4 n c bytes for c channels).

The least value of the type (-32768, -2147483648) is "no reading". A 16-bit converter's own -32768 is
railed low and stored as -32767. `sequence` is the first scan's sequence number; the others follow one by
one, unless `sequences` is there: then it holds n times int64, every scan's number. A running soak's last
row is written again while its second fills.

**scan_minute**: the scans of an ended soak that `soakbench compact` has rewritten, key `(soak_id, t0_s)`: one
row a minute that has scans, and none of `scan` then. In a soak of both, all minutes are before all seconds.
`data`, once inflated (zlib), are c + 2 series of n numbers each: the microseconds after `t0_s`, the sequence
numbers, then each channel's counts with -2147483648 for "no reading". Each number stands there as its
difference d to the one before it in its series (to 0 in the first), 2 d or, where d is negative, -2 d - 1: of
all of these the lowest byte, then of all the next one, up to the eighth.

**rollup**: closed buckets of 10 s and 60 s, one row for each channel that gave a reading in the bucket:
number, least, greatest and sum of its raw counts, "no reading" left out, railed counts taken in. The view
`rollup_in_units` has them in A, V or degC (a channel that is not linear in volts at the converter).

**calibration**: what `soakbench calibrate` found of a board, never changed afterwards; `channels` has for
each channel's name gain, offset, their uncertainties and what it was wired as. Counts are stored as they
came, so a soak can be looked at with any; `soak.calibration_id` is the one it was watched and judged with.

**soak**: one run. `ended_us` is `started_us` plus what has gone by since, so that it is right between the two
also where the computer's clock was set meanwhile; `last_seen_us` is that clock as it was read when the last
scan came, and `last_ms` the DAQ's own counter (milliseconds, unsigned 32-bit) of that scan: a daemon that is
started again works out from them how long nothing was recorded. `thinned` is a JSON object where the soak
has only part of its scans: `at_us` since when, `archive` the Parquet file that has all of them, `kept` the
stretches `[from_s, to_s]`, of whole minutes, of which every scan is still here. Roll-ups are always those of
all scans.

**request**: what a person asked of the running daemon (`logger/requests.py` has the words of `ask`), by any
program that takes the lock file beside the store for its insert. It is made as `asked`, with neither soak nor
`t_us`; the daemon looks every 0.2 s and answers: `done` or `refused` with the `reason`, with its soak and the
time of the last scan that it had seen, both NULL where it had none. What was done stands in `mark` too, in
the request's words. Whoever asked may withdraw what is still `asked`, as `refused` with neither.

**The job record**: `amp`, `job`, `valve`, `fitting`, `fuse`, `checklist_item`, `work_item`, `remark`,
`bench_reading`, `photograph`; written by any program that takes the lock file for it (`store/record.py`).
Nothing in them is ever removed: `deleted_us` marks a row as deleted, and **history** has a row for every
field that was edited, with the values before and after as JSON and the row's `version` afterwards (1 until it
is edited). `overruling` is only added to. A soak belongs to the job in `soak.job_id`. A photograph is a file
of the folder beside the store, named by its SHA-256. `job.shows` lists circumstances, set apart by ", ".

Reading the scans needs nothing of ours:

    import sqlite3, struct

    def scans(path, soak_id):
        """Yield (t_us, sequence, counts) of each scan, None where a channel gave no reading."""
        db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        (c,) = db.execute("SELECT count(*) FROM channel WHERE soak_id = ?", (soak_id,)).fetchone()
        rows = db.execute("SELECT t0_s, sequence, n, sequences, data FROM scan"
                          " WHERE soak_id = ? ORDER BY t0_s", (soak_id,)).fetchall()
        db.close()
        for t0_s, first, n, sequences, data in rows:
            after_us = struct.unpack_from(f"<{n}i", data)
            wide = len(data) > 4 * n + 2 * n * c
            counts = struct.unpack_from(f"<{n * c}{'i' if wide else 'h'}", data, 4 * n)
            none = -2147483648 if wide else -32768
            numbers = struct.unpack(f"<{n}q", sequences) if sequences else range(first, first + n)
            for k in range(n):
                scan = [None if x == none else x for x in counts[k::n]]
                yield t0_s * 1_000_000 + after_us[k], numbers[k], scan

nor does reading those of a compact soak:

    import itertools, sqlite3, struct, zlib

    def compact_scans(path, soak_id):
        """Yield (t_us, sequence, counts) of each scan, None where a channel gave no reading."""
        db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        (c,) = db.execute("SELECT count(*) FROM channel WHERE soak_id = ?", (soak_id,)).fetchone()
        rows = db.execute("SELECT t0_s, n, data FROM scan_minute WHERE soak_id = ? ORDER BY t0_s",
                          (soak_id,)).fetchall()
        db.close()
        for t0_s, n, data in rows:
            raw, size = zlib.decompress(data), n * (c + 2)
            by_number = bytes(raw[j * size + k] for k in range(size) for j in range(8))
            coded = struct.unpack(f"<{size}Q", by_number)
            steps = [-(x + 1 >> 1) if x % 2 else x >> 1 for x in coded]
            series = [itertools.accumulate(steps[k:k + n]) for k in range(0, size, n)]
            for after_us, sequence, *scan in zip(*series):
                counts = [None if x == -2147483648 else x for x in scan]
                yield t0_s * 1_000_000 + after_us, sequence, counts
'''

from __future__ import annotations

from typing import Final

import sqlalchemy as sa

REVISION: Final = "0007"
"""The schema that this program writes: Alembic's newest revision."""

LEVELS_S: Final = (10, 60)
"""The lengths of the roll-ups' buckets, in seconds."""

metadata: Final = sa.MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(referred_table_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "ix": "ix_%(table_name)s_%(column_0_name)s",
    }
)

calibration: Final = sa.Table(
    "calibration",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("board_id", sa.Text, nullable=False),
    sa.Column("made_us", sa.BigInteger, nullable=False),
    sa.Column("made_by", sa.Text, nullable=False),
    sa.Column("instrument", sa.Text, nullable=False),
    sa.Column("program", sa.Text, nullable=False),
    sa.Column("channels", sa.Text, nullable=False),
    sa.Index("ix_calibration_board_id", "board_id", "made_us"),
)

soak: Final = sa.Table(
    "soak",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("uuid", sa.String(36), nullable=False),
    sa.Column("bench", sa.Text, nullable=False),
    sa.Column("amp", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("setup_digest", sa.Text, nullable=False),
    sa.Column("daq", sa.Text, nullable=False),
    sa.Column("program", sa.Text, nullable=False),
    sa.Column("started_us", sa.BigInteger, nullable=False),
    sa.Column("ended_us", sa.BigInteger),
    sa.Column("how", sa.Text),
    sa.Column("scans", sa.BigInteger, nullable=False),
    sa.Column("last_t_us", sa.BigInteger),
    sa.Column("now", sa.Text),
    sa.Column("verdict", sa.Text),
    sa.Column("setup_text", sa.Text, nullable=False),
    sa.Column("calibration_id", sa.Integer, sa.ForeignKey("calibration.id")),
    sa.Column("checks", sa.Text),  # those before power; NULL: none were made
    sa.Column("last_ms", sa.BigInteger),  # the DAQ's own counter at the last scan; NULL: it has none
    sa.Column("last_seen_us", sa.BigInteger),  # the computer's clock then
    sa.Column("job_id", sa.Integer, sa.ForeignKey("job.id")),
    sa.Column("thinned", sa.Text),  # NULL: all its scans are here
    sa.UniqueConstraint("uuid"),
    sa.CheckConstraint("kind IN ('as left', 'as found')", name="kind"),
    sa.CheckConstraint("how IN ('finished', 'stopped', 'broken off')", name="how"),
    sa.CheckConstraint("(ended_us IS NULL) = (how IS NULL)", name="ended"),
    sa.Index("ix_soak_job_id", "job_id"),
)

channel: Final = sa.Table(
    "channel",
    metadata,
    sa.Column("soak_id", sa.Integer, sa.ForeignKey("soak.id"), nullable=False),
    sa.Column("channel", sa.Integer, nullable=False),  # its place among the counts, from 0
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("measures", sa.Text, nullable=False),
    sa.Column("unit", sa.Text, nullable=False),
    sa.Column("volts_per_count", sa.Double, nullable=False),
    sa.Column("full_count", sa.BigInteger, nullable=False),
    sa.Column("factor", sa.Double),  # value = factor x count + offset, uncalibrated; NULL: not linear
    sa.Column("offset", sa.Double),
    sa.PrimaryKeyConstraint("soak_id", "channel"),
    sa.UniqueConstraint("soak_id", "name", name="uq_channel_name"),
    sa.CheckConstraint('(factor IS NULL) = ("offset" IS NULL)', name="linear"),
    sqlite_with_rowid=False,
)

scan: Final = sa.Table(
    "scan",
    metadata,
    sa.Column("soak_id", sa.Integer, sa.ForeignKey("soak.id"), nullable=False),
    sa.Column("t0_s", sa.BigInteger, nullable=False),
    sa.Column("sequence", sa.BigInteger, nullable=False),
    sa.Column("n", sa.Integer, nullable=False),
    sa.Column("sequences", sa.LargeBinary),
    sa.Column("data", sa.LargeBinary, nullable=False),
    sa.PrimaryKeyConstraint("soak_id", "t0_s"),
    sa.CheckConstraint("n > 0", name="n"),
    sqlite_with_rowid=False,
)

scan_minute: Final = sa.Table(
    "scan_minute",
    metadata,
    sa.Column("soak_id", sa.Integer, sa.ForeignKey("soak.id"), nullable=False),
    sa.Column("t0_s", sa.BigInteger, nullable=False),
    sa.Column("n", sa.Integer, nullable=False),
    sa.Column("data", sa.LargeBinary, nullable=False),
    sa.PrimaryKeyConstraint("soak_id", "t0_s"),
    sa.CheckConstraint("n > 0", name="n"),
    sqlite_with_rowid=False,
)

rollup: Final = sa.Table(
    "rollup",
    metadata,
    sa.Column("soak_id", sa.Integer, nullable=False),
    sa.Column("level_s", sa.Integer, nullable=False),
    sa.Column("t0_s", sa.BigInteger, nullable=False),
    sa.Column("channel", sa.Integer, nullable=False),
    sa.Column("n", sa.Integer, nullable=False),
    sa.Column("vmin", sa.BigInteger, nullable=False),
    sa.Column("vmax", sa.BigInteger, nullable=False),
    sa.Column("vsum", sa.BigInteger, nullable=False),
    # Time before channel: the other order writes half as much again.
    sa.PrimaryKeyConstraint("soak_id", "level_s", "t0_s", "channel"),
    sa.ForeignKeyConstraint(["soak_id", "channel"], ["channel.soak_id", "channel.channel"]),
    sa.CheckConstraint("n > 0", name="n"),
    sa.CheckConstraint("vmin <= vmax", name="order"),
    sqlite_with_rowid=False,
)

finding: Final = sa.Table(
    "finding",
    metadata,
    sa.Column("soak_id", sa.Integer, sa.ForeignKey("soak.id"), nullable=False),
    sa.Column("id", sa.Integer, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("channel", sa.Text),
    sa.Column("channels", sa.Text, nullable=False),
    sa.Column("onset_s", sa.Double, nullable=False),
    sa.Column("raised_s", sa.Double, nullable=False),
    sa.Column("cleared_s", sa.Double),
    sa.Column("severity", sa.Text, nullable=False),
    sa.Column("says", sa.Text, nullable=False),
    sa.Column("advice", sa.Text, nullable=False),
    sa.Column("under", sa.Integer),
    sa.Column("evidence", sa.Text, nullable=False),
    sa.Column("acknowledged_s", sa.Double),
    sa.PrimaryKeyConstraint("soak_id", "id"),
    sa.CheckConstraint("severity IN ('remark', 'warning', 'trip')", name="severity"),
    sqlite_with_rowid=False,
)

mark: Final = sa.Table(
    "mark",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("soak_id", sa.Integer, sa.ForeignKey("soak.id"), nullable=False),
    sa.Column("t_us", sa.BigInteger, nullable=False),
    sa.Column("text", sa.Text, nullable=False),
    sa.Index("ix_mark_soak_id", "soak_id", "t_us"),
)

request: Final = sa.Table(
    "request",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("soak_id", sa.Integer, sa.ForeignKey("soak.id")),
    sa.Column("made_us", sa.BigInteger, nullable=False),
    sa.Column("ask", sa.Text, nullable=False),  # not checked here: what can't be read is refused, with a word
    sa.Column("text", sa.Text, nullable=False),
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("reason", sa.Text),
    sa.Column("t_us", sa.BigInteger),
    sa.CheckConstraint("state IN ('asked', 'done', 'refused')", name="state"),
    sa.CheckConstraint("(state = 'refused') = (reason IS NOT NULL)", name="reason"),
    sa.CheckConstraint("(soak_id IS NULL) = (t_us IS NULL)", name="taken"),
    sa.CheckConstraint("state <> 'asked' OR soak_id IS NULL", name="asked"),
    sa.Index("ix_request_state", "state", "id"),
)

ROLLUP_IN_UNITS: Final = """
CREATE VIEW rollup_in_units AS
SELECT soak_id, level_s, t0_s, name, unit, n, mean, CASE WHEN a < b THEN a ELSE b END AS least,
       CASE WHEN a < b THEN b ELSE a END AS greatest, railed
FROM (SELECT r.soak_id, r.level_s, r.t0_s, c.name,
             CASE WHEN c.factor IS NULL THEN 'V' ELSE c.unit END AS unit,
             r.n,
             coalesce(c.factor, c.volts_per_count) * r.vsum / r.n + coalesce(c."offset", 0) AS mean,
             coalesce(c.factor, c.volts_per_count) * r.vmin + coalesce(c."offset", 0) AS a,
             coalesce(c.factor, c.volts_per_count) * r.vmax + coalesce(c."offset", 0) AS b,
             CASE WHEN r.vmin <= -c.full_count OR r.vmax >= c.full_count THEN 1 ELSE 0 END AS railed
      FROM rollup AS r JOIN channel AS c ON c.soak_id = r.soak_id AND c.channel = r.channel) AS counted
"""
"""The view's text; a migration that changes it keeps its own copy."""


# ---- the job record


def _kept(name: str, *columns: sa.schema.SchemaItem) -> sa.Table:
    """Return a table whose rows are edited with history and are never removed."""
    return sa.Table(
        name,
        metadata,
        sa.Column("id", sa.Integer, primary_key=True),
        *columns,
        sa.Column("made_us", sa.BigInteger, nullable=False),
        sa.Column("made_by", sa.Text, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("deleted_us", sa.BigInteger),
        sa.CheckConstraint("version > 0", name="version"),
    )


def _of_job() -> sa.Column[int]:
    return sa.Column("job_id", sa.Integer, sa.ForeignKey("job.id"), nullable=False)


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _unique(name: str, *columns: str, where: str) -> sa.Index:
    """Return a unique index over some rows only."""
    return sa.Index(name, *columns, unique=True, sqlite_where=sa.text(where), postgresql_where=sa.text(where))


amp: Final = _kept(
    "amp",
    sa.Column("uuid", sa.String(36), nullable=False),
    _text("name"),
    _text("serial"),
    _text("notes"),
    sa.Column("rated_w", sa.Double),
    sa.UniqueConstraint("uuid"),
    _unique("ix_amp_name", "name", "serial", where="serial <> '' AND deleted_us IS NULL"),
)

job: Final = _kept(
    "job",
    sa.Column("uuid", sa.String(36), nullable=False),
    sa.Column("amp_id", sa.Integer, sa.ForeignKey("amp.id"), nullable=False),
    _text("customer"),  # the customer's reference, no person's name
    _text("complaint"),
    _text("shows"),
    _text("condition"),
    _text("state"),
    sa.Column("received_us", sa.BigInteger, nullable=False),
    sa.Column("closed_us", sa.BigInteger),
    sa.UniqueConstraint("uuid"),
    sa.CheckConstraint(
        "state IN ('received', 'on the bench', 'soaking', 'waiting for parts', 'waiting for customer', "
        "'ready', 'collected')",
        name="state",
    ),
    sa.CheckConstraint("(state = 'collected') = (closed_us IS NOT NULL)", name="closed"),
    sa.Index("ix_job_amp_id", "amp_id"),
)

valve: Final = _kept(
    "valve",
    sa.Column("uuid", sa.String(36), nullable=False),
    _text("label"),
    _text("type"),
    _text("batch"),
    sa.Column("seller_a", sa.Double),
    sa.Column("seller_s", sa.Double),
    _text("seller_note"),
    _text("notes"),
    sa.UniqueConstraint("uuid"),
    _unique("ix_valve_label", "label", where="deleted_us IS NULL"),
)

fitting: Final = _kept(
    "fitting",
    sa.Column("amp_id", sa.Integer, sa.ForeignKey("amp.id"), nullable=False),
    sa.Column("valve_id", sa.Integer, sa.ForeignKey("valve.id"), nullable=False),
    _text("socket"),
    _text("how"),
    sa.Column("fitted_us", sa.BigInteger, nullable=False),
    sa.Column("removed_us", sa.BigInteger),
    _text("why_removed"),
    sa.Column("job_id", sa.Integer, sa.ForeignKey("job.id")),
    sa.Column("out_job_id", sa.Integer, sa.ForeignKey("job.id", name="fk_fitting_out_job")),
    sa.CheckConstraint("how IN ('found', 'fitted')", name="how"),
    sa.CheckConstraint("removed_us IS NULL OR removed_us >= fitted_us", name="order"),
    _unique("ix_fitting_socket", "amp_id", "socket", where="removed_us IS NULL AND deleted_us IS NULL"),
    _unique("ix_fitting_valve", "valve_id", where="removed_us IS NULL AND deleted_us IS NULL"),
    sa.Index("ix_fitting_valve_id", "valve_id"),
)

fuse: Final = _kept(
    "fuse",
    _of_job(),
    _text("position"),
    _text("found"),
    _text("marked"),
    _text("fitted"),
    _unique("ix_fuse_position", "job_id", "position", where="deleted_us IS NULL"),
)

checklist_item: Final = _kept(
    "checklist_item",
    _of_job(),
    sa.Column("place", sa.Integer, nullable=False),
    _text("section"),
    _text("what"),
    _text("caution"),
    _text("asks"),
    sa.Column("result", sa.Text),
    sa.Column("value", sa.Double),
    _text("note"),
    sa.Column("done_us", sa.BigInteger),
    _text("done_by"),
    sa.CheckConstraint("result IN ('fine', 'fault', 'does not apply')", name="result"),
    sa.CheckConstraint("(result IS NULL) = (done_us IS NULL)", name="done"),
    sa.Index("ix_checklist_item_job_id", "job_id"),
)

work_item: Final = _kept(
    "work_item",
    _of_job(),
    _text("what"),
    _text("part"),
    sa.Column("quantity", sa.Double),
    sa.Column("minutes", sa.Double),
    sa.CheckConstraint("quantity > 0", name="quantity"),
    sa.CheckConstraint("minutes >= 0", name="minutes"),
    sa.Index("ix_work_item_job_id", "job_id"),
)

remark: Final = _kept("remark", _of_job(), _text("text"), sa.Index("ix_remark_job_id", "job_id"))

bench_reading: Final = _kept(
    "bench_reading",
    _of_job(),
    sa.Column("taken_us", sa.BigInteger, nullable=False),
    _text("stage"),
    _text("quantity"),
    _text("place"),
    sa.Column("value", sa.Double, nullable=False),
    _text("unit"),
    sa.Column("uncertainty", sa.Double),
    _text("instrument"),
    sa.Column("load_ohm", sa.Double),
    sa.Column("tap_ohm", sa.Double),
    _text("weighting"),
    _text("bandwidth"),
    sa.Column("least", sa.Double),
    sa.Column("most", sa.Double),
    _text("limit_source"),
    _text("note"),
    sa.CheckConstraint("stage IN ('as found', 'as left')", name="stage"),
    sa.CheckConstraint("uncertainty >= 0", name="uncertainty"),
    sa.Index("ix_bench_reading_job_id", "job_id"),
)

photograph: Final = _kept(
    "photograph",
    _of_job(),
    sa.Column("checksum", sa.String(64), nullable=False),
    _text("kind"),
    sa.Column("size_bytes", sa.BigInteger, nullable=False),
    sa.Column("width_px", sa.Integer, nullable=False),
    sa.Column("height_px", sa.Integer, nullable=False),
    _text("name"),
    _text("caption"),
    sa.CheckConstraint("kind IN ('jpeg', 'png')", name="kind"),
    _unique("ix_photograph_checksum", "job_id", "checksum", where="deleted_us IS NULL"),
)

overruling: Final = sa.Table(
    "overruling",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    _of_job(),
    _text("statement"),
    _text("reason"),
    sa.Column("made_us", sa.BigInteger, nullable=False),
    _text("made_by"),
    sa.CheckConstraint(
        "statement IN ('pass', 'conditional pass', 'conditional fail', 'fail')", name="statement"
    ),
    sa.CheckConstraint("reason <> '' AND made_by <> ''", name="signed"),
    sa.Index("ix_overruling_job_id", "job_id"),
)

history: Final = sa.Table(
    "history",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("job_id", sa.Integer, sa.ForeignKey("job.id")),  # NULL: of an amp or a valve
    _text("table_name"),
    sa.Column("row_id", sa.Integer, nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    _text("field"),
    _text("was"),
    _text("became"),
    sa.Column("made_us", sa.BigInteger, nullable=False),
    _text("made_by"),
    sa.UniqueConstraint("table_name", "row_id", "version", "field", name="uq_history_field"),
    sa.Index("ix_history_job_id", "job_id"),
)

KEPT: Final = (
    amp,
    job,
    valve,
    fitting,
    fuse,
    checklist_item,
    work_item,
    remark,
    bench_reading,
    photograph,
)
"""The tables whose rows are edited with history."""
