"""The archive's schema, one step a file."""

__all__: list[str] = []
