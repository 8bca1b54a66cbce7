"""Puts markup into every field of every form in turn, then reads everything the cellar shows.

    markup.py ADDRESS COOKIE

Pages are read by html5lib, which reads as browsers do. Says as JSON which pages there are, which fields
took what they were given and were seen again, and what is wrong: an element, an attribute, a header, a
column or a line that came of what somebody typed.
"""

import csv
import io
import json
import re
import sys
import xml.etree.ElementTree as ET
from urllib.parse import urljoin, urlsplit

import html5lib
import icalendar
import requests
from prometheus_client.openmetrics.parser import text_string_to_metric_families

base, cookie = sys.argv[1:3]
session = requests.Session()
session.headers.update({"cookie": cookie, "origin": base})

# Each with a word of its own first, by which it is found again. Short: a name may not be long.
PAYLOADS = [
    "{word}\"'><img src=x onerror=zq()>",
    "{word}<script>zq()</script><zq-tag zq=1>",
    "{word}&lt;b&gt;]]>--><!--\u202e\u2066",
    "{word}<svg/onload=zq()>\r\nX-Zq: 1\r\nATTENDEE:zq",
    "{word}\x1b[31m\x07\u2028=1+1\x00",
]
# Ends what the rest is tried on, or the session it is tried in; none takes words.
LEFT_OUT = re.compile(
    r"^/(leave|enter|start.*|access/(password|others|session|revoke|view|calendar)|vessel/\d+/retire"
    r"|vessel/\d+/batch/\d+/end|feeds/\d+/retire|notices/\d+/answer)$"
)
NOT_TYPED = {"mark", "once"}
# So that what is tried is not refused for what was left out.
LIKELY = {
    "original": "1.094", "expected": "1.000", "gravity": "1.050", "read": "1.050", "sample": "20", "of": "honey", "mass": "1",
    "called": "Plain", "volume": "10", "amount": "1", "paid": "5",
}
# A box that is not ticked sends nothing.
TICKED = [("send", "yes")]
wrong = []
seen_words = set()


def pattern(address):
    return re.sub(r"\d+", "N", address)


def text_of(tree):
    return "".join(tree.itertext())


def look_at_html(where, text):
    tree = html5lib.parse(text, namespaceHTMLElements=False)
    for element in tree.iter():
        if not isinstance(element.tag, str):
            if "zq" in (element.text or ""):
                wrong.append(f"{where}: a comment holds what was typed")
            continue
        tag = element.tag.rsplit("}", 1)[-1]
        said = element.text or ""
        if tag.startswith("zq") or (tag in ("script", "style") and "zq" in said):
            wrong.append(f"{where}: <{tag}> came of what was typed")
        if tag == "script" and not element.get("src"):
            wrong.append(f"{where}: a script without an address")
        for name, value in element.attrib.items():
            if name.startswith(("on", "zq")) or "zq" in name:
                wrong.append(f"{where}: <{tag} {name}> came of what was typed")
            if name in ("href", "src", "action", "formaction") and (
                value.strip().lower().startswith(("javascript:", "data:", "vbscript:", "//"))
                or value == "x"
            ):
                wrong.append(f"{where}: <{tag} {name}={value!r}>")
    return tree


def look_at(where, answer):
    """Reads an answer by what it says it is; gives the page, if it is one."""
    if answer.status_code >= 500:
        wrong.append(f"{where}: {answer.status_code}")
    for name in answer.headers:
        if "zq" in name.lower():
            wrong.append(f"{where}: header {name}")
    kind = answer.headers.get("content-type", "").split(";")[0]
    text = answer.content.decode("utf-8", "replace")
    seen_words.update(re.findall(r"zq\d+z", text))
    try:
        if kind == "text/html":
            return look_at_html(where, text)
        if kind == "text/csv":
            rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
            if len({len(row) for row in rows}) > 1:
                wrong.append(f"{where}: rows of different length")
        elif kind in ("application/json", "application/schema+json"):
            json.loads(text)
        elif kind == "text/calendar":
            calendar = icalendar.Calendar.from_ical(text)
            for part in calendar.walk():
                if set(part.keys()) & {"ATTENDEE", "X-ZQ", "ATTACH"}:
                    wrong.append(f"{where}: a property came of what was typed")
        elif kind == "image/svg+xml":
            for element in ET.fromstring(text).iter():
                if "zq" in element.tag or any(n.startswith(("on", "zq")) for n in element.attrib):
                    wrong.append(f"{where}: <{element.tag}> came of what was typed")
        elif kind == "application/openmetrics-text":
            list(text_string_to_metric_families(text))
    except Exception as fault:  # whatever a reader stumbles over is a finding
        wrong.append(f"{where}: cannot be read: {fault!r}")
    return None


def controls(form):
    """What a form would send, as (name, value, kind); of boxes and buttons only those that are set."""
    for element in form.iter():
        if not isinstance(element.tag, str) or not element.get("name"):
            continue
        name = element.get("name")
        if element.tag == "textarea":
            yield name, text_of(element), "textarea"
        elif element.tag == "select":
            options = [o for o in element.iter("option")]
            chosen = [o for o in options if o.get("selected") is not None] or options[:1]
            yield name, (chosen[0].get("value") if chosen else "") or "", "select"
        elif element.tag == "input":
            kind = element.get("type", "text")
            if kind in ("checkbox", "radio") and element.get("checked") is None:
                continue
            yield name, element.get("value", ""), kind


def forms(tree):
    for form in tree.iter("form"):
        if (form.get("method") or "get").lower() == "post":
            yield form.get("action") or "", list(controls(form))


def crawl(more=()):
    """Every page there is a link to, and what the API has."""
    waiting = ["/", "/wall", "/settings", "/metrics", *more]
    waiting += ["/api/v1/vessels", "/api/v1/meads", "/api/v1/tasks", "/api/v1/reckon"]
    of_kind = {}
    pages = {}
    while waiting:
        path = waiting.pop(0)
        kind = pattern(path)
        # The same page of many vessels and meads, or with other words looked for, is one page; but of
        # what was typed each must be seen.
        if path in pages or of_kind.get(kind, 0) >= (12 if kind == "/vessel/N" else 6) or path.startswith(("/assets/", "/leave")):
            continue
        of_kind[kind] = of_kind.get(kind, 0) + 1
        answer = session.get(base + path, allow_redirects=False)
        pages[path] = look_at(path, answer)
        # The newest of a kind stand last, and are looked at first.
        for element in reversed(list(pages[path].iter())) if pages[path] is not None else []:
            for name in ("href", "src"):
                to = element.get(name)
                if isinstance(element.tag, str) and to:
                    whole = urlsplit(urljoin(base + path, to))
                    if whole.netloc == urlsplit(base).netloc:
                        query = f"?{whole.query}" if whole.query else ""
                        waiting.append(whole.path + query)
    return pages


def likely(name):
    # Two vessels may not have one name.
    return f"Plain {count}" if name == "name" else LIKELY.get(name, "")


def fill(sent, field, payload):
    filled = [
        (name, payload if name == field else value or likely(name))
        for name, value, _ in sent
    ]
    return filled + TICKED


def anew(action):
    """A form like this one of another vessel, where the one there was is used up."""
    if not action.startswith("/vessel/"):
        return None
    name = f"Spare {len(made)}"
    to = post("/vessel", [("mark", mark), ("name", name)]).headers["location"]
    made.append(to)
    if "/batch/" in action:
        begun = [("mark", mark), ("name", name), ("started", STARTED), ("original", "1.094"), ("volume", "20")]
        post(f"{to}/batch", begun)
    tree = look_at(to, session.get(base + to, allow_redirects=False))
    like = [(new, sent) for new, sent in forms(tree) if pattern(new) == pattern(action)]
    return like[0] if like else None


def post(action, body):
    answer = session.post(base + action, data=body, allow_redirects=False)
    look_at(action, answer)
    return answer


def attempt(action, sent, name, words):
    """Sends the form with these words in one field."""
    global count
    count += 1
    # Each form is good for once, and this is another one.
    sent = [(n, f"{count:032x}" if n == "once" else value, kind) for n, value, kind in sent]
    return post(action, fill(sent, name, words))


def is_words(name):
    """Whether any words would be taken there; the rest are numbers, days and choices."""
    return re.search(r"name|note|called|place|honey|yeast|style|money", name) is not None


STARTED = "2026-01-02T12:00"
made = []
fields = {}
count = 0
mark = ""
pages = crawl()
for payload in PAYLOADS:
    words = {}
    for path, tree in pages.items():
        for action, sent in forms(tree) if tree is not None else []:
            if LEFT_OUT.match(action):
                continue
            mark = next((value for name, value, _ in sent if name == "mark"), mark)
            for name, _, kind in sent:
                key = f"{pattern(action)} {name}"
                typed = is_words(name)
                # What is chosen is tried once, what is typed with everything.
                if name in NOT_TYPED or key in words or (key in fields and not typed):
                    continue
                words[key] = f"zq{count}z"
                said = payload.format(word=words[key])
                answer = attempt(action, sent, name, said)
                if answer.status_code == 303 and re.search(r"\d", action):
                    # What changes what is there sends all of it each time.
                    sent = [(n, said if n == name else v, k) for n, v, k in sent]
                elif typed and answer.status_code != 303:
                    like = anew(action)
                    answer = attempt(*like, name, said) if like else answer
                field = fields.setdefault(key, {"kind": kind, "taken": 0, "seen": 0})
                field["taken"] += answer.status_code == 303
    seen_words.clear()
    pages = crawl()
    for key, word in words.items():
        fields[key]["seen"] += word in seen_words
print(json.dumps({"pages": sorted(pages), "posts": count, "fields": fields, "wrong": sorted(set(wrong))}))
