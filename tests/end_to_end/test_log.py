"""Nobody reads what the service says, or it can't be written: it watches all the same."""

import contextlib
import fcntl
import os

import pytest

from world import FIRST, plan_text

# The least that a pipe holds (pipe(7)), and so much of it that no further line fits.
PIPE_BYTES, FULL_BYTES = 4096, 3500


def as_told(daemon, mailbox):
    """A trip that nobody ends brings its alert, and whoever asks after the service hears that it works."""
    mailbox.wait("overdue", FIRST)
    assert daemon.api("GET", "/healthz").status == 200
    assert daemon.process.poll() is None


@pytest.fixture
def serve(daemon_with):
    """Starts a daemon again, with its output and its log where a case wants them."""
    daemon = daemon_with()
    daemon.stop()
    env = os.environ | {"RUST_LOG": "trace"}
    return lambda **where: daemon.start(env=env, **where)


def trip(daemon):
    return daemon.file(plan_text(returns_in_s=6))


def test_a_log_that_nobody_reads_holds_up_nothing(serve, mailbox):
    read, write = os.pipe()
    fcntl.fcntl(write, fcntl.F_SETPIPE_SZ, PIPE_BYTES)
    daemon = serve(stderr=write)
    os.close(write)
    trip(daemon)
    as_told(daemon, mailbox)
    said = os.read(read, PIPE_BYTES)
    os.close(read)
    assert len(said) > FULL_BYTES, "the pipe was never full, and the case shows nothing"


def test_a_log_whose_reader_is_gone_ends_nothing(serve, mailbox):
    read, write = os.pipe()
    daemon = serve(stderr=write)
    os.close(write)
    trip(daemon)
    os.close(read)
    as_told(daemon, mailbox)


@pytest.mark.parametrize("full", ["stdout", "stderr"])
def test_a_full_disk_under_the_log_ends_nothing(serve, mailbox, full):
    with open("/dev/full", "wb") as nowhere:
        daemon = serve(**{full: nowhere})
        trip(daemon)
        as_told(daemon, mailbox)


def test_a_pipe_that_is_full_before_it_begins_keeps_nothing_from_beginning(serve, mailbox):
    read, write = os.pipe()
    os.set_blocking(write, False)
    with contextlib.suppress(BlockingIOError):
        while os.write(write, b"of the life before\n" * 100):
            pass
    # The service's own writes block, as into any pipe.
    os.set_blocking(write, True)
    daemon = serve(stdout=write, stderr=write)
    os.close(write)
    trip(daemon)
    as_told(daemon, mailbox)
    daemon.stop()
    os.close(read)
