"""Distributions and tolerances to verdicts."""
