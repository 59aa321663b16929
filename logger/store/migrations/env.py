"""Runs the migrations on the connection that the store's writer hands over."""

from alembic import context

from logger.store.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    # The writer begins its transactions itself, so that a table made is a table rolled back.
    transactional_ddl=True,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
