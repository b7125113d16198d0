"""What must be true, told from outside: from what people were answered, from when the daemon was
up, and from what arrived. Nothing here asks the daemon."""

from collections import defaultdict

# How long the daemon must have been up without a break for an alert that is due to have arrived.
UP_LONG_ENOUGH_S = 3.0
# Between the last look at a plan, or the answer to a check-in, and the moment at which the relay or the
# client has read what came of it: a busy machine takes its time.
ROUND_TRIP_S = 0.25


class Verdict:
    """Everything that was wrong, in words, and the figures."""

    def __init__(self):
        self.wrong, self.figures = [], {}

    def say(self, words):
        self.wrong.append(words)


def judge(trips, taken, lives, connections):
    """`lives`: (start, end) of each life of the daemon. `connections`: the most open at once."""
    verdict = Verdict()
    letters = defaultdict(list)
    for one in taken:
        letters[one.to].append(one)
    armed = [trip for trip in trips if trip.ref]
    alerts = late = 0
    for trip in armed:
        mine = letters[trip.contact]
        alerted = [one for one in mine if one.kind == "overdue"]
        alerts += bool(alerted)
        late += _judge_alerts(verdict, trip, alerted, lives)
        _judge_the_rest(verdict, trip, mine, alerted)
    twice = _judge_duplicates(verdict, letters, (len(lives) - 1) * connections)
    verdict.figures = {
        "lives": len(lives), "armed": len(armed), "checked in": _count(armed, "ashore_at"),
        "alerted": alerts, "alert later than an unbroken "
        f"{UP_LONG_ENOUGH_S:.0f} s of life": late, "letters": len(taken), "letters twice": twice,
        "most connections": connections,
    }
    return verdict


def _count(trips, name):
    return sum(getattr(trip, name) is not None for trip in trips)


def _judge_alerts(verdict, trip, alerted, lives):
    """Whether an alert came late; that none came at all, or one too many, is said."""
    for one in alerted:
        if one.begun < trip.overdue_at:
            verdict.say(f"{trip}: alerted {trip.overdue_at - one.begun:.3f} s early")
        if trip.ashore_at and one.begun > trip.ashore_at + ROUND_TRIP_S:
            verdict.say(f"{trip}: alerted {one.begun - trip.ashore_at:.3f} s after the check-in")
    due_until = trip.asked_at or float("inf")
    could = _first_chance(lives, max(trip.overdue_at, trip.filed_at))
    if not alerted:
        if could < due_until:
            verdict.say(f"{trip}: MISSED, though it could have gone by {could:.3f}")
        return False
    return alerted[0].ended > could


def _first_chance(lives, since):
    """The end of the first unbroken stretch of life after this that is long enough."""
    for start, end in lives:
        at = max(start, since) + UP_LONG_ENOUGH_S
        if at <= end:
            return at
    return float("inf")


def _judge_the_rest(verdict, trip, mine, alerted):
    """`filed` comes, but not necessarily to a trip that was over before it could go; whoever was
    alerted is stood down, whoever was told of the trip hears that it is over; nobody else is."""
    of = defaultdict(list)
    for one in mine:
        of[one.kind].append(one)
        if one.ref != trip.ref:
            verdict.say(f"{trip}: a letter of {one.ref}")
    if not of["filed"] and not trip.asked_at:
        verdict.say(f"{trip}: its contact was never told of it")
    over = of["home"] + of["stand-down"]
    if trip.ashore_at is None:
        if over:
            verdict.say(f"{trip}: said to be over, and it is not")
    elif alerted and not of["stand-down"]:
        verdict.say(f"{trip}: alerted, and never stood down")
    elif of["filed"] and not over:
        verdict.say(f"{trip}: its contact never heard that it is over")
    # An alert whose 250 the daemon did not live to read counts as possibly read by somebody.
    if of["home"] and alerted:
        verdict.say(f"{trip}: `home` to somebody who was alerted")


def _judge_duplicates(verdict, letters, allowed):
    """The same letter twice has the same id and subject; and not more often than a letter can have
    been on its way when a life ended."""
    twice = 0
    for to, mine in letters.items():
        by_kind = defaultdict(list)
        for one in mine:
            by_kind[one.kind].append(one)
        for kind, alike in by_kind.items():
            twice += len(alike) - 1
            if len({(one.id, one.subject) for one in alike}) > 1:
                verdict.say(f"{to}: `{kind}` under several ids or subjects: {alike}")
    if twice > allowed:
        verdict.say(f"{twice} letters came twice; at most {allowed} could")
    return twice
