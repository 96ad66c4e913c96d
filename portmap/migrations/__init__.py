"""The steps that bring an archive from each schema to the next; run by `portmap.archive_tables`."""

__all__: list[str] = []
