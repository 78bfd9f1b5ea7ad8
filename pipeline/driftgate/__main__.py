"""`python -m driftgate`."""

from driftgate.cli.main import entry

if __name__ == "__main__":
    entry()
