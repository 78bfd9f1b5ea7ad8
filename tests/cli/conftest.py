"""The small project of tests/run serves the command line's tests too."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "run"))
