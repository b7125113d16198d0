"""A contact's or crew's page as a browser sees it: its forms, filled in and sent."""

import re
import time
from dataclasses import dataclass, field
from html.parser import HTMLParser
from urllib.parse import urlencode, urljoin, urlsplit

from daemon import request


@dataclass
class Form:
    """A form: where it goes, its fields, and all its words."""

    action: str
    method: str
    fields: list = field(default_factory=list)
    words: str = ""


class _Reader(HTMLParser):
    """Collects the forms of a page; a heading, legend or summary before a form counts to it."""

    def __init__(self):
        super().__init__()
        self.forms, self.text = [], ""
        self._form, self._before, self._select, self._button = None, "", None, None

    def handle_starttag(self, tag, attributes):
        at = {name: value or "" for name, value in attributes}
        if tag == "form":
            self._form = Form(at.get("action", ""), at.get("method", "get").lower())
            self._form.words, self._before = self._before + " ", ""
            self.forms.append(self._form)
        elif tag in ("h1", "h2", "h3", "summary", "legend"):
            self._before = ""
        elif self._form and tag == "input":
            self._form.fields.append({"tag": "input", "type": "text"} | at | {"checked": "checked" in at})
            self._form.words += " " + at.get("value", "") * (at.get("type") == "submit")
        elif self._form and tag == "textarea":
            self._form.fields.append({"tag": "textarea", "type": "text"} | at)
        elif self._form and tag == "select":
            self._select = {"tag": "select", "type": "select", "options": []} | at
            self._form.fields.append(self._select)
        elif self._select and tag == "option":
            self._select["options"].append(at.get("value", ""))
        elif self._form and tag == "button":
            self._form.fields.append({"tag": "button", "type": "submit"} | at)

    def handle_endtag(self, tag):
        if tag == "form":
            self._form, self._before = None, ""
        elif tag == "select":
            self._select = None

    def handle_data(self, data):
        self.text += data
        if self._form:
            self._form.words += data
        else:
            self._before += data


class Page:
    """A page fetched by GET."""

    def __init__(self, url):
        self.url = url
        self.answer = request("GET", url)
        assert self.answer.status == 200, f"{url}: {self.answer}"
        reader = _Reader()
        reader.feed(self.answer.text)
        self.forms, self.text = reader.forms, " ".join(reader.text.split())

    def form(self, words):
        """The form to POST whose words match."""
        found = [f for f in self.forms if f.method == "post" and re.search(words, f.words, re.I)]
        assert found, f"no form like /{words}/ among {[f.words for f in self.forms]}"
        return found[0]

    def send(self, form, name, origin=None, **said):
        """Fills a form in as a person would and sends it; `said` maps a part of a field's name to
        what is typed there."""
        typed = {"service": "the coast guard", "ref": "R-17", "how": "spoke on the telephone",
                 "name": name} | said
        pairs = []
        for entry in form.fields:
            key, kind = entry.get("name"), entry.get("type")
            if not key:
                continue
            if kind == "hidden":
                pairs.append((key, entry.get("value", "")))
            elif kind == "checkbox":
                pairs.append((key, entry.get("value", "on")))
            elif kind == "radio":
                if entry.get("checked") or key not in dict(pairs):
                    pairs = [pair for pair in pairs if pair[0] != key]
                    pairs.append((key, entry.get("value", "on")))
            elif kind == "select":
                wanted = [o for o in entry["options"] if o in typed.values()]
                pairs.append((key, (wanted or [o for o in entry["options"] if o] or [""])[0]))
            elif kind == "submit":
                if entry.get("value"):
                    pairs.append((key, entry["value"]))
            elif kind == "datetime-local":
                pairs.append((key, entry.get("value") or time.strftime("%Y-%m-%dT%H:%M")))
            elif kind == "time" or re.search(r"time|when|(^|_)at$", key):
                pairs.append((key, entry.get("value") or time.strftime("%H:%M")))
            else:
                part = next((part for part in typed if part in key), None)
                pairs.append((key, typed[part] if part else typed["name"]
                              if re.search(r"^by$|who", key) else "spoke on the telephone"))
        site = urlsplit(self.url)
        headers = {"Content-Type": "application/x-www-form-urlencoded",
                   "Origin": origin or f"{site.scheme}://{site.netloc}"}
        return request("POST", urljoin(self.url, form.action), urlencode(pairs), headers)


def page_of(letter, base_url):
    """The page behind a letter's first link that opens."""
    links = letter.links(base_url)
    assert links, f"no link in:\n{letter.text}"
    return Page(links[0])
