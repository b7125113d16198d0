"""Shares what stands round the daemon with the end-to-end cases."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "end_to_end"))
