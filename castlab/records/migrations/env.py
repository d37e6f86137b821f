"""Alembic's entry: run the migrations on the connection that `castlab.records.store` hands over."""

from alembic import context

from castlab.records.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
