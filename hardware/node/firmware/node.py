"""The node's round: read, keep, send. Nothing here waits without a limit, and no fault ends it."""

from air import dew_point_c
from early import Early
from mqtt import MqttError

_UNDER_WAY = 8  # messages sent before the first acknowledgement is waited for
_BACK_OFF_S = (5, 10, 20, 40, 60)
_KEEP_ALIVE_S = 60
_NTP_AGAIN_MS = 6 * 3600 * 1000


def _decimal(hundredths):
    """Return 1723 as 17.23, 1700 as 17: decimals without a float."""
    sign, whole, part = "-" if hundredths < 0 else "", abs(hundredths) // 100, abs(hundredths) % 100
    if not part:
        return "%s%d" % (sign, whole)
    return ("%s%d.%02d" % (sign, whole, part)).rstrip("0")


def payload(at_s, names, values, waiting=0, lost=0):
    """Return a message: plain JSON, the time as whole seconds since 1970; what was not measured is left out."""
    parts = ['"t": %d' % at_s]
    parts += ['"%s": %s' % (name, _decimal(v)) for name, v in zip(names, values) if v is not None]
    if waiting:
        parts.append('"waiting": %d' % waiting)
    if lost:
        parts.append('"lost": %d' % lost)
    return ("{" + ", ".join(parts) + "}").encode()


class Node:
    """One node. `connect(will_topic, will)` returns a connected Mqtt; `ask_time()` milliseconds or None."""

    def __init__(self, topic, sensors, clock, ring, connect, ask_time, feed=lambda: None, lamp=None, margin_k=3):
        self._topic, self._sensors, self._clock, self._ring = topic, sensors, clock, ring
        self._connect, self._ask_time, self._feed = connect, ask_time, feed
        self._lamp, self._margin = lamp, margin_k
        self._early, self._fresh = Early(), []
        self._link = None
        self._tries, self._try_at_ms, self._ntp_at_ms = 0, 0, 0
        self._spoke_ms = 0

    def measure(self):
        """Read all sensors once; the reading is kept until it is acknowledged."""
        self._feed()
        values = self._sensors.read()
        self._show(values)
        up_ms = self._clock.up_ms()
        at_s = self._clock.at_s(up_ms)
        if at_s is None:
            self._early.append(up_ms, values)
        else:
            self._fresh.append((at_s, values))

    def send(self, until_ms):
        """Send what waits, oldest first, until all of it is acknowledged or `until_ms` of up time.

        What could not be sent goes to flash: online, flash is not written at all.
        """
        self._ask_what_time()
        try:
            if self._link is not None or self._open():
                while (len(self._ring) or self._fresh) and self._clock.up_ms() < until_ms:
                    self._feed()
                    self._send_some()
                if self._clock.up_ms() - self._spoke_ms > _KEEP_ALIVE_S * 500:
                    self._link.ping()
                    self._spoke_ms = self._clock.up_ms()
        except (OSError, MqttError):
            self._lose_link()
        self.keep()

    def keep(self):
        """Put what was not sent into flash."""
        for at_s, values in self._fresh:
            self._keep(at_s, values)
        self._fresh = []

    def goodbye(self):
        """End the connection in order, before a sleep."""
        if self._link:
            self._link.close(goodbye=True)
            self._link = None

    def _keep(self, at_s, values):
        try:
            self._ring.append(at_s, values)
        except OSError:
            self._ring.lost += 1  # flash refused: the next message says so

    def _ask_what_time(self):
        now = self._clock.up_ms()
        if self._clock.known and now < self._ntp_at_ms:
            return
        true_ms = self._ask_time()
        if true_ms is not None:
            self._clock.set_ms(true_ms)
            self._ntp_at_ms = now + _NTP_AGAIN_MS
        elif self._clock.known:
            self._ntp_at_ms = now + _BACK_OFF_S[-1] * 1000
        if self._clock.known:
            for up_ms, values in self._early.take():
                self._keep(self._clock.at_s(up_ms), values)

    def _open(self):
        now = self._clock.up_ms()
        if now < self._try_at_ms:
            return False
        self._try_at_ms = now + _BACK_OFF_S[min(self._tries, len(_BACK_OFF_S) - 1)] * 1000
        self._tries += 1
        self._feed()
        self._link = self._connect(self._topic + "/status", b"offline")
        number = self._link.publish(self._topic + "/status", b"online", retained=True)
        while self._link.acknowledged() != number:
            pass
        self._tries, self._spoke_ms = 0, self._clock.up_ms()
        return True

    def _send_some(self):
        records = self._ring.oldest(_UNDER_WAY) or self._fresh[:_UNDER_WAY]
        waiting = len(self._ring) + len(self._fresh) - len(records)
        names, lost = self._sensors.names, self._ring.lost
        sent = [
            self._link.publish(self._topic + "/node", payload(at_s, names, values, waiting, lost))
            for at_s, values in records
        ]
        for number in sent:  # acknowledged in order, as the standard has it
            while self._link.acknowledged() != number:
                pass
            if len(self._ring):
                self._ring.drop(1)
            else:
                self._fresh.pop(0)
        self._spoke_ms = self._clock.up_ms()

    def _lose_link(self):
        if self._link:
            self._link.close()
            self._link = None

    def _show(self, values):
        """Light the lamp while the part is too near the dew point to be glassed, or nobody knows."""
        if self._lamp is None:
            return
        now = dict(zip(self._sensors.names, values))
        air, humidity, part = now.get("air_c"), now.get("humidity_pct"), now.get("part_c")
        if air is None or not humidity or part is None:
            self._lamp(1)
            return
        self._lamp(1 if part / 100 - dew_point_c(air / 100, humidity / 100) < self._margin else 0)
