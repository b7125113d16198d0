"""A relay on loopback that takes everything and remembers when."""

import asyncio
import re
import threading
import time
from dataclasses import dataclass

_FIELD = re.compile(rb"^(Message-ID|Shorelamp-Kind|Shorelamp-Plan|Subject):\s*(.*?)\r\n(?![ \t])",
                    re.I | re.M | re.S)


@dataclass(frozen=True)
class Taken:
    """A letter, and the two moments that count: its DATA command, and our 250 to its last dot."""

    begun: float
    ended: float
    to: str
    kind: str
    ref: str
    id: str
    subject: str


class Sink:
    """Listens until `stop`; `taken` grows, oldest first."""

    def __init__(self):
        self.taken, self.open, self.most_open = [], 0, 0
        self._loop = asyncio.new_event_loop()
        ready = threading.Event()
        threading.Thread(target=self._serve, args=(ready,), daemon=True).start()
        ready.wait()

    def _serve(self, ready):
        asyncio.set_event_loop(self._loop)
        start = asyncio.start_server(self._talk, "127.0.0.1", 0, limit=1 << 22)
        self._server = self._loop.run_until_complete(start)
        self.port = self._server.sockets[0].getsockname()[1]
        ready.set()
        self._loop.run_forever()

    def stop(self):
        self._loop.call_soon_threadsafe(self._loop.stop)

    async def _talk(self, reader, writer):
        self.open += 1
        self.most_open = max(self.most_open, self.open)
        try:
            await self._converse(reader, writer)
        except (OSError, asyncio.IncompleteReadError):
            pass  # The other side was killed: that is what this is for.
        finally:
            self.open -= 1
            writer.close()

    async def _converse(self, reader, writer):
        to = ""
        writer.write(b"220 sink ESMTP\r\n")
        while line := await reader.readline():
            word = line[:4].upper()
            if word == b"EHLO":
                writer.write(b"250-sink\r\n250-8BITMIME\r\n250 SMTPUTF8\r\n")
            elif word == b"RCPT":
                to = line[line.index(b"<") + 1:line.index(b">")].decode()
                writer.write(b"250 fine\r\n")
            elif word == b"DATA":
                begun = time.time()
                writer.write(b"354 go on\r\n")
                body = await reader.readuntil(b"\r\n.\r\n")
                self._keep(begun, to, body)
                writer.write(b"250 taken\r\n")
            elif word == b"QUIT":
                writer.write(b"221 bye\r\n")
                return
            else:
                writer.write(b"250 fine\r\n")
            await writer.drain()

    def _keep(self, begun, to, body):
        head = body[:body.index(b"\r\n\r\n") + 2]
        fields = {name.lower(): b" ".join(value.split()).decode()
                  for name, value in _FIELD.findall(head)}
        self.taken.append(Taken(begun, time.time(), to, fields[b"shorelamp-kind"],
                                fields[b"shorelamp-plan"], fields[b"message-id"],
                                fields[b"subject"]))
