"""A broker that follows a script: for what a real one does only when it is killed at the right instant (MQTT 3.1.1)."""

import socket
import struct
import threading
from types import TracebackType
from typing import Self

Line = tuple[int, str, bytes, bool]  # packet number, topic, content, whether it is marked as a repetition


class ScriptedBroker:
    """Says that it knows each client, and sends its `script` after each subscription; `acknowledged` since then."""

    def __init__(self) -> None:
        self.script: list[Line] = []
        self.acknowledged: list[int] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self._thread = threading.Thread(target=self._accept, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._thread.join(5.0)

    def _accept(self) -> None:
        while True:
            try:
                line, _ = self._server.accept()
            except OSError:
                return
            with line, line.makefile("rb") as stream:
                while (first := stream.read(1)) and self._answer(line, first[0], _content(stream)):
                    pass

    def _answer(self, line: socket.socket, first: int, content: bytes) -> bool:
        try:
            match first >> 4:
                case 1:  # CONNECT: taken, and the session is known
                    line.sendall(b"\x20\x02\x01\x00")
                case 8:  # SUBSCRIBE: granted at quality of service 1; each topic filter is followed by one byte
                    line.sendall(b"\x90" + bytes([2 + _filters(content)]) + content[:2] + b"\x01" * _filters(content))
                    self.acknowledged = []
                    for each in self.script:
                        line.sendall(_publish(*each))
                case 3:  # PUBLISH of the client's own
                    (length,) = struct.unpack_from(">H", content)
                    line.sendall(b"\x40\x02" + content[2 + length : 4 + length])
                case 4:  # PUBACK
                    self.acknowledged.append(struct.unpack(">H", content[:2])[0])
                case 12:  # PINGREQ
                    line.sendall(b"\xd0\x00")
        except OSError:
            return False
        return True


def _content(stream: object) -> bytes:
    length = shift = 0
    while True:
        (byte,) = stream.read(1)  # type: ignore[attr-defined]
        length |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            return bytes(stream.read(length))  # type: ignore[attr-defined]


def _filters(content: bytes) -> int:
    at, count = 2, 0
    while at < len(content):
        (length,) = struct.unpack_from(">H", content, at)
        at += 2 + length + 1
        count += 1
    return count


def _publish(packet: int, topic: str, content: bytes, repeated: bool) -> bytes:
    name = topic.encode()
    body = struct.pack(">H", len(name)) + name + struct.pack(">H", packet) + content
    assert len(body) < 128
    return bytes([0x3A if repeated else 0x32, len(body)]) + body
