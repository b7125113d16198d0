"""A plan replaced by a new version of itself, by command and by link; one closed by the keeper."""

import json
import re
import time

from pages import page_of
from world import CONTACTS, CREW, FIRST, SECOND, instant, plan_text

ADDED = "pia@example.org"


def new_version(returns_in_s):
    """Another contact is asked in the place of the second."""
    text = plan_text(returns_in_s)
    return text.replace("Ruben Castellar", "Pia Lindqvist").replace(SECOND, ADDED)


def test_after_an_alert_a_new_version_is_told_to_all_and_alarms_those_it_asks(daemon, mailbox):
    filed = daemon.file(plan_text(returns_in_s=6))
    ref = filed["ref"]
    mailbox.wait("overdue", FIRST)
    assert not mailbox.of("overdue", SECOND), "its rung comes five seconds later"
    version = daemon.folder / "version-2.toml"
    version.write_text(new_version(returns_in_s=9))
    answer = json.loads(daemon.run("amend", ref, version, "--json", key=daemon.key)[0])
    assert answer["state"] == "armed" and answer["ref"] == ref, answer
    assert instant(answer["due_at"]) > instant(filed["due_at"])
    assert answer["links"]["amend"] == filed["links"]["amend"]

    head = mailbox.wait("changed", FIRST).head(lines=6)
    assert re.search(r"crew answered at .*\d\d?:\d\d", head), head
    assert "no longer asked" in mailbox.wait("changed", SECOND).flat
    mailbox.wait("filed", ADDED)
    contacts = daemon.plan(ref)["contacts"]
    assert [one["removed"] for one in contacts] == [False, True, False], contacts

    for to in (FIRST, ADDED):
        mailbox.wait("call-rescue", to)
    assert not [l for l in mailbox.of(to=SECOND) if l.kind in ("overdue", "call-rescue")]

    # By the link of the device that filed: the same key with the same body is done once.
    link, body = filed["links"]["amend"], new_version(returns_in_s=600)
    for _ in range(2):
        answer = daemon.api("POST", link, body, Content_Type="application/toml",
                            Idempotency_Key="again")
        assert answer.status == 200 and answer.json["state"] == "armed", answer
    other = daemon.api("POST", link, new_version(returns_in_s=700),
                       Content_Type="application/toml", Idempotency_Key="again")
    assert other.status == 422, other
    mailbox.wait("changed", FIRST, count=2)
    mailbox.wait("changed", ADDED)
    time.sleep(1)
    counts = mailbox.counts()
    assert counts["changed", FIRST] == 2 and counts["changed", SECOND] == 1, f"\n{mailbox}"

    assert daemon.api("POST", filed["links"]["checkin"], {}).json["state"] == "closed"
    for to in (FIRST, ADDED):
        mailbox.wait("stand-down", to)
    mailbox.wait("home", SECOND)


def test_the_keeper_closes_a_plan_with_a_reason_and_it_is_taken_back(daemon, mailbox):
    keeper = daemon.new_key("Harbour", keeper=True)
    filed = daemon.file(plan_text(returns_in_s=4))
    ref = filed["ref"]
    alert = mailbox.wait("overdue", FIRST)
    reason = "Maren telephoned: both at the ramp"
    daemon.run("close", ref, "--reason", reason, key=daemon.key, code=77)
    assert "is closed" in daemon.run("close", ref, "--reason", reason, key=keeper)[0]
    for kind, to in (("stand-down", FIRST), ("home", SECOND), ("home", CREW[0])):
        letter = mailbox.wait(kind, to)
        text = letter.flat
        assert reason in text and "keeper of this service" in text, text
        assert "within 24 hours" in text and "all ashore at" not in text, text
    page = page_of(alert, daemon.base_url)
    assert reason in page.text
    form = page.form(r"undo|take .* back")
    assert page.send(form, name="Philippa Ashgrove").status == 200
    for to in CREW + CONTACTS:
        mailbox.wait("withdrawn", to)
    assert daemon.plan(ref)["state"] == "overdue"

    before = len(mailbox.of(to=FIRST))
    said = daemon.run("again", ref, "--to", "contact:1", key=keeper)[0]
    assert "Philippa Ashgrove" in said, said
    end = time.time() + 15
    while len(mailbox.of(to=FIRST)) == before and time.time() < end:
        time.sleep(0.1)
    letters = mailbox.of(to=FIRST)
    assert letters[-1].kind in ("overdue", "call-rescue"), f"\n{mailbox}"
    assert len({letter.id for letter in letters}) == len(letters), "each has an id of its own"
