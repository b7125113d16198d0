"""Every way in which the service can die without a word: another process has to notice it within
two minutes.

The short run scales the heartbeat and the watchdog down. `SILENT_AS_SHIPPED=1` takes the intervals
of the shipped settings and unit (a minute; half a minute) and prints a row for each death:

    SILENT_AS_SHIPPED=1 python3 -m pytest -n 10 -rP tests/end_to_end/test_silent_deaths.py
"""

import os
import shutil
import signal
import sqlite3
import subprocess
import threading
import time
from contextlib import ExitStack

import pytest

from daemon import Daemon, free_port
from mailbox import Mailbox
from test_clock import LIBRARY
from watchers import Asker, Beats, Systemd
from world import plan_text, relay

AS_SHIPPED = os.environ.get("SILENT_AS_SHIPPED") == "1"
BEAT_S, BITES_S = (60, 30) if AS_SHIPPED else (4, 12)
# The most that may pass until somebody outside knows.
NOTICED_WITHIN_S = 120


class Victim:
    """A daemon that is well, and those who watch it from outside."""

    def __init__(self, folder, ends, data_mb=None, environment=()):
        self.folder, self.ends = folder, ends
        self.box = Mailbox(free_port()).start()
        ends.callback(self.stop_relay)
        if data_mb:
            self._mount(data_mb)
        self.daemon = Daemon(folder, relay(self.box.port))
        beats, systemd = Beats(BEAT_S), Systemd(folder, BITES_S)
        with self.daemon.settings.open("a") as settings:
            settings.write(beats.settings)
        self.daemon.start(env=os.environ | systemd.environment | dict(environment))
        ends.callback(self._end)
        self.watchers = {"heartbeat": beats, "/healthz": Asker(self.daemon.base_url),
                         "watchdog": systemd}
        for one in self.watchers.values():
            ends.callback(one.stop)
        # A plan with hours to go: the service has nothing to say, and so dies in silence.
        self.daemon.file(plan_text(returns_in_s=7200))
        end = time.monotonic() + 30
        while not all(one.is_well() and not one.alarm() for one in self.watchers.values()):
            assert time.monotonic() < end, self.daemon.log()
            time.sleep(0.2)

    def _mount(self, size_mb):
        data = self.folder / "var"
        data.mkdir(mode=0o700)
        # Only root may, and not everywhere.
        mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size_mb}m,mode=700",
                                  "tmpfs", data], capture_output=True, text=True, check=False)
        if mounted.returncode:
            pytest.skip(f"no small disk can be mounted here (root can): {mounted.stderr.strip()}")
        self.ends.callback(subprocess.run, ["umount", "-l", data], check=False)

    def stop_relay(self):
        if self.box:
            self.box.stop()
            self.box = None

    def _end(self):
        # Whatever it suffers from: it may be unable to end by itself.
        self.daemon.kill()
        print(self.daemon.log()[-3000:])

    def strace(self, inject):
        """Lays hands on its system calls from now on."""
        if not shutil.which("strace"):
            pytest.skip("no strace here (Debian: strace)")
        hand = subprocess.Popen(
            ["strace", "-f", "-q", "-o", "/dev/null", "-e", "trace=" + inject.split(":")[0],
             "-e", f"inject={inject}", "-p", str(self.daemon.process.pid)],
            stderr=subprocess.PIPE, text=True)
        self.ends.callback(hand.wait)
        self.ends.callback(hand.kill)
        time.sleep(0.5)
        if hand.poll() is not None:
            pytest.skip(f"strace may not attach here: {hand.stderr.read().strip()}")


def killed(victim):
    victim.daemon.process.send_signal(signal.SIGKILL)


def frozen(victim):
    victim.daemon.process.send_signal(signal.SIGSTOP)


def deadlocked(victim):
    """Every thread that looks for its next task never comes back: the process lives, its port is
    open, and nothing is done."""
    victim.strace("epoll_wait,epoll_pwait:delay_exit=600000000")


def database_locked(victim):
    """Another process holds the database, as a forgotten shell would."""
    other = sqlite3.connect(victim.folder / "var" / "shorelamp.db", isolation_level=None)
    victim.ends.callback(other.close)
    other.execute("BEGIN IMMEDIATE")


def disk_hangs(victim):
    """No write comes to its end, as on a network's disk that is gone."""
    victim.strace("fsync,fdatasync:delay_enter=600000000")


def disk_full(victim):
    """Something fills the disk, and takes what room the service gives up for itself as well."""
    end = threading.Event()

    def fill():
        with (victim.folder / "var" / "filler").open("ab", buffering=0) as filler:
            while not end.wait(0.01):
                try:
                    while True:
                        filler.write(bytes(1 << 12))
                except OSError:
                    continue

    filling = threading.Thread(target=fill)
    filling.start()
    victim.ends.callback(filling.join)
    victim.ends.callback(end.set)


def relay_gone(victim):
    victim.stop_relay()


def clock_stands(victim):
    """The wall clock stands still, while the boot clock goes on."""
    wall = victim.folder / "wall"
    part = wall.with_suffix(".part")
    part.write_text(time.strftime("%Y-%m-%d %H:%M:%S\n"))
    part.rename(wall)


def clock_lost(victim):
    """The wall clock falls to 1970, as with a dead battery."""
    wall = victim.folder / "wall"
    part = wall.with_suffix(".part")
    part.write_text(f"-{int(time.time())}\n")
    part.rename(wall)


CLOCKS = (clock_stands, clock_lost)
# Who must notice each: systemd's watchdog bites only where a start mends it.
DEATHS = {
    killed: {"heartbeat", "/healthz", "watchdog"},
    frozen: {"heartbeat", "/healthz", "watchdog"},
    deadlocked: {"heartbeat", "/healthz", "watchdog"},
    database_locked: {"heartbeat", "/healthz"},
    disk_hangs: {"heartbeat", "/healthz"},
    disk_full: {"heartbeat", "/healthz"},
    relay_gone: {"heartbeat", "/healthz"},
    # Alerts go out on time meanwhile: nothing that a start would mend.
    clock_stands: {"heartbeat", "/healthz"},
    clock_lost: {"heartbeat", "/healthz"},
}


@pytest.mark.parametrize("death", DEATHS, ids=lambda death: death.__name__)
def test_another_process_notices_within_two_minutes(death, tmp_path):
    options = {}
    if death is disk_full:
        options["data_mb"] = 96
    if death in CLOCKS:
        if LIBRARY is None:
            pytest.fail("libfaketime is needed (Debian: libfaketime), or SHORELAMP_FAKETIME=…")
        wall = tmp_path / "wall"
        wall.write_text("+0\n")
        options["environment"] = {
            "LD_PRELOAD": LIBRARY, "FAKETIME_TIMESTAMP_FILE": str(wall),
            "FAKETIME_DONT_FAKE_MONOTONIC": "1", "FAKETIME_NO_CACHE": "1"}.items()
    with ExitStack() as ends:
        victim = Victim(tmp_path, ends, **options)
        died = time.monotonic()
        death(victim)
        noticed, missing = {}, DEATHS[death]
        while missing - set(noticed) and time.monotonic() - died <= NOTICED_WITHIN_S:
            for name, one in victim.watchers.items():
                if name not in noticed and (why := one.alarm()):
                    noticed[name] = (round(time.monotonic() - died, 1), why.strip())
            time.sleep(0.1)
        row = ", ".join(f"{name} {after_s} s ({why[:160]})" for name, (after_s, why) in noticed.items())
        print(f"{death.__name__}: {row}; systemd shows: {victim.watchers['watchdog'].status}")
        assert not missing - set(noticed), f"not noticed by {missing - set(noticed)}: {row}"
