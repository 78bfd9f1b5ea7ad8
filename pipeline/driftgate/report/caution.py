"""What a pass is not: printed with every report that people read."""

from __future__ import annotations

SHORT = "A prediction, not a safety assessment: keep clear of a moving robot and have someone at the stop."

FULL: tuple[str, ...] = (
    "A pass is a prediction that the next measured run may correct.",
    "The confidence covers sampling, not the model.",
    "It is no safety assessment.",
    "Keep clear of a moving robot, power it down before reaching in, and wear eye protection.",
    "Have someone at the stop whenever the robot may move.",
    "Follow the event's and the school's rules and qualified supervision.",
)
