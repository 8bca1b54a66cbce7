"""Reads a calendar from standard input with a library foreign to this project, and says what is in it
as JSON. Fails on what RFC 5545 does not allow: the library's own complaints, and lines longer than 75
octets or not ended by CR LF (3.1), which it would read all the same."""

import json
import sys

from icalendar import Calendar

raw = sys.stdin.buffer.read()
assert raw.endswith(b"\r\n"), "the last line is not ended"
lines = raw[:-2].split(b"\r\n")
for line in lines:
    assert b"\n" not in line and b"\r" not in line, line
    assert len(line) <= 75, line
    line.decode()  # No character is cut by a fold.

calendar = Calendar.from_ical(raw)
assert calendar["VERSION"] == "2.0" and calendar["PRODID"], calendar
events = []
for part in calendar.walk():
    assert not part.errors, part.errors
    for name in getattr(part, "required", ()):
        assert name in part, (part.name, name)
    for name in getattr(part, "singletons", ()):
        assert not isinstance(part.get(name), list), (part.name, name)
for event in calendar.walk("VEVENT"):
    start = event.decoded("DTSTART")
    events.append(
        {
            "uid": str(event["UID"]),
            "start": start.isoformat(),
            "summary": str(event["SUMMARY"]),
            "description": str(event["DESCRIPTION"]),
            "alarms": [str(a["ACTION"]) for a in event.walk("VALARM")],
        }
    )
assert len({e["uid"] for e in events}) == len(events), "a UID stands twice"
print(json.dumps({"name": str(calendar["NAME"]), "events": events}))
