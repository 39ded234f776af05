"""Real sockets while the radio is there, dead ones while it is away; and a time server of its own."""

import usocket
import world
from usocket import AF_INET, SOCK_DGRAM, SOCK_STREAM, getaddrinfo

_FROM_1900_S = 2208988800


class socket:
    def __init__(self, family=AF_INET, kind=SOCK_STREAM):
        self._datagrams = kind == SOCK_DGRAM
        self._sock = None if self._datagrams else usocket.socket(family, kind)

    def settimeout(self, span_s):
        if self._sock:
            self._sock.settimeout(span_s)

    def connect(self, address):
        self._there()
        self._sock.connect(address)

    def write(self, data):
        self._there()
        return self._sock.write(data)

    def read(self, count):
        self._there()
        return self._sock.read(count)

    def close(self):
        if self._sock:
            self._sock.close()

    def sendto(self, data, address):
        self._there()
        assert data[0] & 7 == 3 and len(data) == 48

    def recv(self, count):
        if world.during("no_time_server"):
            raise OSError(110)
        now_ms = world.base_ms + world.up_ms
        seconds = now_ms // 1000 + _FROM_1900_S
        fraction = (now_ms % 1000 << 32) // 1000
        head = bytearray(40)
        head[0], head[1] = 0x24, 2
        return bytes(head) + (seconds & 0xFFFFFFFF).to_bytes(4, "big") + fraction.to_bytes(4, "big")

    def _there(self):
        if world.during("away"):
            raise OSError(113)
