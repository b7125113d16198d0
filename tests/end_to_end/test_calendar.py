"""The calendar entry as two parsers read it that are not ours (icalendar and vobject), with the
service gone: all that a contact needs stands in it."""

import datetime as dt

import icalendar
import vobject

from world import CONTACTS, FIRST, SECOND, instant, plan_text


def invitation(letter):
    """The entry of a letter: its method in the Content-Type, its text, and the enclosed file's."""
    parts = [p for p in letter.message.walk() if p.get_content_type() == "text/calendar"]
    files = [p for p in letter.message.walk() if p.get_content_type() == "application/ics"]
    assert len(parts) == len(files) == 1, f"{letter.kind} to {letter.to}"
    shown = letter.message.get_payload()[0]
    assert shown.get_content_type() == "multipart/alternative"
    assert shown.get_payload()[-1] is parts[0]
    text = parts[0].get_payload(decode=True)
    assert files[0].get_payload(decode=True) == text
    assert files[0].get_filename() == "invite.ics"
    return parts[0].get_param("method"), text


def event_of(letter):
    method, text = invitation(letter)
    calendar = icalendar.Calendar.from_ical(text)
    other = vobject.readOne(text.decode())
    assert calendar["METHOD"] == other.method.value == method
    event, = calendar.walk("VEVENT")
    assert not event.errors
    assert str(event["UID"]) == other.vevent.uid.value
    assert event["DTSTART"].dt == other.vevent.dtstart.value
    assert event["DTSTART"].dt.utcoffset() == dt.timedelta(0)
    assert str(event["ORGANIZER"]) == "mailto:lamp@example.org"
    assert str(event["ATTENDEE"]) == f"mailto:{letter.to}"
    assert (event["TRANSP"], event["CLASS"]) == ("TRANSPARENT", "PRIVATE")
    return method, event


def test_the_entry_lives_as_long_as_the_trip(daemon, mailbox):
    filed = daemon.file(plan_text(returns_in_s=3600))
    for to in CONTACTS:
        mailbox.wait("filed", to)
    daemon.run("extend", filed["ref"], "--by", "1h", key=daemon.key)
    for to in CONTACTS:
        mailbox.wait("changed", to)
    daemon.run("checkin", filed["ref"], key=daemon.key)
    for to in CONTACTS:
        mailbox.wait("home", to)
    daemon.stop()

    call_by = instant(filed["due_at"]) + 30 * 60
    for to in CONTACTS:
        life = [mailbox.of(kind, to)[0] for kind in ("filed", "changed", "home")]
        read = [event_of(letter) for letter in life]
        assert [method for method, _ in read] == ["REQUEST", "REQUEST", "CANCEL"]
        events = [event for _, event in read]
        assert len({str(event["UID"]) for event in events}) == 1
        numbers = [int(event["SEQUENCE"]) for event in events]
        assert numbers == sorted(set(numbers)) and numbers[2] == numbers[1] + 1
        assert events[0]["DTSTART"].dt.timestamp() == call_by
        assert events[1]["DTSTART"].dt.timestamp() == call_by + 3600
        assert events[2]["STATUS"] == "CANCELLED" and not events[2].walk("VALARM")
        alarm, = events[0].walk("VALARM")
        assert alarm["ACTION"] == "DISPLAY" and alarm["TRIGGER"].dt == dt.timedelta(0)
        told = str(events[0]["DESCRIPTION"])
        for words in ("Maren Tollefsby", "+1 360 555 0100", "you are the one who acts",
                      "No letter is not good news", "yellow hull", "degrees"):
            assert words in told, words
        assert "insulin" not in told
    uids = {str(event_of(mailbox.of("filed", to)[0])[1]["UID"]) for to in (FIRST, SECOND)}
    assert len(uids) == 2
