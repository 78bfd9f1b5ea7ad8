"""A routine on a robot on a field to a nominal timeline."""
