"""The whole road of a plan: filed, the daemon killed and started again, overdue, alerted, answered,
checked in, stood down."""

import re
import time

from daemon import request
from mailbox import Mailbox
from pages import page_of
from world import CONTACTS, CREW, FIRST, KEEPER, MEDICAL, NAMES, SECOND, instant, plan_text

# How late a letter may be, in seconds, on a machine that does other things too.
LATE = 4


def test_a_plan_travels_the_whole_road(daemon, mailbox):
    filed = daemon.file(plan_text(returns_in_s=16))
    ref, links = filed["ref"], filed["links"]
    due, overdue = instant(filed["due_at"]), instant(filed["overdue_at"])
    assert overdue - due == 6
    told = {(letter["kind"], letter["to"]) for letter in filed["letters"]}
    assert told == {("filed", NAMES[to]) for to in CREW + CONTACTS}
    assert {letter["state"] for letter in filed["letters"]} <= {"queued", "handed over"}

    # Filed: everybody knows, all of it but what a rescuer alone must know.
    for to in CREW + CONTACTS:
        letter = mailbox.wait("filed", to)
        assert letter.ref == ref
        for words in ("Maren Tollefsby", "Zoë Quillan", "lime store", "yellow hull", "TEST-555",
                      "+1 360 555 0100"):
            assert words in letter.flat, f"{words!r} not told to {to}"
    first_page = mailbox.of("filed", FIRST)[0].links(daemon.base_url)
    assert first_page, "no way for the contact to answer"

    # The power goes, and comes back. Nothing that was answered with 201 is lost, and what went
    # out before does not go out again.
    until(lambda: daemon.handed_over(ref), "the letters recorded as handed over")
    daemon.kill()
    daemon.start()
    assert daemon.plan(ref)["state"] == "armed"

    for kind, at in [("reminder", due - 4), ("due", due)]:
        for to in CREW:
            on_time(mailbox.wait(kind, to), at)
    assert not mailbox.of("overdue"), "alerted before overdue"

    # Overdue: the first contact, then all, then rescue.
    alert = mailbox.wait("overdue", FIRST)
    on_time(alert, overdue)
    assert not mailbox.of("overdue", SECOND)
    reads_as_an_alert(alert)
    assert daemon.plan(ref)["state"] == "overdue"
    on_time(mailbox.wait("overdue", SECOND), overdue + 5)
    on_time(mailbox.wait("overdue", FIRST, count=2), overdue + 5)
    for to in CONTACTS + [KEEPER]:
        call = mailbox.wait("call-rescue", to)
        on_time(call, overdue + 10)
        reads_as_an_alert(call)
    # It repeats until somebody has called.
    on_time(mailbox.wait("call-rescue", SECOND, count=2), overdue + 18)

    # Opening every link of every letter, as scanners do, changes nothing.
    before, letters_before = daemon.plan(ref), len(mailbox.of())
    for letter in mailbox.of():
        for link in letter.links(daemon.base_url):
            for method in ("GET", "HEAD", "OPTIONS"):
                assert request(method, link).status < 500, link
    after = daemon.plan(ref)
    assert after["state"] == before["state"] == "overdue"
    assert not mailbox.of("news")[letters_before:] and not mailbox.of("stand-down")

    # The contact has called, and says so under a name.
    page = page_of(mailbox.of("overdue", FIRST)[0], daemon.base_url)
    assert MEDICAL in page.text
    form = page.form(r"have called")
    assert page.send(form, name="").status in (200, 400, 422), "taken without a name"
    assert page.send(form, name="Mallory", origin="http://elsewhere.example").status == 403
    assert not mailbox.of("news")
    assert page.send(form, name="Philippa Ashgrove").status == 200
    for to in CREW + [SECOND]:
        news = mailbox.wait("news", to)
        assert "Philippa" in news.flat and "R-17" in news.flat, news.text
    called = time.time()
    time.sleep(10)
    repeats = [l for l in mailbox.of("call-rescue") if l.arrived > called + 1]
    assert not repeats, "asked to call again by:\n" + str(mailbox)

    # Ashore.
    answer = daemon.api("POST", links["checkin"], {}, key="none is needed")
    assert answer.status == 200 and answer.json["state"] == "closed", answer
    assert sorted(answer.json["ashore"]) == ["Maren Tollefsby", "Zoë Quillan"]
    assert answer.json["out"] == []
    for to in CONTACTS + [KEEPER]:
        text = mailbox.wait("stand-down", to).flat
        for words in (r"\bstop\b", r"\btell\b", r"\bcalled\b", r"\balarm\b"):
            assert re.search(words, text, re.I), f"/{words}/ not in:\n{text}"
    for to in CREW:
        mailbox.wait("home", to)
    time.sleep(10)  # more than one repeat: nothing follows

    counts = mailbox.counts()
    expected = {("filed", to): 1 for to in CREW + CONTACTS}
    expected |= {(kind, to): 1 for kind in ("reminder", "due", "home") for to in CREW}
    expected |= {("overdue", FIRST): 2, ("overdue", SECOND): 1}
    expected |= {("stand-down", to): 1 for to in CONTACTS + [KEEPER]}
    # Contacts who have never answered are asked once, by day only: at night there is none.
    asked = {key: n for key, n in counts.items() if key[0] == "confirm"}
    assert asked in ({}, {("confirm", to): 1 for to in CONTACTS}), f"\n{mailbox}"
    rest = {key: n for key, n in counts.items() if key not in expected | asked}
    assert {key: n for key, n in counts.items() if key in expected} == expected, f"\n{mailbox}"
    # A slow disk is the test machine's affair, and the keeper is rightly told of it.
    assert {kind for kind, _ in rest} <= {"call-rescue", "news", "trouble"}, f"\n{mailbox}"
    told = [letter.subject for letter in mailbox.of("trouble")]
    assert all("writing to the database took" in subject for subject in told), told
    check_all(mailbox, ref, daemon, filed)


def check_all(mailbox: Mailbox, ref, daemon, filed):
    """What must be true of all letters together."""
    letters = mailbox.of()
    assert len({letter.id for letter in letters}) == len(letters), "two letters with one id"
    assert {letter.ref for letter in letters if letter.kind != "trouble"} == {ref}
    for letter in letters:
        alert = letter.kind in ("overdue", "call-rescue")
        assert (MEDICAL in letter.everything) == alert, f"{letter.kind} to {letter.to}"
        for name in ("checkin", "extend", "cancel"):
            assert filed["links"][name] not in letter.everything, f"a secret in {letter.kind}"
    assert MEDICAL not in daemon.log(), "private words in the log"


def on_time(letter, at):
    assert at - 0.5 <= letter.arrived <= at + LATE, (
        f"{letter.kind} to {letter.to} came {letter.arrived - at:+.1f} s off its time")


def until(true, what, timeout=60):
    end = time.time() + timeout
    while not true():
        assert time.time() < end, f"waited in vain for {what}"
        time.sleep(0.1)


def reads_as_an_alert(letter):
    """The first lines: how many, since when, that nobody has been called, whom to call now."""
    head = letter.head(lines=25)
    assert re.search(r"\b(2|two)\b", head, re.I), head
    assert re.search(r"\d\d?:\d\d", head) and re.search(r"P[DS]T|UTC|GMT|[-−+]0\d:?00", head), head
    assert re.search(r"(no|not a) rescue service", head), head
    assert re.search(r"called (nobody|no one|no-one)|not called", head), head
    assert "+1 360 555 0100" in head and "911" in head, head
    for words in ("Maren Tollefsby", "Zoë Quillan", "red drysuit", "yellow hull", "338555017",
                  "9C7F4B013595551", "+1 360 555 0121", "TEST-555", MEDICAL, "48.5440"):
        assert words in letter.flat, f"{words!r} not in the alert:\n{letter.text}"


def test_only_those_alerted_are_stood_down(daemon, mailbox):
    filed = daemon.file(plan_text(returns_in_s=4))
    mailbox.wait("overdue", FIRST)
    answer = daemon.api("POST", filed["links"]["checkin"], {})
    assert answer.json["state"] == "closed", answer
    mailbox.wait("stand-down", FIRST)
    for to in CREW + [SECOND]:
        mailbox.wait("home", to)
    time.sleep(8)
    counts = mailbox.counts()
    assert [to for kind, to in counts if kind == "stand-down"] == [FIRST], f"\n{mailbox}"
    assert counts["home", FIRST] == 0 and not mailbox.of(to=KEEPER), f"\n{mailbox}"
    assert not mailbox.of("overdue", SECOND) and not mailbox.of("call-rescue"), f"\n{mailbox}"


def test_one_of_the_crew_ashore_leaves_the_other_watched(daemon, mailbox):
    filed = daemon.file(plan_text(returns_in_s=5))
    stranger = daemon.api("POST", filed["links"]["checkin"], {"who": ["Somebody Else"]})
    assert stranger.status == 422 and "Somebody Else" in stranger.text, stranger
    answer = daemon.api("POST", filed["links"]["checkin"], {"who": ["Zoë Quillan"]})
    assert answer.status == 200, answer
    assert (answer.json["state"], answer.json["ashore"], answer.json["out"]) == (
        "armed", ["Zoë Quillan"], ["Maren Tollefsby"])
    for to in CREW:
        assert "Zoë Quillan" in mailbox.wait("news", to).flat
    alert = mailbox.wait("overdue", FIRST)
    assert "Maren Tollefsby" in alert.flat
    again = daemon.api("POST", filed["links"]["checkin"], {"who": ["Maren Tollefsby"]})
    assert again.json["state"] == "closed" and again.json["out"] == [], again
    mailbox.wait("stand-down", FIRST)


def test_killed_right_after_the_answer_every_letter_still_arrives(daemon, mailbox):
    filed = daemon.file(plan_text(returns_in_s=600))
    daemon.kill()
    daemon.start()
    for to in CREW + CONTACTS:
        mailbox.wait("filed", to)
    until(lambda: daemon.handed_over(filed["ref"]), "the letters recorded as handed over")
    time.sleep(2)
    # One that was on its way may arrive twice: then it is the same letter.
    for to in CREW + CONTACTS:
        assert len({letter.id for letter in mailbox.of("filed", to)}) == 1, f"\n{mailbox}"
