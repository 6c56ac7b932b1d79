"""Runs the steps over the connection that ``store.py`` hands in."""

from __future__ import annotations

from alembic import context

from slowglass.learn.logbook.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
