"""The HTTP API: what it takes, what it refuses, and in which words."""

import json
import socket
import tomllib

from daemon import request
from world import CONTACTS, CREW, FIRST, plan_text


def problem(answer, status):
    """A refusal a paddler understands (RFC 9457)."""
    assert answer.status == status, answer
    assert answer.headers["Content-Type"].startswith("application/problem+json")
    assert answer.json["detail"].strip() and answer.json.get("status", status) == status
    return answer.text


def plans(answer):
    """The plans in a keeper's list, bare or under a name."""
    assert answer.status == 200, answer
    found = answer.json
    return found if isinstance(found, list) else next(iter(found.values()))


def test_the_same_filing_twice_is_one_plan(daemon, mailbox):
    plan = plan_text(returns_in_s=600)
    filed = daemon.file(plan)
    again = daemon.post_plan(plan)
    assert again.status in (200, 201) and again.json["ref"] == filed["ref"], again
    assert again.json["links"] == filed["links"]
    problem(daemon.post_plan(plan.replace("Halibut drift", "Crabbing")), 422)
    for to in CREW + CONTACTS:
        mailbox.wait("filed", to)
    keeper = daemon.new_key("Keeper", keeper=True)
    assert len(plans(daemon.api("GET", "/api/v1/plans", key=keeper))) == 1
    # Another key of the client's, another plan.
    assert daemon.post_plan(plan, "second").json["ref"] != filed["ref"]
    assert len(plans(daemon.api("GET", "/api/v1/plans", key=keeper))) == 2


def test_json_is_taken_as_toml_is(daemon, mailbox):
    daemon.key = daemon.new_key()
    body = json.dumps(tomllib.loads(plan_text(returns_in_s=600)))
    answer = daemon.post_plan(body, kind="application/json")
    assert answer.status == 201, answer
    review = answer.json["review"]
    # Worked out apart from the program, with shapely and pyproj (see demo-data/README.md).
    assert abs(review["route"]["farthest"]["distance_m"] - 2528.8) < 10, review["route"]
    mailbox.wait("filed", FIRST)


def test_a_bad_plan_is_refused_with_every_fault_and_leaves_nothing(daemon, mailbox):
    daemon.key = daemon.new_key(keeper=True)
    bad = plan_text(returns_in_s=600).replace("medical", "medcal")
    bad = bad.replace("48.5440 -123.2020", "98.5440 -123.2020").replace("age = 39", "age = -3")
    bad = bad.replace("ruben@example.org", "ruben@").replace("9C7F4B01", "9C7F4BO1")
    told = problem(daemon.post_plan(bad), 422)
    for words in ("crew[1].medcal", "did you mean `medical`", "waypoint[1].position",
                  "off the earth", "crew[1].age", "contact[2].email", "gear.beacon"):
        assert words in told, f"{words!r} not told:\n{told}"
    problem(daemon.post_plan("{", "b", kind="application/json"), 422)
    problem(daemon.post_plan(b"title = \"\xff\xfe\"", "c"), 422)
    problem(daemon.post_plan(plan_text(returns_in_s=-60), "d"), 422)
    assert plans(daemon.api("GET", "/api/v1/plans")) == []
    assert not mailbox.of()


def test_without_the_right_key_nothing_is_taken(daemon, mailbox):
    plan = plan_text(returns_in_s=600)
    problem(request("POST", daemon.base_url + "/api/v1/plans", plan,
                    {"Content-Type": "application/toml", "Idempotency-Key": "x"}), 401)
    problem(daemon.post_plan(plan, key="not-a-key"), 401)
    problem(daemon.api("GET", "/api/v1/plans", key="not-a-key"), 401)
    # A filing key is no keeper's key.
    ramp = daemon.new_key()
    problem(daemon.api("GET", "/api/v1/plans", key=ramp), 403)
    problem(daemon.api("GET", "/api/v1/plans/nosuchplan", key=ramp), 404)
    assert not mailbox.of()


def test_wrong_secrets_open_nothing(daemon, mailbox):
    filed = daemon.file(plan_text(returns_in_s=600))
    for name in ("crew", "checkin", "extend", "cancel"):
        link = filed["links"][name]
        secret = max(link.split("/"), key=len)
        wrong = link.replace(secret, secret[::-1])
        assert wrong != link
        method = "GET" if name == "crew" else "POST"
        assert request(method, wrong, "{}" if method == "POST" else None,
                       {"Content-Type": "application/json"}).status in (401, 403, 404)
    # GET changes nothing, not even where only POST is known.
    for name in ("checkin", "extend", "cancel"):
        assert request("GET", filed["links"][name]).status in (404, 405)
    assert daemon.plan(filed["ref"])["state"] == "armed"
    mailbox.wait("filed", FIRST)


def test_twenty_megabytes_are_refused_and_not_kept(daemon):
    daemon.key = daemon.new_key()
    before = daemon.memory_mb()
    size = 20_000_000
    head = (f"POST /api/v1/plans HTTP/1.1\r\nHost: 127.0.0.1:{daemon.port}\r\n"
            f"Authorization: Bearer {daemon.key}\r\nContent-Type: application/toml\r\n"
            f"Idempotency-Key: big\r\nConnection: close\r\n")
    said = send_slowly(daemon.port, head + f"Content-Length: {size}\r\n\r\n", b"#" * size)
    assert said.startswith(b"HTTP/1.1 413"), said[:200]
    chunk = b"%x\r\n" % 65536 + b"#" * 65536 + b"\r\n"
    said = send_slowly(daemon.port, head + "Transfer-Encoding: chunked\r\n\r\n", chunk * 300 + b"0\r\n\r\n")
    assert said.startswith(b"HTTP/1.1 413"), said[:200]
    assert request("GET", daemon.base_url + "/healthz").status == 200
    assert daemon.memory_mb() < before + 30


def send_slowly(port, head, body):
    """Sends until the other side has had enough; answers what it said."""
    with socket.create_connection(("127.0.0.1", port), timeout=10) as link:
        link.sendall(head.encode())
        link.settimeout(1)
        try:
            return link.recv(4096)  # refused by its length alone
        except TimeoutError:
            link.settimeout(10)
        try:
            for at in range(0, len(body), 65536):
                link.sendall(body[at:at + 65536])
        except OSError:
            pass
        try:
            return link.recv(4096)
        except OSError:
            return b""


def test_a_review_judges_and_files_nothing(daemon, mailbox, buoy):
    daemon.key = daemon.new_key(keeper=True)
    answer = daemon.api("POST", "/api/v1/review", plan_text(returns_in_s=7200),
                        Content_Type="application/toml")
    assert answer.status == 200, answer
    review = answer.json
    assert set(review) >= {"route", "timing", "water", "cautions"}
    route = review["route"]
    assert abs(route["farthest"]["distance_m"] - 2528.8) < 10
    assert route["farthest"]["at_most_m"] == route["farthest"]["distance_m"] + 50
    assert route["over_land_m"] == 0 and route["shoreline_accuracy_m"] == 50
    degrees_c, at = buoy.newest_water()
    water = review["water"]
    assert (water["kind"], water["temperature_c"]) == ("observed", degrees_c), water
    assert "46088" in water["source"]
    assert abs(water["age_s"] - (8 + 10) * 60) < 120, (water, at)
    cautions = {caution["id"]: caution for caution in review["cautions"]}
    assert cautions["cold-water"]["level"] == "danger", "9.6 degrees is below 10"
    for caution in cautions.values():
        assert caution["level"] in ("notice", "caution", "warning", "danger")
        assert caution["text"] and caution["source"] and caution["clears"], caution
    assert plans(daemon.api("GET", "/api/v1/plans")) == [] and not mailbox.of()


def test_a_buoy_that_is_silent_is_a_caution_and_no_reason_to_refuse(daemon, buoy, mailbox):
    buoy.stop()
    filed = daemon.file(plan_text(returns_in_s=600))
    water = filed["review"]["water"]
    assert water["kind"] == "unknown" and water["temperature_c"] is None, water
    cautions = {caution["id"]: caution["level"] for caution in filed["review"]["cautions"]}
    assert cautions["cold-water"] == "danger" and "missing-data" in cautions, cautions
    mailbox.wait("filed", FIRST)
