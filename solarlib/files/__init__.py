"""People's files in: clean tables and an account of every row out; kept records."""

__all__ = []
