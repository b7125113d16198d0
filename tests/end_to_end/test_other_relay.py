"""The same road over a relay that nobody here wrote: smtp-sink, of Debian's postfix package."""

import os
import shutil
import subprocess
import tempfile
import time
from collections import Counter
from pathlib import Path

import pytest

from daemon import Daemon, free_port
from mailbox import Letter, check
from world import CONTACTS, CREW, FIRST, KEEPER, plan_text, relay

SINK = os.environ.get("SHORELAMP_SMTP_SINK") or shutil.which("smtp-sink", path="/usr/sbin:/usr/bin")


@pytest.fixture
def sink():
    """The relay's port and the folder into which it writes a file a letter."""
    assert SINK, "smtp-sink is missing: install Debian's postfix, or run tests/run"
    folder = Path(tempfile.mkdtemp(prefix="shorelamp-sink-", dir="/tmp"))
    folder.chmod(0o777)
    port = free_port()
    words = [SINK, "-d", f"{folder}/letter.", f"127.0.0.1:{port}", "50"]
    if os.geteuid() == 0:
        words[1:1] = ["-u", "nobody"]  # it refuses to run as root
    process = subprocess.Popen(words, stdin=subprocess.DEVNULL)
    yield port, folder
    process.terminate()
    process.wait(10)
    shutil.rmtree(folder)


def letters(folder):
    """What the sink took: its own notes stand before the letter's headers."""
    found = []
    for file in sorted(folder.glob("letter.*")):
        notes, at = {}, 0
        raw = file.read_bytes()
        while raw[at:].startswith(b"X-") and b"\n" in raw[at:]:
            line = raw[at:raw.index(b"\n", at)].decode()
            notes.setdefault(line.split(":")[0], []).append(line.split(": ", 1)[1].strip("<>"))
            at = raw.index(b"\n", at) + 1
        if b"\n\n" not in raw or "X-Rcpt-Args" not in notes:
            continue  # still being written
        # It ends lines as files do; on the wire they end with CRLF.
        text = raw[at:].rstrip(b"\n") + b"\n"
        text = text.replace(b"\r\n", b"\n").replace(b"\n", b"\r\n")
        found.append(Letter(file.stat().st_mtime, notes["X-Mail-Args"][0].split(">")[0],
                            [to.split(">")[0] for to in notes["X-Rcpt-Args"]], text))
    return found


def test_the_road_over_another_relay(tmp_path, sink, buoy):
    port, folder = sink
    daemon = Daemon(tmp_path, relay(port), buoy.url, grace="3s").start()
    try:
        filed = daemon.file(plan_text(returns_in_s=4))
        expected = Counter({("overdue", FIRST): 1} | {("filed", to): 1 for to in CREW + CONTACTS})
        wait_for(folder, expected)
        assert daemon.api("POST", filed["links"]["checkin"], {}).json["state"] == "closed"
        expected += Counter({("stand-down", FIRST): 1, ("home", CONTACTS[1]): 1})
        expected += Counter({("home", to): 1 for to in CREW})
        wait_for(folder, expected)
        time.sleep(2)
    finally:
        daemon.stop()
        print(daemon.log()[-20000:])
    found = letters(folder)
    counts = Counter((letter.kind, letter.to) for letter in found)
    # Contacts who have never answered are asked once, by day only.
    once = Counter({key: 1 for key in counts if key[0] in ("due", "reminder", "confirm")})
    assert counts - once == expected
    assert len({letter.id for letter in found}) == len(found)
    assert KEEPER not in {letter.to for letter in found}
    for letter in found:
        check(letter)


def wait_for(folder, expected):
    end = time.time() + 20
    while time.time() < end:
        counts = Counter((letter.kind, letter.to) for letter in letters(folder))
        if not expected - counts:
            return
        time.sleep(0.2)
    raise AssertionError(f"missing {expected - counts}; came: {counts}")
