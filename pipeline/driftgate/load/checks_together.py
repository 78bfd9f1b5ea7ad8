"""What a routine, its robot and its field map say only together."""

from __future__ import annotations

from driftgate.core.findings import Finding
from driftgate.load.checks_case import check_start, check_targets
from driftgate.load.checks_correction import check_fixes
from driftgate.load.checks_mirror import check_mirror
from driftgate.load.checks_sensor import check_seen_heights
from driftgate.load.document import Document


def check_together(routine: Document, robot: Document, field: Document) -> list[Finding]:
    """Return how three documents, each sound in itself, do not fit each other."""
    return [
        *check_start(routine, robot, field),
        *check_targets(routine, robot, field),
        *check_mirror(routine, field),
        *check_fixes(routine, robot),
        *check_seen_heights(robot, field),
    ]
