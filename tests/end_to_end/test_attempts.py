"""Attempts to get in at the built program: links put to another use, heads that two servers read in
two ways, names and paths that are not ours, methods that nobody offers."""

import email
import re
import socket
import time

import pytest

from daemon import Daemon, request
from world import plan_text

LETTERS = 4


@pytest.fixture
def lamp(tmp_path):
    """A daemon that writes its letters into a folder, with a plan filed."""
    daemon = Daemon(tmp_path).start()
    daemon.filed = daemon.file(plan_text(returns_in_s=3600))
    yield daemon
    daemon.stop()
    print(f"Log of the daemon:\n{daemon.log()[-20000:]}")


def letters(lamp):
    """What stands in the folder, once the first letters are all there."""
    folder = lamp.folder / "var" / "outgoing"
    for _ in range(300):
        found = [email.message_from_bytes(one.read_bytes()) for one in folder.glob("*.eml")]
        filed = [one for one in found if one["Shorelamp-Kind"] == "filed"]
        if len(filed) >= LETTERS:
            return filed
        time.sleep(0.1)
    raise AssertionError("the first letters never came")


def text_of(letter):
    part = next(one for one in letter.walk() if one.get_content_type() == "text/plain")
    return part.get_payload(decode=True).decode()


def tokens(lamp):
    """Every secret that the plan has given out, by what it is for."""
    links = {name: link.rsplit("/", 1)[1] for name, link in lamp.filed["links"].items()}
    for letter in letters(lamp):
        for what, token in re.findall(r"/(crew|contact)/([\w-]{27})", text_of(letter)):
            links[f"{what} of {letter['To']}"] = token
    assert len(set(links.values())) >= 8, links
    return links


def standing(lamp):
    now = lamp.plan(lamp.filed["ref"])
    return {name: now[name] for name in ("state", "due_at", "overdue_at", "ashore", "out")}


def raw(lamp, text, wait_s=3.0):
    """What comes back for these very bytes, until the connection ends or is silent."""
    came = b""
    with socket.create_connection(("127.0.0.1", lamp.port), timeout=wait_s) as line:
        try:
            line.sendall(text.encode("latin-1") if isinstance(text, str) else text)
            while len(came) < 1 << 20:
                more = line.recv(65536)
                if not more:
                    break
                came += more
                line.settimeout(0.5)
        except OSError:
            pass
    return came


def answers(came):
    return [int(status) for status in re.findall(rb"^HTTP/1\.\d (\d{3})", came, re.M)]


def test_no_link_opens_what_another_is_for(lamp):
    before = standing(lamp)
    doors = {
        "crew": ("GET", "/crew/{}"), "change": ("GET", "/crew/{}/change"),
        "contact": ("GET", "/contact/{}"), "confirm": ("GET", "/confirm/{}"),
        "rescue": ("GET", f"/rescue/{lamp.filed['ref']}/{{}}"),
        "key": ("GET", "/key/{}"),
        "checkin": ("POST", "/api/v1/checkin/{}"), "extend": ("POST", "/api/v1/extend/{}"),
        "cancel": ("POST", "/api/v1/cancel/{}"), "amend": ("POST", "/api/v1/amend/{}"),
    }
    own = {"crew": {"crew", "change"}, "contact": {"contact"}}
    unknown = {}
    for door, (method, path) in doors.items():
        body = plan_text(7200) if door == "amend" else '{"by": "1h"}' if door == "extend" else "{}"
        kind = "application/toml" if door == "amend" else "application/json"

        def knock(token, method=method, path=path, body=body, kind=kind):
            url = lamp.base_url + path.format(token)
            data = body if method == "POST" else None
            answer = request(method, url, data, {"Content-Type": kind})
            return answer.status, re.sub(r"\d\d:\d\d", "", answer.text)

        unknown[door] = knock("A" * 27)
        assert unknown[door][0] in (404, 429), (door, unknown[door])
        for name, token in tokens(lamp).items():
            what = name.split()[0]
            if door in own.get(what, {what}):
                continue
            # Not its own, nor a part of it, nor with more behind it.
            for tried in (token, token[:-1], token + "A", token + "%00", token.swapcase()):
                # After sixty a minute all that is wrong is told to wait, and what is right opens.
                told = knock(tried)
                assert told == unknown[door] or told[0] == 429, (door, name, tried, told)
    for token in tokens(lamp).values():
        answer = lamp.api("GET", f"/api/v1/plans/{lamp.filed['ref']}", key=token)
        assert answer.status in (401, 429), answer
    assert standing(lamp) == before


def test_of_a_head_that_can_be_read_in_two_ways_nothing_is_done(lamp):
    """RFC 9112, 6.1 and 6.3: what is in doubt is refused, or is the last on its connection. Else a
    server in front, which ends the first request elsewhere, hands on one that nobody has sent."""
    before = standing(lamp)
    hidden = (f"POST {lamp.filed['links']['checkin'][len(lamp.base_url):]} HTTP/1.1\r\n"
              "Host: x\r\nContent-Length: 2\r\n\r\n{}")
    size = len(hidden)
    first = "POST /code HTTP/1.1\r\nHost: x\r\nContent-Type: application/x-www-form-urlencoded\r\n"
    chunked = f"0\r\n\r\n{hidden}"
    bodies = {
        # A length and chunks: by the length the rest is its body.
        "both": f"{first}Content-Length: {len(chunked)}\r\nTransfer-Encoding: chunked\r\n\r\n{chunked}",
        "both, the other way": (f"{first}Transfer-Encoding: chunked\r\n"
                                f"Content-Length: {len(chunked)}\r\n\r\n{chunked}"),
        "two lengths": f"{first}Content-Length: {size}\r\nContent-Length: 0\r\n\r\n{hidden}",
        "two lengths in one": f"{first}Content-Length: 0, {size}\r\n\r\n{hidden}",
        "a length with a sign": f"{first}Content-Length: +0\r\n\r\n{hidden}",
        "no number": f"{first}Content-Length: 0x0\r\n\r\n{hidden}",
        "chunks, and something else": (f"{first}Transfer-Encoding: chunked, identity\r\n"
                                       f"Content-Length: {len(chunked)}\r\n\r\n{chunked}"),
        "chunks by another name": (f"{first}Transfer-Encoding: xchunked\r\n"
                                   f"Content-Length: {len(chunked)}\r\n\r\n{chunked}"),
        "a space before the colon": (f"{first}Content-Length : {len(chunked)}\r\n"
                                     f"Transfer-Encoding: chunked\r\n\r\n{chunked}"),
        "a folded line": (f"{first}X-A: b\r\n Content-Length: 0\r\n"
                          f"Content-Length: {size}\r\n\r\n{hidden}"),
        "the old version": (f"{first.replace('HTTP/1.1', 'HTTP/1.0')}"
                            f"Transfer-Encoding: chunked\r\n\r\n{chunked}"),
        "a chunk without a size": f"{first}Transfer-Encoding: chunked\r\n\r\n\r\n{hidden}",
        "a chunk of a negative size": f"{first}Transfer-Encoding: chunked\r\n\r\n-1\r\n{hidden}",
        "a chunk too large to count": (f"{first}Transfer-Encoding: chunked\r\n\r\n"
                                       f"10000000000000000\r\n{hidden}"),
        "a bare line feed in a field": f"{first}X-A: b\nContent-Length: {size}\r\n\r\n{hidden}",
        "a zero in a field": f"{first}X-A: b\0c\r\nContent-Length: {size}\r\n\r\n{hidden}",
    }
    for name, text in bodies.items():
        came = answers(raw(lamp, text))
        assert len(came) <= 1 and 200 not in came, (name, came)
        assert standing(lamp) == before, name
    # The same request alone is one that is taken.
    assert answers(raw(lamp, hidden)) == [200]
    assert standing(lamp)["state"] == "closed"


def test_names_paths_and_methods_that_are_not_ours_lead_nowhere(lamp):
    before = standing(lamp)
    crew = lamp.filed["links"]["crew"][len(lamp.base_url):]
    checkin = lamp.filed["links"]["checkin"][len(lamp.base_url):]
    # Whatever name it is asked for by, it gives out its own.
    told = {"Host": "elsewhere.example.org", "X-Forwarded-Host": "elsewhere.example.org",
            "X-Forwarded-Proto": "https", "Forwarded": "host=elsewhere.example.org"}
    for path in ("/", crew, f"{crew}/change", "/code", "/.well-known/security.txt", "/phone", "/nothing"):
        answer = request("GET", lamp.base_url + path, headers=told)
        assert "elsewhere" not in answer.text + str(answer.headers), path
    body = plan_text(7200).replace("Halibut drift", "Another")
    again = lamp.api("POST", "/api/v1/plans", body, Content_Type="application/toml", **told)
    assert all(link.startswith(lamp.base_url) for link in again.json["links"].values()), again
    # A whole address, as to a proxy, is none of another's.
    for target in (f"http://elsewhere.example.org{crew}", f"{lamp.base_url}{crew}"):
        came = raw(lamp, f"GET {target} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        assert b"elsewhere" not in came and len(answers(came)) == 1
    for method in ("GET", "HEAD", "OPTIONS", "TRACE", "CONNECT", "PUT", "PATCH", "DELETE",
                   "PROPFIND", "post", "POST\t"):
        for field in ("", "X-HTTP-Method-Override: POST\r\n", "X-HTTP-Method: POST\r\n"):
            came = raw(lamp, f"{method} {checkin}?_method=POST HTTP/1.1\r\nHost: x\r\n{field}"
                             "Content-Length: 2\r\nConnection: close\r\n\r\n{}")
            assert 200 not in answers(came), (method, field, came)
    for path in ("/board", "//board", "/%62oard", "/crew/../board", "/crew/%2e%2e/board",
                 "/a/../board", "/a/..%2f..%2fvar/secret", "/a/%2e%2e/%2e%2e/etc/passwd", "/BOARD",
                 "/board/", "/board;x", "/board%00", "/../../../../etc/passwd", "/var/secret",
                 "/filed/" + lamp.filed["ref"], "/board/live", "/trips"):
        came = raw(lamp, f"GET {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        assert answers(came) in ([400], [404]), (path, came[:300])
    for cookie in ("shorelamp=", "shorelamp=x; shorelamp=y", "__Host-shorelamp=" + lamp.key,
                   "SHORELAMP=" + lamp.key, "shorelamp=\"" + lamp.key + "\"", "shorelamp=" + lamp.key[:-1]):
        answer = request("GET", f"{lamp.base_url}/filed/{lamp.filed['ref']}", headers={"Cookie": cookie})
        assert answer.status == 404, (cookie, answer)
    assert standing(lamp) == before


def test_a_key_that_was_revoked_opens_nothing_and_stops_no_check_in(lamp):
    ref = lamp.filed["ref"]
    cookie = {"Cookie": f"shorelamp={lamp.key}"}
    filed = f"{lamp.base_url}/filed/{ref}"
    assert request("GET", filed, headers=cookie).status == 200
    other = lamp.new_key("Other")
    assert lamp.api("GET", f"/api/v1/plans/{ref}", key=other).status == 404
    listed = lamp.run("key", "list")[0]
    assert "Ramp" in listed and lamp.key not in listed
    lamp.run("key", "revoke", "Ramp")
    for method, path, body in (
            ("GET", f"/api/v1/plans/{ref}", None), ("GET", f"/api/v1/plans/{ref}/export", None),
            ("POST", f"/api/v1/plans/{ref}/checkin", "{}"), ("POST", f"/api/v1/plans/{ref}/erase", "{}"),
            ("POST", "/api/v1/review", plan_text(600)), ("POST", "/api/v1/plans", plan_text(600))):
        assert lamp.api(method, path, body, Content_Type="application/toml").status == 401, path
    assert request("GET", filed, headers=cookie).status == 404
    link = request("GET", f"{lamp.base_url}/key/{lamp.key}")
    assert link.status == 404 and "Set-Cookie" not in link.headers
    # The plan is watched on, and its crew has its own links.
    assert request("POST", lamp.filed["links"]["checkin"], "{}").json["state"] == "closed"


def test_nothing_that_was_tried_stands_in_the_log(lamp):
    secrets = [lamp.key, *tokens(lamp).values()]
    for secret in secrets:
        for path in (f"/crew/{secret}", f"/nothing/{secret}", f"/key/{secret}x", f"/rescue/{secret}/{secret}"):
            raw(lamp, f"GET {path} HTTP/1.1\r\nHost: {secret}\r\nReferer: {secret}\r\n"
                      f"Authorization: Bearer {secret}\r\nConnection: close\r\n\r\n")
        raw(lamp, f"GET /{secret} HTTP/9.9\r\n{secret}\r\n\r\n")
    lamp.stop()
    log = lamp.log()
    assert log and not [secret for secret in secrets if secret in log]
