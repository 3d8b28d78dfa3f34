"""The monthly audit of home enteral feeding orders and supplies."""

__version__ = "0.1.0"
