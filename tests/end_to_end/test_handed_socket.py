"""The port as systemd hands it over (sd_listen_fds(3)): sockets from file descriptor 3 on, their number
in LISTEN_FDS, whom they are for in LISTEN_PID. Whoever made the socket keeps it, so that nobody else can
have the port between two lives of the service."""

import fcntl
import os
import socket
import subprocess
import threading
import time

import pytest

from daemon import BIN, Daemon, free_port, request
from world import plan_text

BAD_SETTINGS = 78


def listener(port):
    """A socket as systemd makes it."""
    held = socket.socket()
    held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    held.bind(("127.0.0.1", port))
    held.listen()
    return held


@pytest.fixture
def lamp(tmp_path):
    daemon = Daemon(tmp_path)
    yield daemon
    daemon.stop()
    print(f"Log of the daemon:\n{daemon.log()[-20000:]}")


def start(lamp, held, pid="$$"):
    """The service, handed these sockets; the shell becomes it and keeps its process's number."""
    # Above those into which they are put.
    high = [fcntl.fcntl(one, fcntl.F_DUPFD, 20) for one in held]
    moves = "".join(f" {3 + at}<&{one} {one}<&-" for at, one in enumerate(high))
    shell = f'exec{moves}; export LISTEN_FDS={len(held)} LISTEN_PID={pid}; exec "$0" "$@"'
    with lamp.log_file.open("ab") as log:
        lamp.process = subprocess.Popen(
            ["bash", "-c", shell, BIN, "--config", str(lamp.settings), "serve"],
            stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd=lamp.folder, pass_fds=high)
    for one in high:
        os.close(one)


def is_up(lamp):
    """Waits: who connects to a port that is held is answered once the service is there."""
    return request("GET", f"{lamp.base_url}/healthz", timeout=20).status in (200, 503)


def can_connect(port):
    with socket.socket() as asking:
        return asking.connect_ex(("127.0.0.1", port)) == 0


def wait_until(done, seconds):
    end = time.time() + seconds
    while not done():
        assert time.time() < end
        time.sleep(0.1)


def letters(lamp, kind):
    return list((lamp.folder / "var" / "outgoing").glob(f"*{kind}*"))


def test_the_port_is_nobody_else_s_between_two_lives(lamp):
    with listener(lamp.port) as held:
        start(lamp, [held])
        assert is_up(lamp)
        filed = lamp.file(plan_text(returns_in_s=600))
        lamp.kill()
        with socket.socket() as other, pytest.raises(OSError):
            other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            other.bind(("127.0.0.1", lamp.port))
        # Whoever asks meanwhile waits, and is answered by the next life.
        found = []
        asking = threading.Thread(target=lambda: found.append(lamp.plan(filed["ref"])))
        asking.start()
        start(lamp, [held])
        asking.join(20)
        assert [plan["ref"] for plan in found] == [filed["ref"]]
        assert "systemd holds the port" in lamp.log() and not letters(lamp, "trouble")
        lamp.stop()


def test_what_is_not_handed_to_it_changes_nothing(lamp):
    with listener(free_port()) as other:
        for held, pid in ([other], 1), ([], "$$"):
            start(lamp, held, pid)
            wait_until(lambda: can_connect(lamp.port), 20)
            assert is_up(lamp)
            lamp.stop()
    assert "systemd holds the port" not in lamp.log()


def handed(which, folder):
    """What the service can't listen at."""
    if which == "two":
        return [listener(free_port()), listener(free_port())]
    if which == "no socket":
        return [(folder / "file").open("w")]
    if which == "connection":
        with listener(free_port()) as there:
            return [socket.create_connection(there.getsockname())]
    family, kind = {"UDP": (socket.AF_INET, socket.SOCK_DGRAM),
                    "UNIX": (socket.AF_UNIX, socket.SOCK_STREAM),
                    "deaf": (socket.AF_INET, socket.SOCK_STREAM)}[which]
    held = socket.socket(family, kind)
    held.bind(str(folder / "socket") if which == "UNIX" else ("127.0.0.1", 0))
    return [held]


@pytest.mark.parametrize("which, words", [
    ("two", "hands over 2 sockets instead of one"),
    ("UDP", "something else than TCP"),
    ("UNIX", "something else than TCP"),
    ("no socket", "something else than TCP"),
    ("connection", "a TCP socket that does not listen"),
    ("deaf", "a TCP socket that does not listen"),
])
def test_what_nobody_can_listen_at_is_told_in_words(lamp, which, words, tmp_path):
    held = handed(which, tmp_path)
    start(lamp, held)
    assert lamp.process.wait(20) == BAD_SETTINGS
    assert words in lamp.log() and "ListenStream=" in lamp.log()
    assert len(letters(lamp, "trouble")) == 1
    for one in held:
        one.close()


def test_what_nobody_can_listen_at_keeps_no_alert_back(lamp, tmp_path):
    lamp.start()
    lamp.file(plan_text(returns_in_s=3))
    lamp.kill()
    held = handed("UDP", tmp_path)
    start(lamp, held)
    wait_until(lambda: letters(lamp, "overdue") and letters(lamp, "trouble"), 40)
    # The port itself is free.
    wait_until(lambda: can_connect(lamp.port), 20)
    assert is_up(lamp)
    held[0].close()


def test_the_keeper_hears_of_a_socket_that_is_elsewhere(lamp):
    with listener(free_port()) as held:
        start(lamp, [held])
        elsewhere = f"http://127.0.0.1:{held.getsockname()[1]}"
        assert request("GET", f"{elsewhere}/healthz", timeout=20).status in (200, 503)
        wait_until(lambda: letters(lamp, "trouble"), 20)
        lamp.stop()
