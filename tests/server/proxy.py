"""A proxy on loopback that does to requests and answers what bad networks do to them."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable

Mischief = Callable[[bytes, Callable[[bytes], bytes]], bytes]


class Proxy:
    """Takes one request for each connection and answers what `mischief(request, ask)` returns.

    `ask(request)` sends a request to the real server and returns its whole answer. b"" closes without an answer.
    """

    def __init__(self, port: int, mischief: Mischief) -> None:
        self._port = port
        self.mischief = mischief
        self.requests: list[bytes] = []
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._thread = threading.Thread(target=self._serve, daemon=True)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._listening.getsockname()[1]}"

    def __enter__(self) -> Proxy:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        self._thread.join(timeout=10)

    def _serve(self) -> None:
        while True:
            try:
                taken, _ = self._listening.accept()
            except OSError:
                return
            with taken:
                taken.settimeout(20)
                request = read_message(taken)
                if not request:
                    continue
                self.requests.append(request)
                answer = self.mischief(request, self.ask)
                if answer:
                    taken.sendall(answer)

    def ask(self, request: bytes) -> bytes:
        """Send a request to the real server; return its answer, b"" when it is away."""
        try:
            with socket.create_connection(("127.0.0.1", self._port), timeout=20) as server:
                server.sendall(request.replace(b"\r\nConnection: keep-alive", b"\r\nConnection: close"))
                return read_message(server)
        except OSError:
            return b""


def read_message(source: socket.socket) -> bytes:
    """Read one HTTP message with a Content-Length, or without a body; b"" when the other side went away."""
    whole = b""
    while b"\r\n\r\n" not in whole:
        part = source.recv(65536)
        if not part:
            return b""
        whole += part
    head, _, body = whole.partition(b"\r\n\r\n")
    length = 0
    for line in head.split(b"\r\n")[1:]:
        name, _, value = line.partition(b":")
        if name.lower() == b"content-length":
            length = int(value)
    while len(body) < length:
        part = source.recv(65536)
        if not part:
            return b""
        body += part
    return head + b"\r\n\r\n" + body


def answer(code: str, body: bytes, kind: str = "text/html") -> bytes:
    """Return a whole HTTP answer."""
    head = f"HTTP/1.1 {code}\r\nContent-Type: {kind}\r\nContent-Length: {len(body)}\r\nConnection: close\r\n\r\n"
    return head.encode() + body
