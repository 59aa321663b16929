'''The tables of a store, the same in SQLite and elsewhere; every constraint has a name.

Times in `*_us` are whole microseconds: `started_us`, `ended_us`, `made_us` and `last_seen_us` since 1970 in
UTC, every other since the soak's first scan. `*_s` are seconds since the soak's first scan. What does not
exist is NULL. Columns that hold a list or a table of their own (`daq`, `now`, `verdict`, `checks`,
`channels`, `evidence`) are JSON text without NaN. Alembic makes the tables (`migrations/versions`);
`metadata` here is what the code works with, and a test holds the two together.

**scan**: one row a second of a soak that has scans, key `(soak_id, t0_s)`. Its `data` are, little-endian
and without padding,

- n times int32: the scans' microseconds after `t0_s`;
- then for each channel in order n counts, as the DAQ sent them: int16 if every count of the row fits,
  else int32 (the length tells which: 4 n + 2 n c or 4 n + 4 n c bytes for c channels).

The least value of the type (-32768, -2147483648) is "no reading". A 16-bit converter's own -32768 is
railed low and stored as -32767. `sequence` is the first scan's sequence number; the others follow one by
one, unless `sequences` is there: then it holds n times int64, every scan's number. A running soak's last
row is written again while its second fills.

**rollup**: closed buckets of 10 s and 60 s, one row for each channel that gave a reading in the bucket:
number, least, greatest and sum of its raw counts, "no reading" left out, railed counts taken in. The view
`rollup_in_units` has them in A, V or degC (a channel that is not linear in volts at the converter).

**calibration**: what `soakbench calibrate` found of a board, never changed afterwards; `channels` has for
each channel's name gain, offset, their uncertainties and what it was wired as. Counts are stored as they
came, so a soak can be looked at with any; `soak.calibration_id` is the one it was watched and judged with.

**soak**: one run. `ended_us` is `started_us` plus what has gone by since, so that it is right between the two
also where the computer's clock was set meanwhile; `last_seen_us` is that clock as it was read when the last
scan came, and `last_ms` the DAQ's own counter (milliseconds, unsigned 32-bit) of that scan: a daemon that is
started again works out from them how long nothing was recorded.

**request**: what a person asked of the running daemon (`logger/requests.py` has the words of `ask`), by any
program that takes the lock file beside the store for its insert. It is made as `asked`, with neither soak nor
`t_us`; the daemon looks every 0.2 s and answers: `done` or `refused` with the `reason`, with its soak and the
time of the last scan that it had seen, both NULL where it had none. What was done stands in `mark` too, in
the request's words. Whoever asked may withdraw what is still `asked`, as `refused` with neither.

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
'''

from __future__ import annotations

from typing import Final

import sqlalchemy as sa

REVISION: Final = "0004"
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
    sa.UniqueConstraint("uuid"),
    sa.CheckConstraint("kind IN ('as left', 'as found')", name="kind"),
    sa.CheckConstraint("how IN ('finished', 'stopped', 'broken off')", name="how"),
    sa.CheckConstraint("(ended_us IS NULL) = (how IS NULL)", name="ended"),
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
