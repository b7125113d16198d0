"""Who would notice from outside that the service is gone, each in its own way: a machine that
expects its heartbeat, somebody who asks `/healthz`, and systemd's watchdog. None asks the daemon's
files, and each goes by the clock of this process."""

import os
import socket
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from daemon import request


class Beats:
    """Expects a heartbeat; one that is half its interval late (at least two seconds) is missed."""

    def __init__(self, every_s):
        self.overdue_after_s = every_s + max(2, every_s / 2)
        self.last = None
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self):
                outer.last = time.monotonic()
                self.send_response(204)
                self.end_headers()

            def log_message(self, *_):
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.settings = (f'[service.heartbeat]\nevery = "{every_s}s"\n'
                         f'url = "http://127.0.0.1:{self._server.server_address[1]}/ours"\n')
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def is_well(self):
        return self.last is not None

    def alarm(self):
        """Why it is alarmed; empty when it is not."""
        silent_s = time.monotonic() - self.last
        return f"no heartbeat for {silent_s:.1f} s" if silent_s > self.overdue_after_s else ""

    def stop(self):
        self._server.shutdown()
        self._server.server_close()


class Asker:
    """Asks `/healthz` every second, and gives it five to answer."""

    def __init__(self, base_url):
        self._url, self._said, self._end = f"{base_url}/healthz", None, threading.Event()
        threading.Thread(target=self._ask, daemon=True).start()

    def _ask(self):
        while not self._end.wait(1):
            try:
                answer = request("GET", self._url, timeout=5)
                self._said = "" if answer.status == 200 else f"{answer.status} {answer.text}"
            except OSError as error:
                self._said = f"no answer: {error}"

    def is_well(self):
        return self._said == ""

    def alarm(self):
        return self._said

    def stop(self):
        self._end.set()


class Systemd:
    """The service manager's side of sd_notify(3) and of its watchdog (systemd.service(5),
    `WatchdogSec`): bites when it is not fed in time. Keeps the status that `systemctl` would show.
    """

    def __init__(self, folder, bites_after_s):
        self.bites_after_s = bites_after_s
        self.fed, self.status, self._path = None, "", str(folder / "notify")
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(self._path)
        threading.Thread(target=self._hear, daemon=True).start()

    @property
    def environment(self):
        return {"NOTIFY_SOCKET": self._path, "WATCHDOG_USEC": str(self.bites_after_s * 1_000_000)}

    def _hear(self):
        while True:
            try:
                said = self._socket.recv(4096).decode()
            except OSError:
                return
            for line in said.splitlines():
                if line == "WATCHDOG=1":
                    self.fed = time.monotonic()
                elif line.startswith("STATUS="):
                    self.status = line[len("STATUS="):]

    def is_well(self):
        return self.fed is not None and "MAY NOT" not in self.status

    def alarm(self):
        unfed_s = time.monotonic() - self.fed
        return f"the watchdog bites after {unfed_s:.1f} s" if unfed_s > self.bites_after_s else ""

    def stop(self):
        self._socket.close()
        os.unlink(self._path)
