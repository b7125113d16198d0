#!/usr/bin/env python3
"""Kills the daemon at each of its system calls that count, one after another, in the course of one
trip that is filed, alerted and ended; then asks the oracle.

    syscalls.py                    # every call there is
    syscalls.py --calls fdatasync --only 7
"""

import argparse
import sys
import time
from concurrent.futures import ThreadPoolExecutor

from crashes import free_port
from lamp import Folder, Lamp
from oracle import judge
from people import People, Trip
from sink import Sink

# What reaches the disk, and what leaves for a client or a relay. strace counts each thread's calls
# for itself, so every name is counted for itself too.
CALLS = ["fsync", "fdatasync", "pwrite64", "write", "ftruncate", "unlink", "rename", "openat",
         "sendto", "recvfrom", "writev"]
PATIENCE_S = 60


class Stood:
    """One trip's way past one fault."""

    def __init__(self, sink, call, number):
        self.sink, self.call, self.number = sink, call, number
        self.folder = Folder()
        self.lamp = Lamp(self.folder, sink.port, free_port())
        self.lives, self.killed = [], False

    def go(self):
        inject = f"inject={self.call}:signal=SIGKILL:when={self.number}"
        self.lamp.start(["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={self.call}",
                         "-e", inject])
        self._born = time.time()
        # The number tells this trip's letters from the others' in the common relay.
        trip = Trip(int(self._born * 1000) * 1000 + self.number, 0, 0)
        people = People(self.lamp, 0, filers=0)
        with ThreadPoolExecutor(1) as filer:
            filing = filer.submit(self._file, people, trip)
            self._watch_over(trip)
            filing.result()
            people.wait_all_home()
        self.lamp.stop()
        self.lives.append((self._born, time.time()))
        mine = [one for one in self.sink.taken if one.to == trip.contact]
        verdict = judge([trip], mine, self.lives, connections=1)
        for one in people.refused:
            verdict.say(f"{trip}: answered {one[1:]}")
        if trip.ashore_at is None:
            verdict.say(f"{trip}: could not be ended")
        if not verdict.wrong:
            self.folder.remove()
        return self.killed, verdict

    def _file(self, people, trip):
        """Files once the service answers: being traced, it is slow to start."""
        while not self.lamp.listens():
            time.sleep(0.01)
        trip.overdue_at = int(time.time()) + 4
        trip.home_at = trip.overdue_at + 1.5
        people.file(trip)

    def _watch_over(self, trip):
        """Starts it again when it falls, until the last letter is there."""
        end = time.time() + PATIENCE_S
        while time.time() < end:
            if self.lamp.process.poll() is not None:
                self.killed = True
                self.lives.append((self._born, time.time()))
                self._born = time.time()
                self.lamp.start()
            kinds = {one.kind for one in self.sink.taken if one.to == trip.contact}
            if trip.ashore_at and kinds & {"stand-down", "home"}:
                return
            time.sleep(0.02)


def main():
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--calls", nargs="*", default=CALLS)
    words.add_argument("--only", type=int, help="this number of the call alone")
    words.add_argument("--most", type=int, default=400, help="give a call up after so many")
    words.add_argument("--together", type=int, default=6)
    asked = words.parse_args()
    sink, wrong, points = Sink(), 0, 0
    for call in asked.calls:
        numbers = [asked.only] if asked.only else range(1, asked.most + 1)
        kills = 0
        with ThreadPoolExecutor(asked.together) as pool:
            for at in range(0, len(numbers), asked.together):
                some = numbers[at:at + asked.together]
                ends = list(pool.map(lambda number: Stood(sink, call, number).go(), some))
                for number, (killed, verdict) in zip(some, ends):
                    kills += killed
                    wrong += len(verdict.wrong)
                    for word in verdict.wrong:
                        print(f"WRONG at {call} {number}: {word}", flush=True)
                if not any(killed for killed, _ in ends):
                    break
        points += kills
        print(f"{call}: killed at {kills} of its calls", flush=True)
    print(f"{points} points, {wrong} wrong")
    return 1 if wrong or not points else 0


if __name__ == "__main__":
    sys.exit(main())
