"""toothcheck: how worn is this sprocket, and how sure can one photo be."""

__version__ = "0.1.0"
