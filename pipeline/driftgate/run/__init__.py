"""Each command as a short list of stages."""
