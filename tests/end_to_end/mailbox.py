"""A real SMTP server on loopback that keeps what it takes, and refuses what a test tells it to."""

import email.policy
import re
import ssl
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from email.message import EmailMessage
from email.parser import BytesParser

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

USER, PASSWORD = "lamp", "an invented password"


@dataclass
class Letter:
    """One letter as the relay took it."""

    arrived: float
    sender: str
    recipients: list
    raw: bytes
    encrypted: bool = False
    message: EmailMessage = field(init=False)

    def __post_init__(self):
        self.message = BytesParser(policy=email.policy.default).parsebytes(self.raw)

    @property
    def kind(self):
        return str(self.message["Shorelamp-Kind"])

    @property
    def ref(self):
        return str(self.message["Shorelamp-Plan"])

    @property
    def to(self):
        return self.recipients[0]

    @property
    def id(self):
        return str(self.message["Message-ID"])

    @property
    def subject(self):
        return str(self.message["Subject"])

    @property
    def text(self):
        """The plain text, which stands on its own."""
        return self.message.get_body(("plain",)).get_content()

    @property
    def flat(self):
        """The plain text without its line breaks."""
        return " ".join(self.text.split())

    def head(self, lines):
        """Its first lines, without their breaks."""
        return " ".join(" ".join(self.text.splitlines()[:lines]).split())

    @property
    def everything(self):
        """Headers and every part that is text, decoded."""
        headers = "\n".join(f"{name}: {value}" for name, value in self.message.items())
        parts = [p for p in self.message.walk() if p.get_content_maintype() == "text"]
        return headers + "\n" + "\n".join(part.get_content() for part in parts)

    def links(self, base_url):
        """This service's addresses in the plain text, in order."""
        found = re.findall(re.escape(base_url) + r"/[^\s<>()\"']+", self.text)
        return [link.rstrip(".,;:") for link in found]


def check(letter, sender="lamp@example.org"):
    """What must be true of every letter, whatever its kind; `sender` None: whoever it is from."""
    message = letter.message
    for part in message.walk():
        assert part.defects == [], f"{letter.kind}: {part.defects}"
        for name, value in part.items():
            assert getattr(value, "defects", ()) == (), f"{letter.kind} {name}: {value.defects}"
    for name in ("From", "To", "Subject", "Date", "Message-ID", "MIME-Version", "Shorelamp-Kind",
                 "Shorelamp-Plan"):
        values = message.get_all(name, [])
        assert len(values) == 1 and str(values[0]).strip(), f"{letter.kind}: {name} is {values}"
    assert str(message["Auto-Submitted"]) == "auto-generated"
    # One letter a person: the envelope and the header name the same one address.
    assert len(letter.recipients) == 1, letter.recipients
    assert [a.addr_spec for a in message["To"].addresses] == letter.recipients
    senders = [a.addr_spec for a in message["From"].addresses]
    assert senders == [sender or senders[0]], senders
    assert message["Cc"] is None and message["Bcc"] is None
    assert re.fullmatch(r"<[^<>@\s]+@[^<>@\s]+>", letter.id), letter.id
    assert message["Date"].datetime is not None
    # RFC 5322, 2.1.1 and 2.3: lines of at most 998 octets, and CR and LF only together.
    assert max(map(len, letter.raw.split(b"\r\n"))) <= 998
    assert b"\r" not in letter.raw.replace(b"\r\n", b"") and b"\n" not in letter.raw.replace(
        b"\r\n", b"")
    assert message.get_body(("plain",)) is not None, f"{letter.kind} has no plain text"
    assert len(letter.text.split()) > 5, f"{letter.kind} says next to nothing"
    # Nobody is ever told that somebody or something is safe.
    assert not re.search(r"\bsafe(ly)?\b", letter.everything, re.I), letter.everything


class Certificates:
    """An authority made for one test, and a certificate of it for loopback."""

    def __init__(self, folder):
        authority = trustme.CA()
        self.ca_file = folder / "ca.pem"
        authority.cert_pem.write_to_path(self.ca_file)
        self.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        authority.issue_cert("127.0.0.1", "localhost").configure_cert(self.context)


@dataclass
class Refusal:
    """An answer to give instead of taking a letter: to a recipient, to a kind, so many times."""

    answer: str
    to: str | None = None
    kind: str | None = None
    times: int | None = None

    def applies(self, to, kind):
        if self.times == 0 or self.to not in (None, to) or self.kind not in (None, kind):
            return False
        if self.times is not None:
            self.times -= 1
        return True


class Mailbox:
    """The server; `letters` grows as they arrive, `refused` holds those that were turned away."""

    def __init__(self, port, certificates=None):
        self.port = port
        self.letters, self.refused, self.refusals = [], [], []
        self._changed = threading.Condition()
        options = {}
        if certificates:
            options = {
                "tls_context": certificates.context,
                "require_starttls": True,
                "authenticator": self._authenticate,
                "auth_required": True,
            }
        self._controller = Controller(self, hostname="127.0.0.1", port=port, **options)

    def start(self):
        self._controller.start()
        return self

    def stop(self):
        self._controller.stop()

    def refuse(self, answer, to=None, kind=None, times=None):
        """Gives this answer to such letters from now on."""
        refusal = Refusal(answer, to, kind, times)
        self.refusals.append(refusal)
        return refusal

    @staticmethod
    def _authenticate(_server, _session, _envelope, _mechanism, data):
        right = (data.login, data.password) == (USER.encode(), PASSWORD.encode())
        return AuthResult(success=right, handled=False)

    # aiosmtpd calls these two.
    async def handle_RCPT(self, _server, _session, envelope, address, _options):
        with self._changed:
            for refusal in self.refusals:
                # What a letter is about stands in its text: only rules for an address apply here.
                if refusal.kind is None and refusal.applies(address, None):
                    self.refused.append((time.time(), address, None, None))
                    return refusal.answer
        envelope.rcpt_tos.append(address)
        return "250 2.1.5 fine"

    async def handle_DATA(self, _server, session, envelope):
        letter = Letter(time.time(), envelope.mail_from, list(envelope.rcpt_tos),
                        bytes(envelope.original_content), session.ssl is not None)
        with self._changed:
            for refusal in self.refusals:
                if refusal.kind is not None and refusal.applies(letter.to, letter.kind):
                    self.refused.append((letter.arrived, letter.to, letter.kind, letter.id))
                    return refusal.answer
            self.letters.append(letter)
            self._changed.notify_all()
        return "250 2.0.0 taken"

    def of(self, kind=None, to=None):
        """The letters so far of a kind, to somebody, in the order of arrival."""
        with self._changed:
            return [letter for letter in self.letters
                    if kind in (None, letter.kind) and to in (None, letter.to)]

    def wait(self, kind, to, count=1, timeout=60):
        """Waits until so many letters of a kind have reached somebody; answers the last."""
        end = time.time() + timeout
        with self._changed:
            while True:
                found = [l for l in self.letters if l.kind == kind and l.to == to]
                if len(found) >= count:
                    return found[count - 1]
                left = end - time.time()
                if left <= 0:
                    break
                self._changed.wait(left)
        raise AssertionError(f"{count} `{kind}` to {to} expected in {timeout} s; came:\n{self}")

    def counts(self):
        """How many letters of each kind reached each person: {(kind, to): number}."""
        return Counter((letter.kind, letter.to) for letter in self.of())

    def __str__(self):
        start = self.letters[0].arrived if self.letters else 0
        return "\n".join(f"  {letter.arrived - start:7.2f} s  {letter.kind:12} {letter.to:22} "
                         f"{letter.subject}" for letter in self.of()) or "  nothing"
