"""Whatever is asked of the pages, alerts leave as ever. It takes all of the machine, so it is no part of
the ordinary run."""

import statistics
import subprocess
import sys

from daemon import HERE, rung
from world import CONTACTS, instant, plan_text

# Sixty points, none twice: the longest page that there is.
POINTS = "\n".join(
    f'[[waypoint]]\nname = "Point {n}, where the drift begins again"\n'
    f'position = "48.{5440 + 15 * (n % 30):04} -123.{2020 + 40 * (n % 7):04}"\n'
    for n in range(59))
MANY = 450


def long_plan():
    return plan_text(returns_in_s=36000).replace("[[crew]]", POINTS + "\n[[crew]]", 1)


def test_a_crowd_at_the_longest_page_holds_up_no_alert(daemon_with, mailbox):
    daemon = daemon_with(ladder=[rung("overdue", ["contacts"], "call-rescue")], grace="20s")
    page = daemon.file(long_plan(), "long")["links"]["crew"].removeprefix(daemon.base_url)
    filed = daemon.file(plan_text(returns_in_s=10))
    crowd = subprocess.Popen([sys.executable, HERE / "crowd.py", str(MANY), str(daemon.port), page],
                             stdout=subprocess.PIPE)
    try:
        alerts = [mailbox.wait("call-rescue", to, timeout=120) for to in CONTACTS]
    finally:
        crowd.kill()
        waited = [float(line) for line in crowd.stdout.read().split()]
    assert len(waited) > MANY, "the crowd was never there, and the case shows nothing"
    late = max(alert.arrived for alert in alerts) - instant(filed["overdue_at"])
    usual = statistics.median(waited)
    print(f"late by {late:.2f} s; a page took {usual:.2f} s, and {daemon.memory_mb():.0f} MB in all")
    assert late < usual / 4
