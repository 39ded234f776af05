"""Publishers for the benches: QoS 1 messages as fast as a socket takes them, from processes of their own."""

import multiprocessing as mp
import socket
import threading
import time
from multiprocessing.synchronize import Barrier

from collector.clock import SystemClock, to_us
from tests.collector.listener import client_bytes as client

TOPICS = 10_000
_STEP_MS = 100
_PACKETS_A_WRITE = 1_000
_SPAWN = mp.get_context("spawn")


def topic(number: int) -> str:
    """Return the topic of a sensor."""
    return f"shed/s{number:05d}/env"


def payload(number: int, first_ms: int) -> bytes:
    """Return 58 bytes of JSON; a sensor's next message is 100 ms and some hundredths of a degree on."""
    turn, sensor = divmod(number, TOPICS)
    air_c, at_ms = 18 + sensor % 40 / 10 + turn % 7 / 100, first_ms + turn * _STEP_MS
    return b'{"air": %.2f, "rh": 64.21, "bat": 3.011, "t": %d}' % (air_c, at_ms)


def publish_from(publishers: int, port: int, count: int) -> float:
    """Publish `count` messages in all, each by one of the processes; return when they began (monotonic)."""
    ready = _SPAWN.Barrier(publishers + 1)
    each = count // publishers
    first_ms = to_us(SystemClock().now()) // 1000
    workers = [
        _SPAWN.Process(target=_publish, args=(port, range(i * each, (i + 1) * each), first_ms, ready))
        for i in range(publishers)
    ]
    for worker in workers:
        worker.start()
    ready.wait()
    began_s = time.monotonic()
    for worker in workers:
        worker.join()
        assert worker.exitcode == 0
    return began_s


def _publish(port: int, numbers: range, first_ms: int, ready: Barrier) -> None:
    """Send what was made ready before; return when every message is acknowledged."""
    writes = [
        b"".join(_packet(number, first_ms) for number in numbers[start : start + _PACKETS_A_WRITE])
        for start in range(0, len(numbers), _PACKETS_A_WRITE)
    ]
    with socket.create_connection(("127.0.0.1", port), timeout=300) as sock:
        sock.sendall(client.connect(4, f"publisher{numbers.start}", keep_alive_s=0))
        sock.recv(4, socket.MSG_WAITALL)
        reader = threading.Thread(target=_read_acknowledgements, args=(sock, len(numbers)))
        ready.wait()
        reader.start()
        for data in writes:
            sock.sendall(data)
        reader.join()


def _packet(number: int, first_ms: int) -> bytes:
    packet_id = number % 65_535 + 1
    return client.publish(topic(number % TOPICS), payload(number, first_ms), qos=1, packet_id=packet_id)


def _read_acknowledgements(sock: socket.socket, count: int) -> None:
    left = 4 * count  # a PUBACK is four bytes
    while left:
        got = len(sock.recv(65_536))
        assert got, "the other side hung up"
        left -= got
