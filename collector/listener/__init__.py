"""The default source: sensors publish straight to the daemon, over MQTT 3.1.1 and 5."""

from collector.listener.limits import Limits
from collector.listener.server import Listener

__all__ = ["Limits", "Listener"]
