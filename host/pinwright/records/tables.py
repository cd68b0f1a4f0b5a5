"""The tables of the index: what the files of a folder of records say, a row each.

Everything in them comes from the files and can be made of them again. HEAD is the revision that these tables
are; `migrations/` leads there from every earlier one.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
    text,
)

HEAD = "0002"

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _named() -> tuple[Column[int] | Column[str], ...]:
    """Of a file that is named after a cable and its test: name, size, mtime (ns; -1 where it has to be read
    again), and serial, test and kind as the name has them."""
    return (
        Column("id", Integer, primary_key=True),
        Column("cable_id", Integer, ForeignKey("cables.id"), nullable=False),
        Column("name", Text, nullable=False),
        Column("size", BigInteger, nullable=False),
        Column("mtime", BigInteger, nullable=False),
        Column("serial", Text, nullable=False),
        Column("test", Integer, nullable=False),
        Column("kind", Text, nullable=False),
    )


# One row. stamp: which folder it was, with its times (index._stamp), when the tables were last in step with
# it, if any later change is sure to give it another; else NULL. files: how many names a person saw in it
# then.
folder = Table(
    "folder",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("stamp", Text),
    Column("files", Integer),
)

# One row for each serial that a file is named after. folded: the serial in lower case. serial: as its first
# test spells it, empty where no record has it. ordered: see rows.in_order.
cables = Table(
    "cables",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("folded", Text, nullable=False),
    Column("serial", Text, nullable=False),
    Column("ordered", Text, nullable=False),
    UniqueConstraint("folded"),
    Index(None, "ordered"),
)

# One row for each record. documents: the names of what lies beside it, a line each. said: what words are
# looked for in, in lower case. findings, links: JSON, as entries.Measured has them.
tests = Table(
    "tests",
    metadata,
    *_named(),
    Column("documents", Text, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("sealed", Boolean, nullable=False),
    Column("result", Text, nullable=False),
    Column("simulated", Boolean, nullable=False),
    Column("started", Text, nullable=False),
    Column("profile", Text, nullable=False),
    Column("title", Text, nullable=False),
    Column("revision", Text, nullable=False),
    Column("profile_sha256", Text, nullable=False),
    Column("operator", Text, nullable=False),
    Column("lane", Text, nullable=False),
    Column("findings", Text, nullable=False),
    Column("links", Text, nullable=False),
    Column("said", Text, nullable=False),
    Column("batch", Text, nullable=False, server_default=text("''")),
    Column("item", Integer, nullable=False, server_default="0"),
    Column("seconds", Integer, nullable=False, server_default="0"),
    UniqueConstraint("name"),
    Index(None, "cable_id", "test"),
    Index(None, "profile", "started"),
    Index(None, "started"),
    Index(None, "batch"),
)

# Files that are named like a record or what was drawn from one, and that no row of `tests` names: documents
# whose record is gone, and second spellings of a name, also of a record's that has a row. Their serials are
# used.
strays = Table(
    "strays",
    metadata,
    Column("name", Text, primary_key=True),
    Column("cable_id", Integer, ForeignKey("cables.id"), nullable=False),
    Index(None, "cable_id"),
)

# One row for each note and withdrawal. nth: the how-manieth of its kind about this test. said: as of tests.
remarks = Table(
    "remarks",
    metadata,
    *_named(),
    Column("nth", Integer, nullable=False),
    Column("about_sha256", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("by", Text, nullable=False),
    Column("made", Text, nullable=False),
    Column("sealed", Boolean, nullable=False),
    Column("said", Text, nullable=False),
    UniqueConstraint("name"),
    Index(None, "cable_id", "test", "kind"),
)

# One row for each batch. id, folded: as its file is named, and in lower case. number: the how-manieth of its
# profile; series: that profile's id, in lower case.
batches = Table(
    "batches",
    metadata,
    Column("name", Text, primary_key=True),
    Column("size", BigInteger, nullable=False),
    Column("mtime", BigInteger, nullable=False),
    Column("id", Text, nullable=False),
    Column("series", Text, nullable=False),
    Column("number", Integer, nullable=False),
    Column("readable", Boolean, nullable=False),
    Column("sealed", Boolean, nullable=False),
    Column("profile", Text, nullable=False),
    Column("profile_sha256", Text, nullable=False),
    Column("cables", Integer, nullable=False),
    Column("operator", Text, nullable=False),
    Column("started", Text, nullable=False),
    Column("simulated", Boolean, nullable=False),
    Index(None, "series", "number"),
)
