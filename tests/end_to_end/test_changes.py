"""A later return, a trip called off, and a check-in that was a mistake."""

import datetime as dt
import re
import time
from zoneinfo import ZoneInfo

from pages import Page, page_of
from world import CONTACTS, CREW, FIRST, KEEPER, SECOND, instant, plan_text


def test_a_later_return_is_told_to_all_and_then_the_trip_is_called_off(daemon, mailbox):
    filed = daemon.file(plan_text(returns_in_s=8))
    for to in CREW + CONTACTS:
        mailbox.wait("filed", to)
    answer = daemon.api("POST", filed["links"]["extend"], {"by": "1h"})
    assert answer.status == 200 and answer.json["state"] == "armed", answer
    assert sorted(answer.json["out"]) == ["Maren Tollefsby", "Zoë Quillan"]
    return_by = instant(filed["due_at"]) + 3600
    assert instant(daemon.plan(filed["ref"])["due_at"]) == return_by
    local = dt.datetime.fromtimestamp(return_by, ZoneInfo("America/Los_Angeles"))
    for to in CREW + CONTACTS:
        letter = mailbox.wait("changed", to)
        head = letter.head(lines=8)
        assert f"{local:%H:%M}" in head, f"{local:%H:%M} not in:\n{head}"
    time.sleep(10)  # past the first return and its grace
    assert not [l for l in mailbox.of() if l.kind in ("due", "overdue")], f"\n{mailbox}"

    answer = daemon.api("POST", filed["links"]["cancel"], {})
    assert answer.status == 200 and answer.json["state"] == "closed", answer
    for to in CREW + CONTACTS:
        mailbox.wait("home", to)
    time.sleep(1)
    counts = mailbox.counts()
    for kind in ("filed", "changed", "home"):
        assert all(counts[kind, to] == 1 for to in CREW + CONTACTS), f"\n{mailbox}"
    assert not mailbox.of("stand-down") and not mailbox.of(to=KEEPER)


def test_after_an_alert_a_later_return_is_told_with_the_time_of_the_answer(daemon, mailbox):
    filed = daemon.file(plan_text(returns_in_s=6))
    mailbox.wait("overdue", FIRST)
    answer = daemon.api("POST", filed["links"]["extend"], {"by": "2h"})
    assert answer.status == 200 and answer.json["state"] == "armed", answer
    letter = mailbox.wait("changed", FIRST)
    head = letter.head(lines=6)
    assert re.search(r"crew answered at .*\d\d?:\d\d", head), head
    assert re.search(r"if you called anyone, tell them now", head, re.I), head
    mailbox.wait("changed", SECOND)
    time.sleep(7)
    assert not mailbox.of("overdue", SECOND), f"\n{mailbox}"


def test_a_closing_that_was_a_mistake_is_undone(daemon, mailbox):
    filed = daemon.file(plan_text(returns_in_s=4))
    alert = mailbox.wait("overdue", FIRST)
    assert daemon.api("POST", filed["links"]["checkin"], {}).json["state"] == "closed"
    mailbox.wait("stand-down", FIRST)
    mailbox.wait("home", SECOND)
    time.sleep(6)  # the rung for all contacts has passed meanwhile

    page = page_of(alert, daemon.base_url)
    form = page.form(r"undo|not all ashore|take .* back")
    answer = page.send(form, name="Philippa Ashgrove")
    assert answer.status == 200, answer
    undone = time.time()
    for to in CREW + CONTACTS:
        assert mailbox.wait("withdrawn", to).arrived >= undone - 2
    # What is due follows at once, and only the highest of it.
    for to in CONTACTS:
        late = [l for l in mailbox.of(to=to) if l.kind in ("overdue", "call-rescue")]
        end = time.time() + 4
        while time.time() < end and not [l for l in late if l.arrived > undone - 2]:
            time.sleep(0.1)
            late = [l for l in mailbox.of(to=to) if l.kind in ("overdue", "call-rescue")]
        assert [l for l in late if l.arrived > undone - 2], f"nothing followed:\n{mailbox}"
    assert daemon.plan(filed["ref"])["state"] == "overdue"


def test_the_crew_s_page_checks_in_only_under_a_name(daemon, mailbox):
    filed = daemon.file(plan_text(returns_in_s=600))
    # Whoever has not been written to yet needs no word that it is over.
    mailbox.wait("filed", FIRST)
    mailbox.wait("filed", SECOND)
    page = Page(filed["links"]["crew"])
    assert "Maren Tollefsby" in page.text
    form = page.form(r"ashore|check in")
    page.send(form, name="")
    assert daemon.plan(filed["ref"])["state"] == "armed"
    assert page.send(form, name="Maren Tollefsby").status == 200
    assert daemon.plan(filed["ref"])["state"] == "closed"
    mailbox.wait("home", SECOND)
