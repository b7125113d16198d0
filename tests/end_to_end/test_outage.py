"""The daemon was away while rungs fell due."""

import re
import time

from daemon import rung
from world import CONTACTS, FIRST, KEEPER, NAMES, SECOND, instant, plan_text


def away_until(daemon, at):
    daemon.kill()
    time.sleep(max(0, at - time.time()))
    daemon.start()


def told_late(letter):
    assert re.search(r"\blate", letter.flat, re.I), letter.text
    assert re.search(r"could not (have )?(check|answer)", letter.flat, re.I), letter.text


def test_after_an_outage_only_the_highest_rung_goes_out_and_says_so(daemon, mailbox):
    filed = daemon.file(plan_text(returns_in_s=8))
    for to in CONTACTS:
        mailbox.wait("filed", to)
    away_until(daemon, instant(filed["overdue_at"]) + 13)
    started = time.time()
    for to in CONTACTS + [KEEPER]:
        letter = mailbox.wait("call-rescue", to)
        told_late(letter)
    time.sleep(4)
    counts = mailbox.counts()
    assert all(counts["call-rescue", to] == 1 for to in CONTACTS + [KEEPER]), f"\n{mailbox}"
    assert not mailbox.of("overdue") and not mailbox.of("reminder") and not mailbox.of("due")
    # And then the repeats, eight seconds after that letter was owed: on a slow machine it may have
    # come late. By the ladder's own times it would be five seconds after the start.
    again = mailbox.wait("call-rescue", SECOND, count=2)
    assert again.arrived - started >= 6.5, f"\n{mailbox}"


def test_later_rungs_keep_their_spacing_after_an_outage(daemon, mailbox):
    filed = daemon.file(plan_text(returns_in_s=6))
    for to in CONTACTS:
        mailbox.wait("filed", to)
    away_until(daemon, instant(filed["overdue_at"]) + 7.5)
    started = time.time()
    letters = [mailbox.wait("overdue", to) for to in CONTACTS]
    told_late(letters[0])
    call = mailbox.wait("call-rescue", FIRST)
    # By the ladder's own times it would be 2.5 s after the start.
    assert 3.5 <= call.arrived - started <= 12, f"\n{mailbox}"
    assert mailbox.counts()["overdue", FIRST] == 1, f"\n{mailbox}"


def test_a_relay_that_answers_later_is_tried_again(daemon_with, mailbox):
    ladder = [rung("overdue", ["contact:1"], "overdue"),
              rung("overdue+5m", ["contacts"], "call-rescue")]
    daemon = daemon_with(ladder=ladder, grace="2s")
    mailbox.refuse("450 4.2.1 mailbox busy", to=None, kind="overdue", times=2)
    filed = daemon.file(plan_text(returns_in_s=2))
    letter = mailbox.wait("overdue", FIRST)
    tries = [at for at, _, kind, _ in mailbox.refused if kind == "overdue"] + [letter.arrived]
    gaps = [later - earlier for earlier, later in zip(tries, tries[1:])]
    assert len(gaps) == 2 and 4.5 <= gaps[0] <= 13 and 14 <= gaps[1] <= 25, gaps
    assert {id for _, _, kind, id in mailbox.refused if kind == "overdue"} == {letter.id}
    time.sleep(2)
    assert len(mailbox.of("overdue", FIRST)) == 1
    assert daemon.plan(filed["ref"])["state"] == "overdue"


def test_a_contact_refused_after_overdue_brings_the_next_rung_at_once(daemon_with, mailbox):
    ladder = [rung("overdue", ["contact:1"], "overdue"),
              rung("overdue+5m", ["contacts"], "overdue"),
              rung("overdue+10m", ["contacts", "keeper"], "call-rescue")]
    daemon = daemon_with(ladder=ladder, grace="2s")
    daemon.file(plan_text(returns_in_s=6))
    mailbox.wait("filed", FIRST)
    mailbox.refuse("550 5.1.1 no such mailbox", to=FIRST)
    mailbox.wait("overdue", SECOND)
    assert "contact 1" in mailbox.wait("trouble", KEEPER).flat
    for to in ("maren@example.org", "zoe@example.org"):
        assert "Philippa Ashgrove" in mailbox.wait("news", to).flat
    assert not mailbox.of("overdue", FIRST)


def test_a_contact_refused_when_filed_is_told_to_crew_and_keeper(daemon, mailbox):
    mailbox.refuse("550 5.1.1 no such mailbox", to=SECOND)
    filed = daemon.file(plan_text(returns_in_s=600))
    assert "Ruben Castellar" in mailbox.wait("news", "maren@example.org").flat
    assert "contact 2" in mailbox.wait("trouble", KEEPER).flat
    mailbox.wait("filed", FIRST)
    time.sleep(2)
    fate = {(l["kind"], l["to"]): l["state"] for l in daemon.plan(filed["ref"])["letters"]}
    assert fate["filed", NAMES[SECOND]] == "refused", fate
    assert fate["filed", NAMES[FIRST]] == "handed over", fate
    assert not [l for l in mailbox.of() if l.kind in ("overdue", "call-rescue")]


def test_with_no_contact_left_crew_and_keeper_get_the_alert_in_full(daemon, mailbox):
    for to in CONTACTS:
        mailbox.refuse("550 5.1.1 no such mailbox", to=to)
    daemon.file(plan_text(returns_in_s=4))
    for to in ("maren@example.org", "zoe@example.org", KEEPER):
        assert "insulin pump" in mailbox.wait("call-rescue", to).flat
