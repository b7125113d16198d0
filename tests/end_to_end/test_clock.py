"""The machine's clock is set while plans are open: by libfaketime, under the real program.

libfaketime moves what the C library says of the wall clock; the boot clock, which the program asks
the kernel for, goes on. Whether the kernel holds the clock to be synchronised can't be faked: the
cases ask the kernel, and expect what is right for this machine. Both are tested in one process
in `src/daemon/referee/`.
"""

import ctypes
import os
import re
import signal
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from daemon import BIN, Daemon, free_port, request, rung
from mailbox import Mailbox
from world import FIRST, instant, plan_text, relay

FOLDERS = ["/usr/lib/x86_64-linux-gnu/faketime", "/usr/lib/aarch64-linux-gnu/faketime",
           "/usr/lib/faketime"]
LIBRARY = os.environ.get("SHORELAMP_FAKETIME") or next(
    (f"{at}/libfaketimeMT.so.1" for at in FOLDERS if Path(at, "libfaketimeMT.so.1").exists()), None)

LADDER = [rung("overdue", ["contact:1"], "overdue"),
          rung("overdue+5s", ["contacts"], "call-rescue")]
# The bounds of `src/daemon/referee/`, and what a tick and a letter take on a busy machine.
BOOT_RULES_S, BELIEVED_S, SLACK_S = 120, 60, 12


def synchronised():
    """What the kernel says (adjtimex(2): TIME_ERROR is 5, STA_UNSYNC 0x40)."""
    asked = ctypes.create_string_buffer(512)
    state = ctypes.CDLL(None).adjtimex(asked)
    status = int.from_bytes(asked.raw[40:44], "little")
    return 0 <= state < 5 and not status & 0x40


class Machine:
    """A daemon under a clock that can be set, and its mailbox."""

    def __init__(self, folder):
        if LIBRARY is None:
            pytest.fail("libfaketime is needed (Debian: libfaketime), or SHORELAMP_FAKETIME=…")
        folder.mkdir()
        self.box = Mailbox(free_port()).start()
        self.daemon = Daemon(folder, relay(self.box.port), ladder=LADDER, grace="2s", repeat="1h")
        self.wall = folder / "wall"
        self.set_wall("+0")
        self.env = os.environ | {
            "LD_PRELOAD": LIBRARY, "FAKETIME_TIMESTAMP_FILE": str(self.wall),
            "FAKETIME_DONT_FAKE_MONOTONIC": "1", "FAKETIME_NO_CACHE": "1"}
        self.daemon.start(env=self.env)
        # Made before any plan: on a busy machine this takes seconds.
        self.daemon.key = self.daemon.new_key()

    def set_wall(self, offset):
        part = self.wall.with_suffix(".part")
        part.write_text(f"{offset}\n")
        part.rename(self.wall)
        self.set_at = time.time()

    def alerts(self):
        """Seconds from the clock's setting to each alert, and what it says."""
        return [(letter.arrived - self.set_at, letter.kind, letter.flat) for letter in self.box.of()
                if letter.kind in ("overdue", "call-rescue")]

    def health(self):
        return request("GET", f"{self.daemon.base_url}/healthz")

    def command(self, *words):
        return subprocess.run([BIN, "--config", str(self.daemon.settings), *words], env=self.env,
                              capture_output=True, text=True, timeout=30)

    def end(self):
        self.daemon.stop()
        self.box.stop()
        print(f"{self.daemon.folder.name}: {self.alerts()}\n{self.daemon.log()[-5000:]}")


@pytest.fixture
def machine(tmp_path):
    machines = []

    def make(name):
        machines.append(Machine(tmp_path / name))
        return machines[-1]

    yield make
    for one in machines:
        one.end()


def says_so(text):
    return re.search(r"clocks of this service's machine disagree by ", text)


def test_a_clock_set_to_anything_makes_no_early_alert_nor_a_late_one(machine):
    names = {"hour-on": "+3600", "years-on": "+315360000", "hour-back": "-3600",
             "years-back": "-315360000", "there-and-back": "+3600"}
    with ThreadPoolExecutor() as pool:
        machines = dict(zip(names, pool.map(machine, names)))
    for name, one in machines.items():
        # Ahead: the plan returns long after this case. Back: it is overdue twelve seconds from now.
        one.daemon.file(plan_text(returns_in_s=10 if "back" in name and "there" not in name else 900))
        one.set_wall(names[name])
    time.sleep(BELIEVED_S - 10)
    early = {name: one.alerts() for name, one in machines.items() if name in ("hour-on", "years-on")}
    assert not any(early.values()), f"nobody vouches for the clock yet: {early}"
    machines["there-and-back"].set_wall("+0")
    for name in ("hour-back", "years-back"):
        (late_s, kind, text), *_ = sorted(machines[name].alerts())
        assert kind == "overdue" and 8 <= late_s <= 13 + SLACK_S, f"{name}: on time, {late_s:.1f} s"
        assert not says_so(text), "in the first two minutes the boot clock is believed"
    rules_after_s = BELIEVED_S if synchronised() else BOOT_RULES_S
    time.sleep(BOOT_RULES_S - BELIEVED_S + 10 + SLACK_S)
    for name in ("hour-on", "years-on"):
        (early_s, kind, text), *_ = sorted(machines[name].alerts())
        assert rules_after_s - 3 <= early_s <= rules_after_s + SLACK_S, f"{name}: {early_s:.1f} s"
        assert bool(says_so(text)) != synchronised(), f"{name}: {text}"
    assert not machines["there-and-back"].alerts(), "the clock came back"
    assert machines["there-and-back"].health().status == 200

    if synchronised():
        return
    back = machines["hour-back"]
    ill = back.health()
    assert ill.status == 503 and "the clock was set" in ill.text, ill
    told = sorted(machines["years-on"].alerts())[0][2]
    assert re.search(r"disagree by 36(49|50) days", told), told
    # That it seems late is the clock's doing, and no outage's.
    assert not re.search(r"late by|was down", sorted(machines["hour-on"].alerts())[0][2])
    accepted = back.command("clock", "accept")
    assert accepted.returncode == 0 and "You vouch for" in accepted.stdout, accepted
    end = time.time() + 20
    while back.health().status != 200:
        assert time.time() < end, back.health()
        time.sleep(0.5)


def test_a_clock_set_back_while_the_machine_was_off_holds_no_alert(machine):
    one = machine("off")
    due = instant(one.daemon.file(plan_text(returns_in_s=12))["overdue_at"])
    one.box.wait("filed", FIRST)
    one.daemon.stop()
    one.set_wall("-3600")
    one.daemon.start(healthy=False, env=one.env)
    letter = one.box.wait("overdue", FIRST)
    assert letter.arrived - due <= 2 + SLACK_S
    # Across a start there is no boot clock to compare: it is said at once.
    assert re.search(r"disagree by (59 min|1 h)", letter.flat), letter.text
    if not synchronised():
        assert "the clock was set" in one.health().text


def test_a_machine_that_slept_alerts_when_it_wakes_and_says_how_late(machine):
    one = machine("asleep")
    one.daemon.file(plan_text(returns_in_s=5))
    one.box.wait("filed", FIRST)
    one.daemon.process.send_signal(signal.SIGSTOP)
    time.sleep(20)
    assert not one.alerts()
    woke = time.time()
    one.daemon.process.send_signal(signal.SIGCONT)
    letter = one.box.wait("call-rescue", FIRST)
    assert letter.arrived - woke <= SLACK_S, f"{letter.arrived - woke:.1f} s after it woke"
    assert re.search(r"late by \d+ s", letter.flat), letter.text
    assert not one.box.of("overdue", FIRST), "only the highest rung that is due"
    assert not says_so(letter.flat), "both clocks went on in its sleep"


def test_a_boot_clock_of_its_own_changes_nothing(machine):
    """A container whose clocks began elsewhere (time_namespaces(7))."""
    can = subprocess.run(["unshare", "-T", "--boottime", "86400", "true"], capture_output=True)
    if can.returncode:
        pytest.skip(f"no time namespace can be made here: {can.stderr.decode().strip()}")
    one = machine("elsewhere")
    one.daemon.stop()
    one.daemon.start(prefix=["unshare", "-T", "--boottime", "86400", "--monotonic", "86400"])
    due = instant(one.daemon.file(plan_text(returns_in_s=8))["overdue_at"])
    letter = one.box.wait("overdue", FIRST)
    assert -1 <= letter.arrived - due <= SLACK_S and not says_so(letter.flat)
