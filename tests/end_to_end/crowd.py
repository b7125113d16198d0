"""Many who ask for one page again and again, each from a net of their own: a process beside the case.
It prints how long each answer took, in seconds. `how`: GET, POST (a form that asks for nothing), export
(with a key), or unread: they ask for it unpacked, and read none of it."""

import asyncio
import contextlib
import socket
import sys
import time


def head(how, port, path, key):
    lines = [f"{'POST' if how == 'POST' else 'GET'} {path} HTTP/1.1", f"Host: 127.0.0.1:{port}",
             "Connection: close"]
    if how != "unread":
        lines.append("Accept-Encoding: br")
    if how == "export":
        lines.append(f"Authorization: Bearer {key}")
    if how == "POST":
        lines += ["Content-Type: application/x-www-form-urlencoded", "Content-Length: 8"]
    return ("\r\n".join(lines) + "\r\n\r\n" + ("act=none" if how == "POST" else "")).encode()


async def ask(number, port, how, request):
    # All of 127.0.0.0/8 is this machine (RFC 1122, 3.2.1.3).
    own = (f"127.{1 + number // 250}.{number % 250}.1", 0)
    while True:
        began = time.monotonic()
        with contextlib.suppress(OSError, asyncio.TimeoutError):
            held = socket.socket()
            if how == "unread":
                held.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
            held.setblocking(False)
            held.bind(own)
            await asyncio.wait_for(
                asyncio.get_running_loop().sock_connect(held, ("127.0.0.1", port)), 20)
            reader, writer = await asyncio.open_connection(sock=held, limit=2048)
            writer.write(request)
            if how == "unread":
                await asyncio.sleep(60)
            answer = await asyncio.wait_for(reader.read(), 60)
            writer.close()
            if answer.startswith((b"HTTP/1.1 200", b"HTTP/1.1 422")):
                print(time.monotonic() - began, flush=True)
        await asyncio.sleep(0.05)


async def main(many, port, path, how="GET", key=""):
    request = head(how, port, path, key)
    await asyncio.gather(*(ask(number, port, how, request) for number in range(many)))


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]), int(sys.argv[2]), *sys.argv[3:]))
