"""What every case begins with: its own folder, relay, buoy and daemon."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from daemon import BIN, Daemon, free_port  # noqa: E402
from mailbox import Certificates, Mailbox, check  # noqa: E402
from world import Buoy, relay  # noqa: E402


def pytest_sessionstart(session):
    if not Path(BIN).is_file():
        pytest.exit(f"{BIN} is not built: cargo build, or SHORELAMP_BIN=…", returncode=2)


@pytest.fixture
def certificates(tmp_path):
    return Certificates(tmp_path)


@pytest.fixture
def mailbox(certificates):
    """A relay with STARTTLS and a password; every letter it took is checked at the end."""
    box = Mailbox(free_port(), certificates).start()
    yield box
    box.stop()
    for letter in box.of():
        check(letter)
        assert letter.encrypted
    print(f"Letters:\n{box}")


@pytest.fixture
def buoy():
    buoy = Buoy()
    yield buoy
    buoy.stop()


@pytest.fixture
def daemon_with(tmp_path, mailbox, certificates, buoy):
    """Starts a daemon with a ladder of the case's own; its log is shown when the case fails."""
    started = []

    def start(**options):
        daemon = Daemon(tmp_path, relay(mailbox.port, certificates, tmp_path), buoy.url, **options)
        started.append(daemon)
        return daemon.start()

    yield start
    for daemon in started:
        daemon.stop()
        print(f"Log of the daemon:\n{daemon.log()[-20000:]}")


@pytest.fixture
def daemon(daemon_with):
    return daemon_with()
