"""What stands round the daemon: a relay, a buoy's service, a plan with its times moved."""

import datetime as dt
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from string import Template

from daemon import HERE, ROOT
from mailbox import PASSWORD, USER

CREW = ["maren@example.org", "zoe@example.org"]
CONTACTS = ["philippa@example.org", "ruben@example.org"]
FIRST, SECOND = CONTACTS
KEEPER = "keeper@example.org"
NAMES = dict(zip(CREW + CONTACTS, ["Maren Tollefsby", "Zoë Quillan", "Philippa Ashgrove",
                                   "Ruben Castellar"]))
MEDICAL = "insulin pump"


def now():
    return dt.datetime.now(dt.timezone.utc)


def plan_text(returns_in_s, launched_s_ago=3600):
    """The plan, returning so many seconds from now, on the clocks of the launch."""
    zone = dt.timezone(dt.timedelta(hours=-7))
    # The next whole second: what is written is what is meant.
    start = now().replace(microsecond=0) + dt.timedelta(seconds=1)
    launch = (start - dt.timedelta(seconds=launched_s_ago)).astimezone(zone)
    return_by = (start + dt.timedelta(seconds=returns_in_s)).astimezone(zone)
    return Template((HERE / "plan.toml").read_text()).substitute(
        LAUNCH=launch.isoformat(), RETURN_BY=return_by.isoformat())


def instant(text):
    """An RFC 3339 time as seconds since 1970."""
    return dt.datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()


def relay(port, certificates=None, folder=None):
    """A relay's section of the settings: with TLS and a password, or with neither."""
    if not certificates:
        return f'[[mail.relay]]\nhost = "127.0.0.1"\nport = {port}\nsecurity = "none"\n'
    (folder / "relay.password").write_text(PASSWORD + "\n")
    (folder / "relay.password").chmod(0o600)
    return (f'[[mail.relay]]\nhost = "127.0.0.1"\nport = {port}\nsecurity = "starttls"\n'
            f'username = "{USER}"\npassword_file = "relay.password"\n'
            f'ca_file = "{certificates.ca_file}"\n')


class Buoy:
    """Stands in for the service of readings: the demo's invented ones, moved so that the newest
    was taken eight minutes ago."""

    def __init__(self):
        self.asked = []
        self.rows = self._rows()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self):
                outer.asked.append(self.path)
                found = self.path.endswith("/46088.txt")
                body = "\n".join(outer.rows).encode() + b"\n" if found else b"not found\n"
                self.send_response(200 if found else 404)
                self.send_header("Content-Type", "text/plain")
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *_):
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    @staticmethod
    def _rows():
        lines = (ROOT / "demo-data" / "ndbc-46088.txt").read_text().splitlines()
        newest = None
        moved = []
        for line in lines:
            if line.startswith("#"):
                moved.append(line)
                continue
            at = dt.datetime.strptime(line[:16], "%Y %m %d %H %M").replace(tzinfo=dt.timezone.utc)
            newest = newest or at
            at = at - newest + now() - dt.timedelta(minutes=8)
            moved.append(at.strftime("%Y %m %d %H %M") + line[16:])
        return moved

    def newest_water(self):
        """The newest row that holds a water temperature: (degrees Celsius, when)."""
        column = self.rows[0].split().index("WTMP")
        for row in self.rows:
            fields = row.split()
            if not row.startswith("#") and fields[column] != "MM":
                at = dt.datetime.strptime(" ".join(fields[:5]), "%Y %m %d %H %M")
                return float(fields[column]), at.replace(tzinfo=dt.timezone.utc)
        raise AssertionError("no water temperature in the demo's readings")

    def stop(self):
        self._server.shutdown()
        self._server.server_close()
