"""Weather, sun and clouds of a place."""

__all__ = []
