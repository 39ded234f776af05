"""What systemd wants to hear from a service (sd_notify protocol): one datagram per word."""

import os
import socket


def tell_systemd(words: str) -> None:
    """Send ``READY=1``, ``WATCHDOG=1``, ``STOPPING=1`` …; does nothing outside systemd.

    A lost word must never stop the daemon, so failures are swallowed, a full queue that
    nobody reads among them: systemd's own time-out is the alarm.
    """
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as peer:
            peer.setblocking(False)
            peer.sendto(words.encode(), address)
    except OSError:
        return
