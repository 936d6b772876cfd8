"""Put what was measured into tables, lines to draw and sentences."""

from bandkit.tell.result import tell

__all__ = ["tell"]
