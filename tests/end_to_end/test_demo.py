"""The README's first command."""

import os
import re
import subprocess
import time

from daemon import BIN, ROOT, free_port
from mailbox import Mailbox, check

KINDS = ("filed", "overdue", "call-rescue", "stand-down")


def run_demo(*words):
    start = time.time()
    done = subprocess.run([BIN, "demo", "--exit", *words], cwd=ROOT, capture_output=True,
                          text=True, timeout=90, stdin=subprocess.DEVNULL, env=os.environ)
    took = time.time() - start
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr}"
    assert took < 60, f"took {took:.0f} s"
    return done.stdout


def test_the_demo_tells_the_whole_story_within_a_minute():
    said = run_demo()
    for kind in KINDS:
        assert kind in said, f"no {kind} in:\n{said}"
    assert "DANGER" in said, "the plan's cautions are not shown"
    assert re.search(r"http://127\.0\.0\.1:\d+", said) and "/" in said
    assert not re.search(r"\bsafe(ly)?\b", said, re.I), said


def test_the_demo_hands_its_letters_to_a_server():
    mailbox = Mailbox(free_port()).start()
    try:
        run_demo("--smtp", f"127.0.0.1:{mailbox.port}")
        kinds = {letter.kind for letter in mailbox.of()}
        assert kinds >= set(KINDS), f"\n{mailbox}"
        ids = [letter.id for letter in mailbox.of()]
        assert len(set(ids)) == len(ids)
    finally:
        mailbox.stop()
    for letter in mailbox.of():
        assert letter.to.endswith("@example.org")
        check(letter, sender=None)
