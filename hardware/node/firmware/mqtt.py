"""MQTT 3.1.1, as much as a node needs: QoS 1 with several messages under way, a will, every wait bounded.

The stock client waits for each acknowledgement without a limit; catching up and a watchdog need otherwise.
"""

import socket
import struct


class MqttError(Exception):
    """The connection is of no use any more."""


def _text(value):
    data = value.encode() if isinstance(value, str) else value
    return struct.pack("!H", len(data)) + data


def _packet(first, body):
    size, length = bytearray(), len(body)
    while True:
        size.append(length & 0x7F | (0x80 if length > 0x7F else 0))
        length >>= 7
        if not length:
            return bytes([first]) + size + body


class Mqtt:
    """One connection. Every method raises MqttError or OSError when it is lost."""

    def __init__(self, host, port, tls=None, timeout_s=10):
        self._sock = socket.socket()
        self._number = 0
        try:
            self._sock.settimeout(timeout_s)
            self._sock.connect(socket.getaddrinfo(host, port)[0][-1])
            self._stream = self._sock if tls is None else tls(self._sock, host)
        except Exception:
            self._sock.close()
            raise

    def connect(self, client_id, user, password, will_topic, will, keep_alive_s):
        """Introduce oneself; the server says `will` on `will_topic`, retained, if we vanish."""
        flags = 0x02 | 0x04 | 0x08 | 0x20  # clean session; a will, QoS 1, retained
        tail = _text(client_id) + _text(will_topic) + _text(will)
        if user:
            flags |= 0xC0
            tail += _text(user) + _text(password)
        self._send(_packet(0x10, b"\x00\x04MQTT\x04" + bytes([flags]) + struct.pack("!H", keep_alive_s) + tail))
        kind, body = self._receive()
        if kind != 0x20 or len(body) != 2:
            raise MqttError("no answer to CONNECT")
        if body[1]:
            said = {4: "wrong user or password", 5: "not allowed"}
            raise MqttError(said.get(body[1], "refused, code %d" % body[1]))

    def publish(self, topic, payload, retained=False):
        """Send at QoS 1; return the number that its acknowledgement will bear."""
        self._number = self._number % 65535 + 1
        first = 0x32 | (0x01 if retained else 0)
        self._send(_packet(first, _text(topic) + struct.pack("!H", self._number) + payload))
        return self._number

    def acknowledged(self):
        """Wait for the next acknowledgement and return its number."""
        while True:
            kind, body = self._receive()
            if kind == 0x40 and len(body) == 2:
                return struct.unpack("!H", body)[0]

    def ping(self):
        """Show that both sides live; returns when the server answered."""
        self._send(b"\xc0\x00")
        while self._receive()[0] != 0xD0:
            pass

    def close(self, goodbye=False):
        """Close; with `goodbye` the server keeps the will to itself."""
        try:
            if goodbye:
                self._send(b"\xe0\x00")
            self._stream.close()
        except OSError:
            pass  # gone is gone
        self._sock.close()

    def _send(self, data):
        sent = 0
        while sent < len(data):
            count = self._stream.write(data[sent:])
            if not count:
                raise MqttError("the connection does not take more")
            sent += count

    def _receive(self):
        first, length, shift = self._read(1)[0], 0, 0
        while True:
            byte = self._read(1)[0]
            length |= (byte & 0x7F) << shift
            if not byte & 0x80:
                break
            shift += 7
            if shift > 21:
                raise MqttError("not MQTT")
        if length > 1024:
            raise MqttError("a packet of %d bytes" % length)
        return first & 0xF0, self._read(length)

    def _read(self, count):
        data = b""
        while len(data) < count:
            part = self._stream.read(count - len(data))
            if not part:
                raise MqttError("the connection is closed" if part == b"" else "no answer in time")
            data += part
        return data
