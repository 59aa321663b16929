"""Alembic's history of the schema; run by the writer on a file, by `postgres.prepare` on a database."""
