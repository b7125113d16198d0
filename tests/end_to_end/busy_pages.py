"""Whatever is asked of the pages, alerts leave as ever. It takes all of the machine, so it is no part of
the ordinary run."""

import statistics
import subprocess
import sys
import time

import pytest
from daemon import HERE, request, rung
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
    # Most are told to come again.
    assert len(waited) > 20, "the crowd was never there, and the case shows nothing"
    late = max(alert.arrived for alert in alerts) - instant(filed["overdue_at"])
    usual = statistics.median(waited)
    print(f"late by {late:.2f} s; a page took {usual:.2f} s, and {daemon.memory_mb():.0f} MB in all")
    assert late < 3


# What the crowd may cost, beside what the service holds once it has judged and drawn five hundred points.
MOST_MB = 150


@pytest.mark.parametrize("how", ["GET", "POST", "export", "unread"])
def test_whoever_asks_for_too_much_delays_no_check_in(daemon_with, how):
    daemon = daemon_with(grace="20s")
    filed = daemon.file(plan_text(returns_in_s=36000), "long")
    plan = daemon.api("GET", f"/api/v1/plans/{filed['ref']}/export").json["plan"]
    plan["waypoint"] = [
        {"name": f"Point {n}, where the drift begins once again, and the tide with it",
         "position": f"48.{5000 + 7 * (n * 37 % 500):04} -123.{1000 + 11 * (n * 91 % 500):04}"}
        for n in range(500)]
    amended = daemon.api("POST", filed["links"]["amend"], plan, Content_Type="application/json")
    assert amended.status == 200, amended
    page = filed["links"]["crew"].removeprefix(daemon.base_url)
    path = f"/api/v1/plans/{filed['ref']}/export" if how == "export" else page
    other = daemon.post_plan(plan_text(returns_in_s=3600), "other", key=daemon.new_key("Other")).json
    before = daemon.memory_mb()
    crowd = subprocess.Popen([sys.executable, HERE / "crowd.py", str(MANY), str(daemon.port), path,
                              how, daemon.key], stdout=subprocess.PIPE)
    try:
        time.sleep(6)
        began = time.monotonic()
        home = request("POST", other["links"]["checkin"], {}, timeout=60)
        took = time.monotonic() - began
        # One of another key's who looks gets the page too.
        began = time.monotonic()
        assert request("GET", other["links"]["crew"], timeout=60).status == 200
        page_took = time.monotonic() - began
        time.sleep(4)
        grew = daemon.memory_mb() - before
    finally:
        crowd.kill()
    answers = len(crowd.stdout.read().split())
    assert answers or how == "unread", "the crowd was never there, and the case shows nothing"
    print(f"{how}: a check-in took {took:.2f} s, another's page {page_took:.2f} s, "
          f"{grew:.0f} MB more")
    assert home.status == 200 and took < 5, home
    assert grew < MOST_MB
