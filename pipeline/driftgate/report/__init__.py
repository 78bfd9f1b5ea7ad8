"""Verdicts to what people and machines read."""
