#!/usr/bin/env python3
"""Kills the daemon, or cuts the power of its disk, again and again while people file trips and
come home; then asks the oracle.

    crashes.py kills --times 10000 --lanes 4 --seed 1
    crashes.py power-cuts --times 10000 --lanes 4 --seed 1    # as root: loop devices

A life is mostly waiting, so several lanes go side by side: each has a daemon, a folder (or a disk),
people, a relay and a seed of its own, and knows nothing of the others. The command of each is printed,
and takes that lane again by itself.
"""

import argparse
import json
import random
import socket
import sys
import time

import lanes
from lamp import Disk, Folder, Lamp
from oracle import judge
from people import People
from sink import Sink


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def first_life(lamp, people):
    """Files one trip, to see how long that takes on this machine with this build."""
    start = time.time()
    lamp.start()
    lamp.wait_ready()
    people.file_first()
    lamp.stop()
    return start, time.time()


def live_and_die(lamp, times, dice, until, filing_s):
    """The lives of the daemon: mostly too short to settle, now and then long enough."""
    lives = []
    for number in range(times):
        if time.time() > until:
            break
        start = time.time()
        lamp.start()
        # Some lives end before anything is said; most once the service answers.
        if dice.random() < 0.7:
            lamp.wait_listening()
        short = dice.uniform(0.005, max(0.25, 3 * filing_s))
        time.sleep(dice.uniform(3.2, 4.5) if number % 50 == 49 else short)
        if lamp.process.poll() is not None:
            raise AssertionError(f"it died by itself; its log: {lamp.log.name}")
        lamp.cut()
        lives.append((start, time.time()))
        if (number + 1) % 500 == 0:
            print(f"  {number + 1} times", flush=True)
    return lives


def settle(lamp, people, sink):
    """A last, long life, until nothing more arrives."""
    start = time.time()
    lamp.start()
    lamp.wait_ready(60)
    people.stop_filing()
    people.wait_all_home()
    seen = -1
    while seen != len(sink.taken):
        seen = len(sink.taken)
        time.sleep(8)
    lamp.stop()
    return start, time.time()


def parse():
    words = argparse.ArgumentParser(description=__doc__,
                                    formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("how", choices=["kills", "power-cuts"])
    words.add_argument("--times", type=int, default=40, help="in all lanes together")
    words.add_argument("--lanes", type=int, default=1, help="how many daemons, side by side")
    words.add_argument("--seed", type=int, default=random.randrange(1 << 32))
    words.add_argument("--minutes", type=float, default=600, help="stop cutting after this long")
    words.add_argument("--keep", action="store_true", help="leave the data and the log")
    words.add_argument("--port", type=int, help=argparse.SUPPRESS)
    words.add_argument("--result", help=argparse.SUPPRESS)
    return words.parse_args()


def one_lane(asked):
    """One daemon, again and again; what it came to."""
    folder = Folder() if asked.how == "kills" else Disk()
    sink = Sink()
    lamp = Lamp(folder, sink.port, asked.port or free_port())
    people = People(lamp, asked.seed)
    try:
        until = time.time() + asked.minutes * 60
        lives = [first_life(lamp, people)]
        people.start()
        lives += live_and_die(lamp, asked.times, random.Random(asked.seed), until, people.filing_s)
        lives.append(settle(lamp, people, sink))
    except BaseException:
        # People insist for as long as they live: nobody waits for them, nor for one that hangs.
        lamp.end()
        raise
    verdict = judge(people.trips, sink.taken, lives, sink.most_open)
    late_to_file = [one for one in people.refused if one[1] != 422 and one[1] != 400]
    for trip, status, answer in late_to_file:
        verdict.say(f"{trip}: answered {status} {answer[:200]}")
    print(json.dumps(verdict.figures, indent=2))
    if verdict.figures["alerted"] < asked.times / 20:
        verdict.say("too few alerts to tell anything")
    for trip, status, answer in people.refused[:3]:
        print("refused:", status, answer[:300])
    print(f"too late to file: {len(people.refused) - len(late_to_file)}")
    for words in verdict.wrong[:40]:
        print("WRONG:", words)
    if not asked.keep and not verdict.wrong:
        folder.remove()
    else:
        print(f"the data and the log are in {folder.home}")
    # The first life and the last end in peace.
    return {"figures": verdict.figures, "wrong": len(verdict.wrong), "cut": len(lives) - 2}


def main():
    asked = parse()
    print(f"seed {asked.seed}", flush=True)
    if asked.lanes > 1:
        came = lanes.run(asked)
        print(json.dumps(came["figures"], indent=2))
    else:
        came = one_lane(asked)
    print(f"{asked.how}: {came['cut']}, seed {asked.seed}: {came['wrong']} wrong")
    if asked.result:
        with open(asked.result, "w", encoding="utf-8") as result:
            json.dump(came, result)
    return 1 if came["wrong"] else 0


if __name__ == "__main__":
    sys.exit(main())
