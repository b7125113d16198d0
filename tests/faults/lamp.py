"""The daemon as a process whose life, or whose disk, can be cut off at any moment."""

import fcntl
import http.client
import json
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
BIN = os.environ.get("SHORELAMP_BIN", str(ROOT / "target" / "release" / "shorelamp"))

# Linux, fs/ext4/ioctl.c: EXT4_IOC_SHUTDOWN, and "without a flush of the log": what was not synced
# is gone, as when the power goes.
EXT4_IOC_SHUTDOWN, NO_LOG_FLUSH = 0x8004587D, 2

SETTINGS = """
[service]
name = "Madrona Point"
listen = "127.0.0.1:{port}"
base_url = "http://127.0.0.1:{port}"
data_dir = "{data}"
[mail]
from = "Shorelamp <lamp@example.org>"
[[mail.relay]]
host = "127.0.0.1"
port = {relay}
security = "none"
[shoreline]
files = []
[water]
nearby = false
[ladder]
grace = "0s"
[[ladder.rung]]
at = "overdue"
to = ["contacts"]
kind = "overdue"
[[ladder.rung]]
at = "overdue+2h"
to = ["contacts"]
kind = "call-rescue"
[limits]
filings_per_key_per_hour = 10000000
filings_per_address_per_day = 10000000
"""


def run(*words):
    subprocess.run(list(map(str, words)), check=True, capture_output=True)


class Folder:
    """A plain folder for the data: what is killed is the process alone."""

    def __init__(self):
        self.home = Path(tempfile.mkdtemp(prefix="shorelamp-faults-"))
        self.data = self.home / "data"
        self.data.mkdir(mode=0o700)

    def freeze(self):
        """Before the process dies."""

    def lost(self):
        """After it died."""

    def remove(self):
        shutil.rmtree(self.home, ignore_errors=True)


class Disk(Folder):
    """A file system of its own, whose power can be cut. Needs root and a loop device."""

    def __init__(self, size_mb=2048):
        super().__init__()
        self.image = self.home / "disk"
        with self.image.open("wb") as image:
            image.truncate(size_mb << 20)
        run("mkfs.ext4", "-q", "-E", "lazy_itable_init=0", self.image)
        self._mount()
        self.data.chmod(0o700)

    def _mount(self):
        run("mount", "-o", "loop", self.image, self.data)

    def freeze(self):
        """The power goes: from here on nothing more reaches the disk."""
        root = os.open(self.data, os.O_RDONLY)
        try:
            fcntl.ioctl(root, EXT4_IOC_SHUTDOWN, NO_LOG_FLUSH.to_bytes(4, "little"))
        finally:
            os.close(root)

    def lost(self):
        """The power comes back, and the journal is replayed."""
        run("umount", self.data)
        self._mount()

    def remove(self):
        subprocess.run(["umount", str(self.data)], check=False, capture_output=True)
        super().remove()


class Lamp:
    """One daemon after another on the same data."""

    def __init__(self, folder, relay_port, port, settings=SETTINGS):
        self.folder, self.port = folder, port
        self.settings = folder.home / "shorelamp.toml"
        self.settings.write_text(
            settings.format(port=port, relay=relay_port, data=folder.data))
        self.log = (folder.home / "log").open("ab")
        self.process = None
        made = subprocess.run([BIN, "--config", self.settings, "key", "add", "Ramp", "--json"],
                              check=True, capture_output=True)
        self.key = json.loads(made.stdout)["key"]

    def start(self, before=()):
        words = [*before, BIN, "--config", str(self.settings), "serve"]
        self.process = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=self.log,
                                        stderr=self.log)

    def cut(self):
        """Ends it with no warning, and its disk with it. A process that outlived its disk could
        be told of a sync that never was: so it is frozen first."""
        self.process.send_signal(signal.SIGSTOP)
        _wait_until_stopped(self.process.pid)
        self.folder.freeze()
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        self.folder.lost()

    def end(self):
        """Whatever it does, and though it be frozen."""
        if self.process and self.process.poll() is None:
            self.process.kill()
            self.process.wait()

    def stop(self):
        pid = self.process.pid
        # Under strace it is the child that is to end: strace itself would not hear.
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        for one in children or [pid]:
            os.kill(int(one), signal.SIGTERM)
        self.process.wait(20)

    def wait_ready(self, within_s=20):
        end = time.time() + within_s
        while time.time() < end:
            if self.process.poll() is not None:
                break
            try:
                if self.request("GET", "/healthz")[0] == 200:
                    return
            except OSError:
                pass
            time.sleep(0.02)
        raise AssertionError(f"not ready within {within_s} s; its log: {self.log.name}")

    def wait_listening(self, within_s=20):
        end = time.time() + within_s
        while time.time() < end and self.process.poll() is None:
            if self.listens():
                return
            time.sleep(0.002)

    def listens(self):
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def request(self, method, path, body=None, headers=None, timeout=5):
        """One request on a connection of its own: (status, answer); OSError when it was cut."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=timeout)
        try:
            line.request(method, path, body, headers or {})
            answer = line.getresponse()
            return answer.status, answer.read()
        except http.client.HTTPException as error:
            raise ConnectionError(str(error)) from error
        finally:
            line.close()


def _wait_until_stopped(pid):
    """SIGSTOP is a wish until every thread has heard it; a sync on a busy disk takes its seconds."""
    for _ in range(120_000):
        states = set()
        for task in Path(f"/proc/{pid}/task").iterdir():
            try:
                states.add((task / "stat").read_text().rsplit(")", 1)[1].split()[0])
            except OSError:
                continue
        # A thread in the middle of a sync (D) stops only after it; the disk is not cut before.
        if states <= {"T", "t", "Z", "X"}:
            return
        time.sleep(0.0005)
    raise AssertionError("the daemon would not freeze")
