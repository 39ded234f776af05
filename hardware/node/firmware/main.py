"""Start: read node.json, build what hangs on the board, go round for ever."""

import time

import machine
import network
import onewire

import timekeeper
from ds18b20 import Probes
from hx711 import HX711
from mqtt import Mqtt
from node import Node
from ring import FILE_BYTES, Ring
from secure import wrapper
from sensors import Sensors
from settings import read
from sht4x import SHT4x

_WATCHDOG_MS = 60000
_JOIN_MS = 15000


def sensors_of(settings):
    """Return the sensors that the settings name."""
    pins, pin = settings["pins"], machine.Pin
    air = None
    if settings["air"]:
        air = SHT4x(machine.I2C(0, scl=pin(pins["scl"]), sda=pin(pins["sda"]), freq=100000))
    probes = None
    if pins["one_wire"] is not None:
        probes = Probes(onewire.OneWire(pin(pins["one_wire"]))), settings["probes"]
    heater = None
    if pins["heater_input"] is not None:
        contact = pin(pins["heater_input"], pin.IN, pin.PULL_UP)
        heater = lambda: not contact.value()  # noqa: E731  closed to ground: the heater runs
    scale = None
    if pins["scale_data"] is not None:
        scale = HX711(pin(pins["scale_clock"], pin.OUT), pin(pins["scale_data"], pin.IN), **settings["scale"])
    return Sensors(air, probes, heater, scale)


def joined(wifi, settings):
    """Join the network if it was left; raises OSError while it is not there.

    Joining goes on by itself: a node that measures does not wait for it, one that woke to send does.
    """
    if wifi.isconnected():
        return
    wifi.active(True)
    try:
        wifi.connect(settings["wifi"]["ssid"], settings["wifi"]["password"])
    except OSError:
        pass  # it is at it
    for _ in range(_JOIN_MS // 100 if settings["battery"] else 0):
        if wifi.isconnected():
            return
        time.sleep_ms(100)
    raise OSError("no wireless network")


def build(settings):
    """Return (node, clock, ring) made of the settings."""
    server, wifi = settings["server"], network.WLAN(network.STA_IF)
    clock = timekeeper.Timekeeper()
    clock.set_from_rtc(machine.RTC().datetime())
    wrap = wrapper(server["ca_file"])

    def connect(will_topic, will):
        joined(wifi, settings)
        link = Mqtt(server["host"], server["port"], wrap)
        try:
            link.connect(settings["name"], server["user"], server["password"], will_topic, will, 60)
        except Exception:
            link.close()
            raise
        return link

    def ask_time():
        try:
            joined(wifi, settings)
        except OSError:
            return None
        found = timekeeper.ask_ntp(settings["ntp_host"] or server["host"])
        if found is not None:
            date = timekeeper.date_of(found // 1000)
            machine.RTC().datetime(date[:3] + (0,) + date[3:] + (0,))  # outlives a deep sleep
        return found

    lamp = None
    if settings["pins"]["lamp"] is not None:
        lamp = machine.Pin(settings["pins"]["lamp"], machine.Pin.OUT).value
    feed = machine.WDT(timeout=_WATCHDOG_MS).feed
    ring = Ring("ring", max(2, settings["ring_kb"] * 1024 // FILE_BYTES))
    node = Node(
        settings["topic"], sensors_of(settings), clock, ring, connect, ask_time, feed, lamp, settings["lamp_margin_k"]
    )
    return node, clock, ring


def run(settings, rounds=None):
    """Go round, for ever or for some rounds."""
    node, clock, ring = build(settings)
    period_ms = settings["period_s"] * 1000
    due_ms = clock.up_ms()
    while rounds is None or rounds > 0:
        node.measure()
        due_ms += period_ms
        if settings["battery"]:
            if not clock.known or len(ring) >= settings["send_every"]:
                node.send(clock.up_ms() + _WATCHDOG_MS // 2)
                node.goodbye()
            node.keep()
            machine.deepsleep(period_ms)
        node.send(due_ms)
        due_ms = max(due_ms, clock.up_ms())  # late by a round: go on from here, not in a rush
        time.sleep_ms(due_ms - clock.up_ms())
        if rounds is not None:
            rounds -= 1


if __name__ == "__main__":
    with open("node.json") as file:
        run(read(file.read()))
