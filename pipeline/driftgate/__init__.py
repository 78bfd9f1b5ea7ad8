"""driftgate: predict whether an autonomous routine still ends within tolerance."""

__version__ = "0.1.0"
