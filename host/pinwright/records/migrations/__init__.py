"""The way from the tables of earlier versions to those of this one. `index` walks it, with alembic."""
