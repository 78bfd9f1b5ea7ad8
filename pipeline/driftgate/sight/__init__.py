"""Which surface each beam meets along the plan, and why a fix is possible or not."""
