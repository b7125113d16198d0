"""The judge judged: each wrong it exists for, made up, is found; and a right course passes."""

import itertools
from pathlib import Path
from types import SimpleNamespace

import pytest

import lanes
from oracle import judge
from people import Trip
from sink import Taken

LIVES = [(0.0, 10.0), (11.0, 100.0)]
_numbers = itertools.count()


def letter(at, kind, trip, id=None, ref=None, subject="an invented subject"):
    return Taken(at, at + 0.01, trip.contact, kind, ref or trip.ref,
                 id or f"<{trip.ref}-{kind}@example.org>", subject)


def trip(home_at=None, **known):
    number = next(_numbers)
    return Trip(number, 20.0, home_at, ref=f"R{number}", filed_at=5.0, **known)


def ended(asked_at, ashore_at):
    return trip(asked_at, asked_at=asked_at, ashore_at=ashore_at)


def wrongs(one, *letters, lives=LIVES, connections=1):
    return judge([one], list(letters), lives, connections).wrong


def test_an_alert_in_time_is_right():
    one = trip()
    assert wrongs(one, letter(5, "filed", one), letter(20.1, "overdue", one)) == []


def test_a_check_in_before_the_alert_and_after_it_is_right():
    before, after = ended(15, 15.1), ended(25, 25.1)
    assert wrongs(before, letter(5, "filed", before), letter(15.2, "home", before)) == []
    assert wrongs(after, letter(5, "filed", after), letter(20.1, "overdue", after),
                  letter(25.2, "stand-down", after)) == []


def test_a_daemon_that_was_never_up_long_enough_misses_nothing():
    one = trip()
    lives = [(0.0, 19.0), (20.0, 22.5), (23.0, 25.0)]
    assert wrongs(one, letter(5, "filed", one), lives=lives) == []


@pytest.mark.parametrize("what, asked_at, ashore_at, letters", [
    ("MISSED", None, None, [(5, "filed")]),
    ("MISSED", 40, 40.1, [(5, "filed"), (40.2, "home")]),
    ("early", None, None, [(5, "filed"), (19.9, "overdue")]),
    ("after the check-in", 15, 15.1, [(5, "filed"), (15.2, "home"), (20.1, "overdue")]),
    ("never told", None, None, [(20.1, "overdue")]),
    ("never stood down", 25, 25.1, [(5, "filed"), (20.1, "overdue")]),
    ("never heard that it is over", 15, 15.1, [(5, "filed")]),
    ("said to be over", None, None, [(5, "filed"), (8, "home"), (20.1, "overdue")]),
    ("`home` to somebody who was alerted", 25, 25.1,
     [(5, "filed"), (20.1, "overdue"), (25.2, "home"), (25.2, "stand-down")]),
])
def test_what_is_wrong_is_said(what, asked_at, ashore_at, letters):
    one = trip() if asked_at is None else ended(asked_at, ashore_at)
    found = wrongs(one, *(letter(at, kind, one) for at, kind in letters))
    assert len(found) >= 1 and any(what in words for words in found), found


def test_a_letter_twice_wants_a_crash_and_the_same_id():
    one = trip()
    twice = [letter(5, "filed", one), letter(20.1, "overdue", one), letter(20.2, "overdue", one)]
    assert wrongs(one, *twice) == []
    assert wrongs(one, *twice, lives=[(0.0, 100.0)]) != []
    other_id = [*twice[:2], letter(20.2, "overdue", one, id="<other@example.org>")]
    assert any("several ids" in words for words in wrongs(one, *other_id))
    other_words = [*twice[:2], letter(20.2, "overdue", one, subject="another")]
    assert any("several ids" in words for words in wrongs(one, *other_words))


def test_a_letter_of_another_trip_is_wrong():
    one = trip()
    found = wrongs(one, letter(5, "filed", one), letter(20.1, "overdue", one, ref="OTHER"))
    assert any("a letter of OTHER" in words for words in found)


def test_lanes_have_seeds_of_their_own_and_share_the_work():
    asked = SimpleNamespace(how="kills", times=10, lanes=4, seed=7, minutes=1, keep=False)
    words = [lanes.words_of(asked, lane) for lane in range(4)]
    assert [int(one[2]) for one in words] == [3, 3, 2, 2]
    assert len({one[4] for one in words}) == 4
    assert words == [lanes.words_of(asked, lane) for lane in range(4)], "the same again"


def test_a_lane_that_came_to_nothing_is_wrong():
    fine = {"figures": {"armed": 3, "most connections": 2}, "wrong": 0, "cut": 5}
    came = lanes.add_up([fine, fine | {"figures": {"armed": 4, "most connections": 1}}])
    assert came == {"figures": {"armed": 7, "most connections": 2}, "wrong": 0, "cut": 10}
    nothing = lanes._read(Path("/nowhere/to/be/found"))
    assert lanes.add_up([fine, nothing])["wrong"] == 1
