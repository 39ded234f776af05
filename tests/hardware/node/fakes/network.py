"""A radio that is away when the plan says so."""

import world

STA_IF = 0


class WLAN:
    def __init__(self, kind):
        pass

    def active(self, on):
        pass

    def connect(self, ssid, password):
        pass

    def isconnected(self):
        return not world.during("away")
