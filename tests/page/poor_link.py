"""A link at the edge of a campground's network: late by a few milliseconds, unevenly, and standing still now and then."""

import asyncio
import random
import threading


class PoorLink:
    """A proxy that a browser goes through. What comes is handed on after 8 to 20 ms, in order; every few seconds nothing is for 200 ms."""

    DELAY, JITTER, STALL = 0.008, 0.012, 0.2

    def __init__(self, seed=7):
        self.random = random.Random(seed)
        self.stalls, self.bytes = 0, 0
        self.stands_until = 0.0
        self.loop = asyncio.new_event_loop()
        ready = threading.Event()
        self.thread = threading.Thread(target=self.run, args=(ready,), daemon=True)
        self.thread.start()
        assert ready.wait(5)

    def run(self, ready):
        asyncio.set_event_loop(self.loop)
        server = self.loop.run_until_complete(asyncio.start_server(self.serve, "127.0.0.1", 0))
        self.port = server.sockets[0].getsockname()[1]
        self.loop.create_task(self.stall())
        ready.set()
        self.loop.run_forever()

    def flags(self):
        """For Chromium, which goes to loopback without a proxy unless it is told."""
        return [f"--proxy-server=127.0.0.1:{self.port}", "--proxy-bypass-list=<-loopback>"]

    async def stall(self):
        while True:
            await asyncio.sleep(self.random.uniform(1.0, 5.0))
            self.stalls += 1
            self.stands_until = self.loop.time() + self.STALL

    async def serve(self, reader, writer):
        head = await reader.readuntil(b"\r\n\r\n")
        method, target, *_ = head.split(b" ")
        # Only the rig is reached by it.
        if method != b"CONNECT" or not target.startswith(b"127.0.0.1:"):
            writer.close()
            return
        there, back = await asyncio.open_connection("127.0.0.1", int(target.split(b":")[1]))
        writer.write(b"HTTP/1.1 200 OK\r\n\r\n")
        await asyncio.gather(self.carry(reader, back), self.carry(there, writer))

    async def carry(self, reader, writer):
        pieces = asyncio.Queue()

        async def hand_on():
            while (piece := await pieces.get()) is not None:
                due, data = piece
                await asyncio.sleep(due - self.loop.time())
                await asyncio.sleep(self.stands_until - self.loop.time())
                writer.write(data)
                await writer.drain()
            writer.close()

        handing = self.loop.create_task(hand_on())
        try:
            while data := await reader.read(65_536):
                self.bytes += len(data)
                pieces.put_nowait((self.loop.time() + self.DELAY + self.random.uniform(0, self.JITTER), data))
        except OSError:
            pass
        pieces.put_nowait(None)
        try:
            await handing
        except OSError:
            pass

    def close(self):
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.thread.join(5)
