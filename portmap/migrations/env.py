"""Where alembic starts: the connection comes from `portmap.archive_tables.upgraded`, in its transaction."""

from alembic import context

__all__: list[str] = []


def run() -> None:
    """Run the migrations on the connection that was handed over."""
    context.configure(connection=context.config.attributes["connection"], target_metadata=None)
    context.run_migrations()


# the module is run by alembic, which sets up `context` before; imported by others it does nothing
if hasattr(context, "_proxy") and context._proxy is not None:
    run()
