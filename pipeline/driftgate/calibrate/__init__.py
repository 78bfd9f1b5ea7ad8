"""From measured drives to the numbers of the error sources, with their uncertainty."""
