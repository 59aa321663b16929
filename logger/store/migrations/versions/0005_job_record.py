"""The job record: amps, jobs, valves and where they sat, readings, work, photographs, every edit's history.

A soak may belong to a job.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from logger.store.migrations.dialect import on_postgresql, recreated

revision = "0005"
down_revision = "0004"

_STATES = (
    "state IN ('received', 'on the bench', 'soaking', 'waiting for parts', 'waiting for customer', "
    "'ready', 'collected')"
)
_SITS = "removed_us IS NULL AND deleted_us IS NULL"


def upgrade() -> None:
    """Add the tables, and a column to the soaks."""
    _people_and_things()
    _parts_of_a_job()
    op.create_table(
        "overruling",
        sa.Column("id", sa.Integer, nullable=False),
        _job(),
        *_texts("statement", "reason"),
        sa.Column("made_us", sa.BigInteger, nullable=False),
        *_texts("made_by"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_overruling")),
        _refers("overruling", "job"),
        sa.CheckConstraint(
            "statement IN ('pass', 'conditional pass', 'conditional fail', 'fail')",
            name=op.f("ck_overruling_statement"),
        ),
        sa.CheckConstraint("reason <> '' AND made_by <> ''", name=op.f("ck_overruling_signed")),
    )
    op.create_index(op.f("ix_overruling_job_id"), "overruling", ["job_id"])
    op.create_table(
        "history",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("job_id", sa.Integer),
        *_texts("table_name"),
        sa.Column("row_id", sa.Integer, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        *_texts("field", "was", "became"),
        sa.Column("made_us", sa.BigInteger, nullable=False),
        *_texts("made_by"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_history")),
        _refers("history", "job"),
        sa.UniqueConstraint("table_name", "row_id", "version", "field", name="uq_history_field"),
    )
    op.create_index(op.f("ix_history_job_id"), "history", ["job_id"])
    with op.batch_alter_table("soak", recreate=recreated()) as soak:
        soak.add_column(sa.Column("job_id", sa.Integer))
        soak.create_foreign_key(op.f("fk_soak_job"), "job", ["job_id"], ["id"])
    op.create_index(op.f("ix_soak_job_id"), "soak", ["job_id"])


def _people_and_things() -> None:
    _kept(
        "amp",
        sa.Column("uuid", sa.String(36), nullable=False),
        *_texts("name", "serial", "notes"),
        sa.Column("rated_w", sa.Double),
        sa.UniqueConstraint("uuid", name=op.f("uq_amp_uuid")),
    )
    _unique("ix_amp_name", "amp", ["name", "serial"], "serial <> '' AND deleted_us IS NULL")
    _kept(
        "job",
        sa.Column("uuid", sa.String(36), nullable=False),
        sa.Column("amp_id", sa.Integer, nullable=False),
        *_texts("customer", "complaint", "shows", "condition", "state"),
        sa.Column("received_us", sa.BigInteger, nullable=False),
        sa.Column("closed_us", sa.BigInteger),
        sa.UniqueConstraint("uuid", name=op.f("uq_job_uuid")),
        _refers("job", "amp"),
        sa.CheckConstraint(_STATES, name=op.f("ck_job_state")),
        sa.CheckConstraint("(state = 'collected') = (closed_us IS NOT NULL)", name=op.f("ck_job_closed")),
    )
    op.create_index(op.f("ix_job_amp_id"), "job", ["amp_id"])
    _kept(
        "valve",
        sa.Column("uuid", sa.String(36), nullable=False),
        *_texts("label", "type", "batch"),
        sa.Column("seller_a", sa.Double),
        sa.Column("seller_s", sa.Double),
        *_texts("seller_note", "notes"),
        sa.UniqueConstraint("uuid", name=op.f("uq_valve_uuid")),
    )
    _unique("ix_valve_label", "valve", ["label"], "deleted_us IS NULL")
    _kept(
        "fitting",
        sa.Column("amp_id", sa.Integer, nullable=False),
        sa.Column("valve_id", sa.Integer, nullable=False),
        *_texts("socket", "how"),
        sa.Column("fitted_us", sa.BigInteger, nullable=False),
        sa.Column("removed_us", sa.BigInteger),
        *_texts("why_removed"),
        sa.Column("job_id", sa.Integer),
        sa.Column("out_job_id", sa.Integer),
        _refers("fitting", "amp"),
        _refers("fitting", "valve"),
        _refers("fitting", "job"),
        sa.ForeignKeyConstraint(["out_job_id"], ["job.id"], name="fk_fitting_out_job"),
        sa.CheckConstraint("how IN ('found', 'fitted')", name=op.f("ck_fitting_how")),
        sa.CheckConstraint("removed_us IS NULL OR removed_us >= fitted_us", name=op.f("ck_fitting_order")),
    )
    _unique("ix_fitting_socket", "fitting", ["amp_id", "socket"], _SITS)
    _unique("ix_fitting_valve", "fitting", ["valve_id"], _SITS)
    op.create_index(op.f("ix_fitting_valve_id"), "fitting", ["valve_id"])


def _parts_of_a_job() -> None:
    _of_job("fuse", *_texts("position", "found", "marked", "fitted"))
    _unique("ix_fuse_position", "fuse", ["job_id", "position"], "deleted_us IS NULL")
    _of_job(
        "checklist_item",
        sa.Column("place", sa.Integer, nullable=False),
        *_texts("section", "what", "caution", "asks"),
        sa.Column("result", sa.Text),
        sa.Column("value", sa.Double),
        *_texts("note"),
        sa.Column("done_us", sa.BigInteger),
        *_texts("done_by"),
        sa.CheckConstraint(
            "result IN ('fine', 'fault', 'does not apply')", name=op.f("ck_checklist_item_result")
        ),
        sa.CheckConstraint("(result IS NULL) = (done_us IS NULL)", name=op.f("ck_checklist_item_done")),
    )
    _of_job(
        "work_item",
        *_texts("what", "part"),
        sa.Column("quantity", sa.Double),
        sa.Column("minutes", sa.Double),
        sa.CheckConstraint("quantity > 0", name=op.f("ck_work_item_quantity")),
        sa.CheckConstraint("minutes >= 0", name=op.f("ck_work_item_minutes")),
    )
    _of_job("remark", *_texts("text"))
    _of_job(
        "bench_reading",
        sa.Column("taken_us", sa.BigInteger, nullable=False),
        *_texts("stage", "quantity", "place"),
        sa.Column("value", sa.Double, nullable=False),
        *_texts("unit"),
        sa.Column("uncertainty", sa.Double),
        *_texts("instrument"),
        sa.Column("load_ohm", sa.Double),
        sa.Column("tap_ohm", sa.Double),
        *_texts("weighting", "bandwidth"),
        sa.Column("least", sa.Double),
        sa.Column("most", sa.Double),
        *_texts("limit_source", "note"),
        sa.CheckConstraint("stage IN ('as found', 'as left')", name=op.f("ck_bench_reading_stage")),
        sa.CheckConstraint("uncertainty >= 0", name=op.f("ck_bench_reading_uncertainty")),
    )
    _of_job(
        "photograph",
        sa.Column("checksum", sa.String(64), nullable=False),
        *_texts("kind"),
        sa.Column("size_bytes", sa.BigInteger, nullable=False),
        sa.Column("width_px", sa.Integer, nullable=False),
        sa.Column("height_px", sa.Integer, nullable=False),
        *_texts("name", "caption"),
        sa.CheckConstraint("kind IN ('jpeg', 'png')", name=op.f("ck_photograph_kind")),
    )
    _unique("ix_photograph_checksum", "photograph", ["job_id", "checksum"], "deleted_us IS NULL")
    for table in ("checklist_item", "work_item", "remark", "bench_reading"):
        op.create_index(op.f(f"ix_{table}_job_id"), table, ["job_id"])


def _job() -> sa.Column[int]:
    return sa.Column("job_id", sa.Integer, nullable=False)


def _of_job(name: str, *columns: sa.schema.SchemaItem) -> None:
    _kept(name, _job(), *columns, _refers(name, "job"))


def _kept(name: str, *columns: sa.schema.SchemaItem) -> None:
    op.create_table(
        name,
        sa.Column("id", sa.Integer, nullable=False),
        *columns,
        sa.Column("made_us", sa.BigInteger, nullable=False),
        *_texts("made_by"),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("deleted_us", sa.BigInteger),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{name}")),
        sa.CheckConstraint("version > 0", name=op.f(f"ck_{name}_version")),
    )


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _refers(table: str, to: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([f"{to}_id"], [f"{to}.id"], name=op.f(f"fk_{table}_{to}"))


def _unique(name: str, table: str, columns: list[str], where: str) -> None:
    # benches that are collected together may each have an amp, or a label, of one name
    op.create_index(op.f(name), table, columns, unique=not on_postgresql(), sqlite_where=sa.text(where))
