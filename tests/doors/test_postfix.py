"""The whole road through a real Postfix, by TLS, to a Maildir.

Needs root, since Postfix does, and is long: so it is no part of `tests/run`.

    target/venv/bin/python -m pytest -q -p no:cacheprovider tests/doors
"""

import collections
import email
import email.policy
import os
import time

import pytest
import trustme

from daemon import Daemon, free_port, request, rung
from postfix import ROOT, Postfix
from world import CONTACTS, CREW, plan_text

LADDER = [rung("due", ["crew"], "due"),
          rung("overdue", ["contact:1"], "overdue"),
          rung("overdue+3s", ["contacts", "keeper"], "call-rescue")]
CANARY = '''
[service.canary]
to = "canary@example.org"
folder = "{folder}"
every = "5s"
within = "30s"
'''

pytestmark = [
    pytest.mark.skipif(os.getuid() != 0, reason="Postfix wants root"),
    pytest.mark.skipif(not (ROOT / "usr/lib/postfix/sbin/master").exists(),
                       reason="run tests/run once: it unpacks Postfix"),
]


@pytest.fixture
def house(tmp_path):
    """A Postfix and a daemon that hands its letters to it."""
    authority = trustme.CA()
    chain, ca = tmp_path / "chain.pem", tmp_path / "ca.pem"
    issued = authority.issue_cert("127.0.0.1", "localhost")
    issued.private_key_and_cert_chain_pem.write_to_path(chain)
    authority.cert_pem.write_to_path(ca)
    started = []

    def make(more="", canary=False):
        folder = tmp_path / "postfix"
        folder.mkdir()
        post = Postfix(folder, free_port(), chain, more).start()
        started.append(post)
        section = (f'[[mail.relay]]\nhost = "127.0.0.1"\nport = {post.port}\n'
                   f'security = "starttls"\nca_file = "{ca}"\n')
        if canary:
            section += CANARY.format(folder=folder / "mail/all")
        daemon = Daemon(tmp_path, section, ladder=LADDER, grace="2s", repeat="1h")
        started.append(daemon)
        return post, daemon.start()

    yield make
    for one in reversed(started):
        one.stop()
        print(one.log()[-5000:])


def parsed(post):
    return [email.message_from_bytes(raw, policy=email.policy.default) for raw in post.letters()]


def wait_for(post, kind, to, timeout=40):
    end = time.time() + timeout
    while time.time() < end:
        for letter in parsed(post):
            if letter["Shorelamp-Kind"] == kind and to in letter["To"]:
                return letter
        time.sleep(0.2)
    raise AssertionError(f"no {kind} to {to} arrived:\n{post.log()[-3000:]}")


def each_once(post):
    """Every letter parses without a defect, is encrypted on the way, and came once."""
    letters = parsed(post)
    for letter in letters:
        assert not letter.defects, letter.defects
        assert letter["Auto-Submitted"] == "auto-generated"
        # RFC 3848: ESMTP by TLS.
        assert "with ESMTPS" in letter["Received"], letter["Received"]
    ids = collections.Counter(letter["Message-ID"] for letter in letters)
    assert set(ids.values()) == {1}, ids.most_common(3)
    return letters


def test_a_trip_that_goes_overdue_and_ends_well(house):
    post, daemon = house()
    filed = daemon.file(plan_text(returns_in_s=4))
    for kind, readers in [("filed", CREW + CONTACTS), ("due", CREW), ("overdue", CONTACTS[:1]),
                          ("call-rescue", CONTACTS + ["keeper@example.org"])]:
        for to in readers:
            wait_for(post, kind, to)
    daemon.run("checkin", filed["ref"], key=daemon.key)
    for to in CONTACTS:
        wait_for(post, "stand-down", to)
    kinds = collections.Counter(letter["Shorelamp-Kind"] for letter in each_once(post))
    assert kinds["call-rescue"] == 3 and kinds["overdue"] == 1, kinds


def test_a_postfix_that_is_down_when_the_alert_is_due(house):
    post, daemon = house()
    daemon.file(plan_text(returns_in_s=4))
    for to in CONTACTS:
        wait_for(post, "filed", to)
    post.stop()
    time.sleep(14)
    # The retries after 5 and 15 s have failed, or the next is near.
    assert request("GET", f"{daemon.base_url}/healthz").status == 503
    post.start()
    back = time.time()
    for to in CONTACTS:
        letter = wait_for(post, "call-rescue", to, timeout=70)
        assert "late by" in " ".join(letter.get_body(("plain",)).get_content().split())
    assert time.time() - back < 66, "no longer than the longest pause, a minute"
    each_once(post)


def test_a_postfix_that_greylists(house):
    """It defers each letter for its first attempts, as a policy server would (RFC 6647)."""
    post, daemon = house(more="smtpd_recipient_restrictions = check_recipient_access "
                              "inline:{philippa@example.org=DEFER_IF_PERMIT}, permit_mynetworks")
    daemon.file(plan_text(returns_in_s=4))
    # The one who is deferred holds nobody else up.
    wait_for(post, "call-rescue", CONTACTS[1])
    assert not [letter for letter in parsed(post) if CONTACTS[0] in letter["To"]]
    conf = post.folder / "conf/main.cf"
    conf.write_text(conf.read_text().replace("=DEFER_IF_PERMIT", "=OK"))
    post.stop()
    post.start()
    wait_for(post, "call-rescue", CONTACTS[0], timeout=70)
    each_once(post)


def test_the_canary_is_read_back_from_the_maildir(house):
    post, daemon = house(canary=True)
    end = time.time() + 40
    said = {}
    while not str(said.get("canary", "")).startswith("last arrived"):
        assert time.time() < end, (said, post.log()[-3000:])
        time.sleep(0.5)
        said = request("GET", f"{daemon.base_url}/healthz").json
    letter = wait_for(post, "call-rescue", "canary@example.org")
    assert letter["Subject"].startswith("TEST, nobody is missing")
    assert all("canary@example.org" in letter["To"] for letter in each_once(post))
