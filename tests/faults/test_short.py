"""The short run of every test run: some kills of the debug build, judged as the long ones are."""

import os
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
DEBUG = HERE.parent.parent / "target" / "debug" / "shorelamp"


def test_twenty_five_kills_lose_nothing_and_alarm_nobody_in_vain():
    ended = subprocess.run(
        [sys.executable, HERE / "crashes.py", "kills", "--times", "25"],
        capture_output=True, text=True, timeout=300, check=False,
        env=os.environ | {"SHORELAMP_BIN": os.environ.get("SHORELAMP_BIN", str(DEBUG))})
    print(ended.stdout, ended.stderr)
    assert ended.returncode == 0, ended.stdout + ended.stderr
