"""Many who ask for one page again and again, each from a net of their own: a process beside the case.
It prints how long each answer took, in seconds."""

import asyncio
import contextlib
import sys
import time


async def ask(number, port, path):
    request = (f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n"
               "Accept-Encoding: br\r\nConnection: close\r\n\r\n").encode()
    # All of 127.0.0.0/8 is this machine (RFC 1122, 3.2.1.3).
    own = (f"127.{1 + number // 250}.{number % 250}.1", 0)
    while True:
        began = time.monotonic()
        with contextlib.suppress(OSError, asyncio.TimeoutError):
            reader, writer = await asyncio.wait_for(
                asyncio.open_connection("127.0.0.1", port, local_addr=own), 20)
            writer.write(request)
            answer = await asyncio.wait_for(reader.read(), 60)
            writer.close()
            if answer.startswith(b"HTTP/1.1 200"):
                print(time.monotonic() - began, flush=True)
        await asyncio.sleep(0.05)


async def main(many, port, path):
    await asyncio.gather(*(ask(number, port, path) for number in range(many)))


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3]))
