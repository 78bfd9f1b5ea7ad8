"""Arguments in, exit status out; the one error boundary."""
