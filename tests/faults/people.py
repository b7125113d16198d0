"""The people of these checks, all invented: they file plans, and some come home and say so."""

import json
import random
import threading
import time
from dataclasses import dataclass, field
from datetime import datetime, timezone
from urllib.parse import urlsplit


@dataclass
class Trip:
    """What its people know of it. Times in seconds since 1970; `None`: never."""

    number: int
    overdue_at: float
    home_at: float | None
    ref: str | None = None
    filed_at: float | None = None
    asked_at: float | None = None
    ashore_at: float | None = None
    checkin: str | None = field(default=None, repr=False)

    @property
    def contact(self):
        return f"contact{self.number}@example.org"


def _plan(trip):
    def clock(at):
        return datetime.fromtimestamp(at, timezone.utc).isoformat()
    return json.dumps({
        "times": {"launch": clock(trip.overdue_at - 7200), "return_by": clock(trip.overdue_at)},
        "launch": {"position": "48.5608 -123.1755"},
        "crew": [{"name": "Maren Tollefsby"}],
        "contact": [{"name": "Philippa Ashgrove", "email": trip.contact}],
    })


class People:
    """Files trips until told to stop, several at a time; each that ends well is checked in."""

    def __init__(self, lamp, seed, filers=2, pause_s=0.05):
        self.lamp, self.trips, self.refused = lamp, [], []
        self._random = random.Random(seed)
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._pause_s, self.filing_s = pause_s, 0.0
        self._threads = [threading.Thread(target=self._file_trips, daemon=True)
                         for _ in range(filers)]
        self._coming_home = []

    def start(self):
        for thread in self._threads:
            thread.start()

    def file_first(self):
        """Files a trip on a quiet service, and remembers how long that took."""
        trip = Trip(len(self.trips), int(time.time()) + 30, None)
        self.trips.append(trip)
        start = time.time()
        self.file(trip)
        self.filing_s = time.time() - start

    def stop_filing(self):
        self._stop.set()
        for thread in self._threads:
            if thread.ident:
                thread.join()

    def wait_all_home(self):
        for thread in self._coming_home:
            thread.join()

    def _file_trips(self):
        while not self._stop.is_set():
            self.file(self._next_trip())
            time.sleep(self._pause_s)

    def _next_trip(self):
        with self._lock:
            overdue_at = int(time.time() + 5 * self.filing_s) + self._random.choice([2, 2, 3, 4])
            home_at = overdue_at + self._random.uniform(-1.5, 1.5)
            home_at = home_at if self._random.random() < 0.5 else None
            trip = Trip(len(self.trips), overdue_at, home_at)
            self.trips.append(trip)
            return trip

    def file(self, trip):
        headers = {"Authorization": f"Bearer {self.lamp.key}", "Content-Type": "application/json",
                   "Idempotency-Key": f"trip-{trip.number}"}
        status, answer = self._insist("/api/v1/plans", _plan(trip), headers)
        if status != 201:
            # Too late to file: the return time has passed while the service was down.
            self.refused.append((trip, status, answer))
            return
        filed = json.loads(answer)
        trip.ref, trip.filed_at = filed["ref"], time.time()
        trip.checkin = urlsplit(filed["links"]["checkin"]).path
        if trip.home_at is not None:
            thread = threading.Thread(target=self._come_home, args=(trip,), daemon=True)
            self._coming_home.append(thread)
            thread.start()

    def _come_home(self, trip):
        time.sleep(max(0, trip.home_at - time.time()))
        trip.asked_at = time.time()
        status, answer = self._insist(
            trip.checkin, "{}", {"Content-Type": "application/json",
                                 "Idempotency-Key": f"home-{trip.number}"})
        if status != 200:
            self.refused.append((trip, status, answer))
            return
        trip.ashore_at = time.time()

    def _insist(self, path, body, headers):
        """The same request until somebody answers it; a service that falls is asked again."""
        while True:
            try:
                status, answer = self.lamp.request("POST", path, body, headers)
                if status < 500:
                    return status, answer
            except OSError:
                pass
            time.sleep(0.02)
