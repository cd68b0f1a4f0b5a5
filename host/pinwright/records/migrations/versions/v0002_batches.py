"""Batches, and which test was made in one."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_table(
        "batches",
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("size", sa.BigInteger, nullable=False),
        sa.Column("mtime", sa.BigInteger, nullable=False),
        sa.Column("id", sa.Text, nullable=False),
        sa.Column("series", sa.Text, nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("readable", sa.Boolean, nullable=False),
        sa.Column("sealed", sa.Boolean, nullable=False),
        sa.Column("profile", sa.Text, nullable=False),
        sa.Column("profile_sha256", sa.Text, nullable=False),
        sa.Column("cables", sa.Integer, nullable=False),
        sa.Column("operator", sa.Text, nullable=False),
        sa.Column("started", sa.Text, nullable=False),
        sa.Column("simulated", sa.Boolean, nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_batches"),
    )
    op.create_index("ix_batches_series_number", "batches", ["series", "number"])
    op.add_column("tests", sa.Column("batch", sa.Text, nullable=False, server_default=sa.text("''")))
    op.add_column("tests", sa.Column("item", sa.Integer, nullable=False, server_default="0"))
    op.add_column("tests", sa.Column("seconds", sa.Integer, nullable=False, server_default="0"))
    op.create_index("ix_tests_batch", "tests", ["batch"])
    # What the new columns hold stands in the records: they are read once more.
    op.execute("UPDATE tests SET mtime = -1")
    op.execute("UPDATE folder SET stamp = NULL")
