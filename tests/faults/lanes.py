"""Several lanes of `crashes.py` side by side: each is a process that knows nothing of the others."""

import json
import random
import socket
import subprocess
import sys
import tempfile
import threading
from contextlib import ExitStack
from pathlib import Path

SCRIPT = Path(__file__).resolve().parent / "crashes.py"
# Of these the most counts; the others are added up.
MOST = {"most connections"}


def seed_of(seed, lane):
    """The same for the same two numbers, and no other lane's."""
    return random.Random(f"{seed} lane {lane}").randrange(1 << 32)


def words_of(asked, lane):
    """The command that takes this lane by itself."""
    share = asked.times // asked.lanes + (lane < asked.times % asked.lanes)
    words = [asked.how, "--times", str(share), "--seed", str(seed_of(asked.seed, lane)),
             "--minutes", str(asked.minutes)]
    return words + (["--keep"] if asked.keep else [])


def run(asked):
    """Runs them all, tells what each says, and adds up what they come to."""
    with ExitStack() as ends:
        ports = _free_ports(asked.lanes)
        folder = Path(ends.enter_context(tempfile.TemporaryDirectory(prefix="shorelamp-lanes-")))
        under_way = []
        for lane in range(asked.lanes):
            words = words_of(asked, lane)
            print(f"[{lane}] crashes.py {' '.join(words)}", flush=True)
            result = folder / f"{lane}.json"
            process = subprocess.Popen(
                [sys.executable, "-u", SCRIPT, *words, "--port", str(ports[lane]),
                 "--result", result],
                stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
            telling = threading.Thread(target=_tell, args=(lane, process))
            telling.start()
            under_way.append((process, telling, result))
        came = []
        for process, telling, result in under_way:
            process.wait()
            telling.join()
            came.append(_read(result))
    return add_up(came)


def add_up(came):
    """The figures of all; a lane that came to nothing is wrong."""
    figures = {}
    for one in came:
        for name, figure in one["figures"].items():
            before = figures.get(name, 0)
            figures[name] = max(before, figure) if name in MOST else before + figure
    return {"figures": figures, "wrong": sum(one["wrong"] for one in came),
            "cut": sum(one["cut"] for one in came)}


def _read(result):
    try:
        return json.loads(result.read_text())
    except OSError:
        return {"figures": {}, "wrong": 1, "cut": 0}


def _tell(lane, process):
    for line in process.stdout:
        print(f"[{lane}] {line}", end="", flush=True)


def _free_ports(how_many):
    """Taken at the same time, so that no two lanes get the same."""
    with ExitStack() as ends:
        probes = [ends.enter_context(socket.socket()) for _ in range(how_many)]
        for probe in probes:
            probe.bind(("127.0.0.1", 0))
        return [probe.getsockname()[1] for probe in probes]
