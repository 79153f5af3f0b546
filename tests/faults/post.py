"""A mail server for tests: takes mails, hangs or hangs up as it is told, and remembers every Message-ID."""

from __future__ import annotations

import re
import socketserver
import threading
from collections import Counter
from contextlib import suppress


class Post:
    """``mood``: well, hanging (takes the call and says nothing), down (hangs up at once)."""

    def __init__(self) -> None:
        self.mood, self.came = "well", Counter()
        self._lock, self._over = threading.Lock(), threading.Event()
        post = self

        class Talk(socketserver.StreamRequestHandler):
            def handle(self) -> None:
                if post.mood == "well":
                    with suppress(ConnectionError):  # whoever spoke was killed
                        post._talk(self.rfile, self.wfile)
                elif post.mood == "hanging":
                    post._over.wait(60)

        socketserver.ThreadingTCPServer.allow_reuse_address = True
        self.server = socketserver.ThreadingTCPServer(("127.0.0.1", 0), Talk)
        self.server.daemon_threads, self.server.block_on_close = True, False
        self.port = self.server.server_address[1]
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def _talk(self, heard, said) -> None:
        said.write(b"220 post\r\n")
        while line := heard.readline():
            word = line[:4].upper()
            if word == b"DATA":
                said.write(b"354 go on\r\n")
                self._take(heard)
            said.write(b"221 bye\r\n" if word == b"QUIT" else b"250 well\r\n")
            if word == b"QUIT":
                return

    def _take(self, heard) -> None:
        lines = []
        while (line := heard.readline()) and line != b".\r\n":
            lines.append(line)
        found = re.search(rb"^Message-ID:\s*(\S+)", b"".join(lines), re.IGNORECASE | re.MULTILINE)
        with self._lock:
            self.came[found[1].decode() if found else "?"] += 1

    def close(self) -> None:
        self._over.set()
        self.server.shutdown()
        self.server.server_close()
