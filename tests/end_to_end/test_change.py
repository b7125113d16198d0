"""A plan changed on the crew's page: a friend joined at the ramp, another contact is asked."""

import re
import urllib.parse

from daemon import request
from pages import Page
from world import CREW, FIRST, MEDICAL, SECOND, plan_text

ADDED = "pia@example.org"


def filled(page, form):
    """The fields of the form as a browser sends them untouched."""
    text = page.answer.text
    fields = {}
    for entry in form.fields:
        name, kind = entry.get("name"), entry.get("type")
        if not name or kind in ("checkbox", "submit"):
            continue
        if kind == "select":
            select = re.search(rf'<select[^>]*name="{re.escape(name)}">(.*?)</select>', text, re.S)
            picked = re.search(r'<option(?: value="([^"]*)")? selected>([^<]*)', select[1])
            fields[name] = (picked[1] or picked[2]) if picked else ""
        elif entry["tag"] == "textarea":
            area = re.search(rf'<textarea[^>]*name="{re.escape(name)}">(.*?)</textarea>', text, re.S)
            fields[name] = area[1]
        else:
            fields[name] = entry.get("value", "")
    return fields


def send(page, form, fields):
    """The page that follows."""
    site = urllib.parse.urlsplit(page.url)
    headers = {"Content-Type": "application/x-www-form-urlencoded",
               "Origin": f"{site.scheme}://{site.netloc}"}
    return request("POST", urllib.parse.urljoin(page.url, form.action),
                   urllib.parse.urlencode(fields), headers)


def test_a_friend_and_a_contact_join_on_the_crew_s_page(daemon, mailbox):
    filed = daemon.file(plan_text(returns_in_s=20))
    for to in (FIRST, SECOND, CREW[0]):
        mailbox.wait("filed", to)
    page = Page(filed["links"]["crew"] + "/change")
    assert MEDICAL not in page.answer.text
    form = page.form(r"Change the plan")
    typed = filled(page, form) | {
        "crew[3].name": "Anouk Visser", "crew[3].wearing": "pink hat",
        "contact[2].off": "yes",
        "contact[3].name": "Pia Lindqvist", "contact[3].email": ADDED,
        "name": "Maren", "do": "judge"}
    judged = send(page, form, typed)
    assert judged.status == 200 and "Now on this trip too: Anouk Visser." in judged.text, judged
    assert not mailbox.of("changed"), "nothing is changed by looking"
    typed["do"] = "change"
    for _ in range(2):  # a double tap
        done = send(page, form, typed)
        assert done.status == 200 and "Written down: the plan is changed." in done.text, done
    assert "pink hat" in mailbox.wait("changed", FIRST).flat
    assert "no longer asked" in mailbox.wait("changed", SECOND).flat
    mailbox.wait("filed", ADDED)
    assert daemon.plan(filed["ref"])["out"] == ["Maren Tollefsby", "Zoë Quillan", "Anouk Visser"]

    alert = mailbox.wait("overdue", FIRST, timeout=60).flat
    for told in (MEDICAL, "Anouk Visser", "yellow hull", "9C7F4B013595551", "White van"):
        assert told in alert, f"{told} is lost:\n{alert}"
    counts = mailbox.counts()
    assert counts["changed", FIRST] == 1 and counts["changed", SECOND] == 1, f"\n{mailbox}"
    assert not mailbox.of("overdue", SECOND) and not mailbox.of("call-rescue", SECOND)
