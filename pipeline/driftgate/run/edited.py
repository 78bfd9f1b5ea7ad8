"""A robot file with what was found in it, sound, or a reason why not."""

from __future__ import annotations

from collections.abc import Sequence

from driftgate.calibrate.found import FoundSource
from driftgate.load.compose import compose
from driftgate.load.document import Document
from driftgate.load.text import split_lines
from driftgate.load.validate import validated_data
from driftgate.report.robot_edit import edited_robot
from driftgate.report.robot_section import Origin
from driftgate.run.status import InputError


def edited_text(
    document: Document, sources: Sequence[FoundSource], origin: Origin, confidence: float, of: str
) -> str:
    """Return the text of a robot file with error sources replaced or added; arguments as in `edited_robot`.

    Raises
    ------
    EditError
        If the file is laid out so that it cannot be edited.
    InputError
        If what was found, `of` whatever it comes from, is nothing that a robot file may hold.
    """
    text = edited_robot(document, sources, origin, confidence)
    composed = compose(text, document.path, split_lines(text))
    if composed.findings or validated_data(composed.data, "robot").model is None:
        raise InputError(f"what was found is beyond what a robot file may hold: look for a slip in {of}")
    return text
