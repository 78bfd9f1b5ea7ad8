"""What is said of a sensor that no fix comes from: plain words, kept without an array library."""

from __future__ import annotations

from dataclasses import dataclass

from driftgate.core.findings import DocPath


@dataclass(frozen=True)
class Silent:
    """A sensor from which no fix comes, or the whole correction.

    Attributes
    ----------
    sensor : str
        Its id; empty: no sensor gives a fix.
    message, suggestion : str
        What becomes of the readings instead, and what setting that goes back to.
    doc_path : DocPath
        The setting, in the robot's document.
    """

    sensor: str
    message: str
    suggestion: str
    doc_path: DocPath
