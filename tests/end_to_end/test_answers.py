"""What a contact answers on the page behind their own link."""

import time

from daemon import rung
from pages import page_of
from world import CONTACTS, CREW, FIRST, MEDICAL, SECOND, plan_text

LADDER = [
    rung("overdue", ["contacts"], "overdue"),
    rung("overdue+4m", ["contacts"], "overdue"),
    rung("overdue+5m", ["contacts", "keeper"], "call-rescue"),
]


def test_the_page_keeps_what_is_private_until_overdue(daemon, mailbox):
    filed = daemon.file(plan_text(returns_in_s=6))
    page = page_of(mailbox.wait("filed", FIRST), daemon.base_url)
    assert "Maren Tollefsby" in page.text and "yellow hull" in page.text
    assert MEDICAL not in page.answer.text
    assert "<script" not in page.answer.text
    policy = page.answer.headers["Content-Security-Policy"]
    assert policy and "default-src 'none'" in policy
    assert page.answer.headers["Referrer-Policy"] == "no-referrer"
    assert page.answer.headers["Cache-Control"] == "no-store"
    mailbox.wait("overdue", FIRST)
    assert MEDICAL in page_of(mailbox.of("filed", FIRST)[0], daemon.base_url).text
    # A link is for one person: the other's is another.
    other = mailbox.of("filed", SECOND)[0].links(daemon.base_url)
    assert not set(other) & set(mailbox.of("filed", FIRST)[0].links(daemon.base_url))
    assert filed["links"]["crew"] not in other


def test_on_it_is_told_to_the_others_and_pauses_nobody_else(daemon_with, mailbox):
    daemon = daemon_with(ladder=LADDER, grace="2s")
    daemon.file(plan_text(returns_in_s=6))
    page = page_of(mailbox.wait("overdue", FIRST), daemon.base_url)
    assert page.send(page.form(r"on it"), name="Philippa Ashgrove").status == 200
    for to in CREW + [SECOND]:
        assert "Philippa" in mailbox.wait("news", to).flat
    assert not mailbox.of("stand-down")


def test_one_who_can_t_act_brings_the_next_rung_at_once(daemon_with, mailbox):
    daemon = daemon_with(ladder=LADDER, grace="2s")
    daemon.file(plan_text(returns_in_s=6))
    mailbox.wait("overdue", SECOND)
    page = page_of(mailbox.wait("overdue", FIRST), daemon.base_url)
    assert page.send(page.form(r"can.?t act"), name="Philippa Ashgrove").status == 200
    mailbox.wait("overdue", SECOND, count=2)


def test_ashore_from_a_contact_closes_the_plan_and_can_be_undone(daemon_with, mailbox):
    daemon = daemon_with(ladder=LADDER, grace="2s")
    filed = daemon.file(plan_text(returns_in_s=6))
    page = page_of(mailbox.wait("overdue", FIRST), daemon.base_url)
    form = page.form(r"ashore")
    assert page.send(form, name="Philippa Ashgrove", who="Maren Tollefsby").status == 200
    for to in CONTACTS:
        letter = mailbox.wait("stand-down", to)
        assert "Philippa" in letter.flat, letter.text
    assert daemon.plan(filed["ref"])["state"] == "closed"
    time.sleep(1)
    page = page_of(mailbox.of("overdue", SECOND)[0], daemon.base_url)
    assert page.send(page.form(r"undo|not all ashore|take .* back"), name="Ruben").status == 200
    mailbox.wait("withdrawn", FIRST)
    assert daemon.plan(filed["ref"])["state"] == "overdue"
