"""Exceptions of driftgate's own. Anything else that escapes is a fault in the tool (status 3)."""

from __future__ import annotations


class DriftgateError(Exception):
    """Base of every error that driftgate raises on purpose."""


class ModelError(DriftgateError):
    """A value handed to a stage through the Python interface is outside its domain."""


class UnitError(DriftgateError, ValueError):
    """A text is not a quantity of the dimension asked for; the message says what was expected."""
