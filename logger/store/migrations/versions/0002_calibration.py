"""Calibrations of a board; a soak keeps the one it was watched with, and its checks before power."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from logger.store.migrations.dialect import recreated

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the table, and two columns to the soaks."""
    op.create_table(
        "calibration",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("board_id", sa.Text, nullable=False),
        sa.Column("made_us", sa.BigInteger, nullable=False),
        sa.Column("made_by", sa.Text, nullable=False),
        sa.Column("instrument", sa.Text, nullable=False),
        sa.Column("program", sa.Text, nullable=False),
        sa.Column("channels", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration")),
    )
    op.create_index(op.f("ix_calibration_board_id"), "calibration", ["board_id", "made_us"])
    with op.batch_alter_table("soak", recreate=recreated()) as soak:
        soak.add_column(sa.Column("calibration_id", sa.Integer))
        soak.add_column(sa.Column("checks", sa.Text))
        soak.create_foreign_key(op.f("fk_soak_calibration"), "calibration", ["calibration_id"], ["id"])
