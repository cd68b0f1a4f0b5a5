"""Cables, tests, and remarks about them."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "folder",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("stamp", sa.Text),
        sa.Column("files", sa.Integer),
        sa.PrimaryKeyConstraint("id", name="pk_folder"),
    )
    op.execute("INSERT INTO folder (id, stamp) VALUES (1, NULL)")
    op.create_table(
        "cables",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("folded", sa.Text, nullable=False),
        sa.Column("serial", sa.Text, nullable=False),
        sa.Column("ordered", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_cables"),
        sa.UniqueConstraint("folded", name="uq_cables_folded"),
    )
    op.create_index("ix_cables_ordered", "cables", ["ordered"])
    op.create_table(
        "tests",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("cable_id", sa.Integer, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("size", sa.BigInteger, nullable=False),
        sa.Column("mtime", sa.BigInteger, nullable=False),
        sa.Column("serial", sa.Text, nullable=False),
        sa.Column("test", sa.Integer, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("documents", sa.Text, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("sealed", sa.Boolean, nullable=False),
        sa.Column("result", sa.Text, nullable=False),
        sa.Column("simulated", sa.Boolean, nullable=False),
        sa.Column("started", sa.Text, nullable=False),
        sa.Column("profile", sa.Text, nullable=False),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("revision", sa.Text, nullable=False),
        sa.Column("profile_sha256", sa.Text, nullable=False),
        sa.Column("operator", sa.Text, nullable=False),
        sa.Column("lane", sa.Text, nullable=False),
        sa.Column("findings", sa.Text, nullable=False),
        sa.Column("links", sa.Text, nullable=False),
        sa.Column("said", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_tests"),
        sa.ForeignKeyConstraint(["cable_id"], ["cables.id"], name="fk_tests_cable_id_cables"),
        sa.UniqueConstraint("name", name="uq_tests_name"),
    )
    op.create_index("ix_tests_cable_id_test", "tests", ["cable_id", "test"])
    op.create_index("ix_tests_profile_started", "tests", ["profile", "started"])
    op.create_index("ix_tests_started", "tests", ["started"])
    op.create_table(
        "strays",
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("cable_id", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_strays"),
        sa.ForeignKeyConstraint(["cable_id"], ["cables.id"], name="fk_strays_cable_id_cables"),
    )
    op.create_index("ix_strays_cable_id", "strays", ["cable_id"])
    op.create_table(
        "remarks",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("cable_id", sa.Integer, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("size", sa.BigInteger, nullable=False),
        sa.Column("mtime", sa.BigInteger, nullable=False),
        sa.Column("serial", sa.Text, nullable=False),
        sa.Column("test", sa.Integer, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("nth", sa.Integer, nullable=False),
        sa.Column("about_sha256", sa.Text, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("made", sa.Text, nullable=False),
        sa.Column("sealed", sa.Boolean, nullable=False),
        sa.Column("said", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_remarks"),
        sa.ForeignKeyConstraint(["cable_id"], ["cables.id"], name="fk_remarks_cable_id_cables"),
        sa.UniqueConstraint("name", name="uq_remarks_name"),
    )
    op.create_index("ix_remarks_cable_id_test_kind", "remarks", ["cable_id", "test", "kind"])
