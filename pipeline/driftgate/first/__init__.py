"""The first project of somebody who has none: robot, field map, routine, workflow, as name to text."""
