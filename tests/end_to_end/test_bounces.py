"""A letter that a relay took and that comes back: `shorelamp bounce` reads the report."""

import sqlite3
import time

from daemon import rung
from world import FIRST, KEEPER, SECOND, plan_text

REPORT = """\
From: Mail Delivery Subsystem <MAILER-DAEMON@mx.example.org>
To: <{to}>
Subject: Returned mail
Auto-Submitted: auto-replied
MIME-Version: 1.0
Content-Type: multipart/report; report-type=delivery-status; boundary="x"

--x
Content-Type: text/plain

It came back.
--x
Content-Type: message/delivery-status

Reporting-MTA: dns; mx.example.org

Final-Recipient: rfc822; somebody@example.org
Action: {action}
Status: {status}

--x--
"""


def takes_reports(daemon):
    daemon.stop()
    text = daemon.settings.read_text()
    daemon.settings.write_text(text.replace("[mail]\n", '[mail]\nbounces = "back@example.org"\n'))
    daemon.start()


def test_an_alert_that_comes_back_for_its_words_goes_again_in_ours(daemon_with, mailbox):
    # RFC 3463, 3.8: X.7.1 is said of what a rule refuses, as spam is.
    daemon = daemon_with(ladder=[
        rung("overdue", ["contact:1"], "overdue"),
        rung("overdue+60m", ["contacts", "keeper"], "call-rescue"),
    ])
    takes_reports(daemon)
    daemon.file(plan_text(returns_in_s=4))
    alert = mailbox.wait("overdue", FIRST)
    crew = "Maren"
    assert crew in alert.flat
    daemon.run("bounce", stdin=REPORT.format(to=alert.sender, action="failed", status="5.7.1"))
    plain = mailbox.wait("call-rescue", FIRST)
    assert crew not in plain.flat and "/contact/" in plain.flat
    # Nobody else's is the poorer for it.
    assert crew in mailbox.wait("call-rescue", SECOND).flat
    assert "plain words" in mailbox.wait("trouble", KEEPER).flat


def test_what_came_back_for_its_words_leaves_memory_in_ours_too(daemon_with, mailbox):
    daemon = daemon_with(ladder=[rung("overdue", ["contacts"], "call-rescue")])
    takes_reports(daemon)
    daemon.file(plan_text(returns_in_s=20))
    filed = mailbox.wait("filed", FIRST)
    daemon.run("bounce", stdin=REPORT.format(to=filed.sender, action="failed", status="5.7.1"))
    mailbox.wait("trouble", KEEPER)
    # What another program wrote is in the memory once the service reads it anew.
    daemon.stop()
    daemon.start()
    time.sleep(2)
    other = sqlite3.connect(daemon.folder / "var" / "shorelamp.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        whole, plain = mailbox.wait("call-rescue", SECOND), mailbox.wait("call-rescue", FIRST)
        assert "from memory" in whole.flat and "Maren" in whole.flat
        assert "Maren" not in plain.flat and "People aboard" in plain.flat
    finally:
        other.close()


def test_a_letter_that_comes_back_moves_the_ladder(daemon_with, mailbox):
    # Without the report the second rung would come after five minutes.
    daemon = daemon_with(ladder=[
        rung("overdue", ["contact:1"], "overdue"),
        rung("overdue+5m", ["contacts"], "overdue"),
        rung("overdue+10m", ["contacts", "keeper"], "call-rescue"),
    ])
    takes_reports(daemon)
    daemon.file(plan_text(returns_in_s=4))
    alert = mailbox.wait("overdue", FIRST)
    assert alert.sender.startswith("back+") and alert.sender.endswith("@example.org")

    def bounce(to, action):
        return daemon.run("bounce", stdin=REPORT.format(to=to, action=action, status="5.1.1"))

    forged = alert.sender[:-len("@example.org") - 1] + "x@example.org"
    for to, action in ((forged, "failed"), (alert.sender, "delayed"),
                       (alert.sender, "delivered"), ("back@example.org", "failed")):
        bounce(to, action)
    assert not any("came back" in letter.flat for letter in mailbox.of("trouble"))
    bounce(alert.sender, "failed")
    # The next rung goes at once, and crew and keeper hear why.
    mailbox.wait("overdue", SECOND)
    assert "came back" in mailbox.wait("trouble", KEEPER).flat
