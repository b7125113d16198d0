"""A hostile mail scanner in a real Chromium: it opens every link of every letter, runs every script,
fills nothing in, submits every form and presses every button. Nothing changes.

Chromium is taken from CHROMIUM, or /usr/bin/chromium. Without it or Playwright the case is skipped."""

import os
import sqlite3

import pytest

from daemon import rung
from world import CONTACTS, CREW, FIRST, plan_text

playwright = pytest.importorskip("playwright.sync_api")
CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
pytestmark = pytest.mark.skipif(not os.access(CHROMIUM, os.X_OK), reason=f"no {CHROMIUM} here")


@pytest.fixture
def page():
    with playwright.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 390, "height": 844})
        page.on("dialog", lambda dialog: dialog.accept())
        yield page
        browser.close()


def state(daemon, ref):
    """All that a change would show in, but the letters' fate: they leave meanwhile."""
    plan = daemon.plan(ref)
    with sqlite3.connect(f"file:{daemon.folder}/var/shorelamp.db?mode=ro", uri=True) as database:
        never = database.execute("SELECT COUNT(*) FROM never_mailboxes").fetchone()
        confirmed = database.execute("SELECT COUNT(*) FROM confirmed_addresses").fetchone()
        kind = "SELECT COUNT(*) FROM events WHERE event_json NOT LIKE '%handing%' " \
               "AND event_json NOT LIKE '%tick%' AND event_json NOT LIKE '%taken-again%'"
        events = database.execute(kind).fetchone()
    return plan["state"], plan.get("ashore"), never, confirmed, events


def visit(page, url):
    """Opens a page, or takes a file; what was pressed before may still be under way. Whether it is
    a page."""
    for _ in range(20):
        try:
            page.goto(url)
            return True
        except playwright.Error as error:
            if "Download is starting" in str(error):
                return False
            page.wait_for_timeout(100)
    raise AssertionError(f"{url} can't be opened")


def scan(page, daemon, start):
    """Everything from these pages on; how many forms were sent and buttons pressed."""
    seen, waiting, done = set(), list(start), 0
    while waiting:
        url = waiting.pop()
        if url in seen or not url.startswith(daemon.base_url):
            continue
        seen.add(url)
        if not visit(page, url):
            continue
        waiting += page.eval_on_selector_all("a[href]", "all => all.map(one => one.href)")
        forms = page.locator("form").count()
        for at in range(forms):
            visit(page, url)
            with page.expect_navigation():
                page.evaluate("at => document.forms[at].submit()", at)
            done += 1
        visit(page, url)
        for at in range(page.locator("button, summary").count()):
            visit(page, url)
            # What is folded away is pressed too.
            page.evaluate("""at => {
                document.querySelectorAll("details").forEach(one => { one.open = true; });
                document.querySelectorAll("button, summary")[at].click();
            }""", at)
            page.wait_for_timeout(150)
            done += 1
    return done


def test_a_scanner_with_a_browser_changes_nothing(daemon_with, mailbox, page):
    daemon = daemon_with(ladder=[
        rung("overdue", ["contacts"], "overdue"),
        rung("overdue+10m", ["contacts", "keeper"], "call-rescue"),
    ])
    ref = daemon.file(plan_text(returns_in_s=12))["ref"]
    for to in CREW + CONTACTS:
        mailbox.wait("filed", to)
    links = {link for letter in mailbox.of() for link in letter.links(daemon.base_url)}
    before = state(daemon, ref)
    assert before[0] == "armed"
    mailbox.wait("overdue", FIRST)
    links |= {link for letter in mailbox.of() for link in letter.links(daemon.base_url)}
    before = state(daemon, ref)
    sent = scan(page, daemon, links)
    assert sent >= 20, sent
    assert state(daemon, ref) == before
    assert not mailbox.of("news") and not mailbox.of("stand-down")
