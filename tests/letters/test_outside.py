"""The letters that `cargo test --test letters` wrote, read by programs outside the project.

Every kind of letter of a full, a smallest and an awkward plan (markup, text from the right, emoji, names
of 200 characters, sixty points, nine people): `target/letters/*.eml`.
"""

import email.policy
import json
import unicodedata
import xml.etree.ElementTree as ElementTree
from email.parser import BytesParser
from pathlib import Path

import pytest

LETTERS = sorted((Path(__file__).parents[2] / "target" / "letters").glob("*.eml"))
GPX = "{http://www.topografix.com/GPX/1/1}"
# The sequences of the GPX 1.1 schema (http://www.topografix.com/GPX/1/1/gpx.xsd).
ORDER = {
    "gpx": "metadata wpt rte trk extensions",
    "metadata": "name desc author copyright link time keywords bounds extensions",
    "wpt": "ele time magvar geoidheight name cmt desc src link sym type fix sat hdop vdop pdop "
    "ageofdgpsdata dgpsid extensions",
    "rte": "name cmt desc src link number type extensions rtept",
}
ORDER["rtept"] = ORDER["wpt"]


def read(path):
    return BytesParser(policy=email.policy.default).parsebytes(path.read_bytes())


def columns(line):
    """What a line takes on a terminal: wide letters two, marks above others none."""
    wide = sum(1 + (unicodedata.east_asian_width(c) in "WF") for c in line)
    return wide - sum(unicodedata.combining(c) > 0 or unicodedata.category(c) == "Cf" for c in line)


def alerts():
    return [path for path in LETTERS if "-overdue-" in path.name or "-call-rescue-" in path.name]


GPX_FILE, GEOJSON_FILE = "application/gpx+xml", "application/geo+json"


def files(path, content_type):
    return [part for part in read(path).iter_attachments()
            if part.get_content_type() == content_type]


def alerts_with(content_type):
    """Only where a plan's words fill the letter may the file be left out."""
    return [path for path in alerts() if "awkward" not in path.name or files(path, content_type)]


def enclosed(path, content_type):
    return files(path, content_type)[0].get_content()


def test_there_are_letters():
    assert len(LETTERS) > 60, "run `cargo test --test letters` first"
    assert len(alerts()) > 12


@pytest.mark.parametrize("path", LETTERS, ids=lambda path: path.stem)
def test_pythons_email_finds_no_defect_in_any_part(path):
    raw = path.read_bytes()
    message = read(path)
    for part in message.walk():
        assert not part.defects, part.defects
        for name, value in part.items():
            assert not value.defects, (name, value.defects)
    assert len(message.get_all("Subject")) == 1 and len(message.get_all("To")) == 1
    assert message["Bcc"] is None and message["Date"] and message["Message-ID"]
    assert all(len(line) <= 998 for line in raw.split(b"\r\n"))
    assert raw.isascii() and b"\n" not in raw.replace(b"\r\n", b"")
    text = message.get_body(("plain",)).get_content()
    for line in text.splitlines():
        assert line.startswith("https://") or columns(line) <= 78, line
    html = message.get_body(("html",)).get_content()
    assert len(html.encode()) <= 30_000
    is_alert = path in alerts()
    assert (message["Importance"] == "high") == is_alert
    if is_alert:
        assert len(raw) <= 150_000


@pytest.mark.parametrize("path", alerts_with(GPX_FILE), ids=lambda path: path.stem)
def test_the_gpx_keeps_the_order_of_its_schema(path):
    text = enclosed(path, GPX_FILE)
    root = ElementTree.fromstring(text)
    assert root.tag == GPX + "gpx" and root.get("version") == "1.1" and root.get("creator")

    def in_order(element):
        order = ORDER.get(element.tag.removeprefix(GPX))
        if order is None:
            assert not len(element), element.tag
            return
        places = [order.split().index(child.tag.removeprefix(GPX)) for child in element]
        assert places == sorted(places), [child.tag for child in element]
        for child in element:
            in_order(child)

    in_order(root)
    for point in root.iter():
        if point.tag in (GPX + "wpt", GPX + "rtept"):
            assert -90 <= float(point.get("lat")) <= 90 and -180 <= float(point.get("lon")) <= 180
    gpxpy = pytest.importorskip("gpxpy")
    read_back = gpxpy.parse(text)
    assert len(read_back.routes) == 1
    points = {"awkward": 62, "smallest": 2, "demo": 6}.get(path.name.split("-")[0], 4)
    assert len(read_back.routes[0].points) == points


@pytest.mark.parametrize("path", alerts_with(GEOJSON_FILE), ids=lambda path: path.stem)
def test_the_geojson_is_rfc_7946(path):
    found = json.loads(enclosed(path, GEOJSON_FILE))
    assert found["type"] == "FeatureCollection" and "crs" not in found
    line = found["features"][0]["geometry"]
    assert line["type"] == "LineString" and len(line["coordinates"]) >= 2
    for feature in found["features"]:
        assert feature["type"] == "Feature" and isinstance(feature["properties"], dict)
        coordinates = feature["geometry"]["coordinates"]
        for lon, lat in coordinates if feature is found["features"][0] else [coordinates]:
            assert -180 <= lon <= 180 and -90 <= lat <= 90


def test_the_picture_is_shown_by_its_id_and_is_an_opaque_png():
    shown = 0
    for path in alerts():
        message = read(path)
        html = message.get_body(("html",)).get_content()
        for part in message.walk():
            if part.get_content_type() == "image/png":
                assert f'src="cid:{part["Content-ID"].strip("<>")}"' in html
                png = part.get_content()
                # Colour type 2 or 3 has no alpha (PNG, 11.2.2).
                assert png.startswith(b"\x89PNG") and png[25] in (0, 2, 3)
                shown += 1
    assert shown


# 60 to 70 is plain English, 50 to 60 fairly difficult (Flesch, "How to write plain English", 1979, from
# memory).
PLAIN, FAIRLY_DIFFICULT = 60, 50
# What the reader is told to do and to say, before the rows of the plan.
OURS = {"overdue": "Who was told", "call-rescue": "Who was told", "filed": "Call: ",
        "stand-down": "Float plan", "home": "Float plan", "withdrawn": "Where things stand",
        "confirm": "Float plan", "drill": "Float plan"}


def ease(text):
    """Flesch's reading ease. An address, a number and a name of a place are no words of ours; a
    numbered step and an item are sentences."""
    textstat = pytest.importorskip("textstat")
    lines = [line for line in text.splitlines() if not line.startswith(("https://", "==", "--"))]
    return textstat.flesch_reading_ease(" ".join(" ".join(lines).split()))


@pytest.mark.parametrize("kind", OURS)
def test_letters_are_read_with_ease(kind):
    for plan in ("full", "demo"):
        of_kind = [path for path in LETTERS
                   if path.name.startswith(plan) and f"-{kind}-" in path.name]
        path = next((path for path in of_kind if "contact" in path.name), of_kind[0])
        text = read(path).get_body(("plain",)).get_content()
        assert OURS[kind] in text, path.name
        found = ease(text.split(OURS[kind])[0])
        print(f"Flesch reading ease of {path.stem}: {found:.0f}")
        assert found >= PLAIN, path.name


def test_what_is_read_aloud_is_read_with_ease():
    path = next(path for path in alerts() if "full" in path.name and "contact-1" in path.name)
    text = read(path).get_body(("plain",)).get_content()
    say = text.split("Say this (read it aloud)")[1].split("They will ask more")[0]
    found = ease(say)
    print(f"Flesch reading ease of what is read aloud: {found:.0f}")
    assert found >= FAIRLY_DIFFICULT


def test_the_measure_of_ease_can_fail():
    """A sentence as offices write them."""
    assert ease("Notification of the competent authorities regarding the non-appearance of aforementioned "
                "individuals constitutes an obligation of the designated representative.") < 20
