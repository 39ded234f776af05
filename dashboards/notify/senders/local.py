"""On this computer: a command, and a terminal's bell."""

import json
import os
import subprocess
from pathlib import Path

from collector.notify_config import ChannelConfig
from dashboards.notify.message import Weight
from dashboards.notify.sender import Answer, Limits, Outcome, Outgoing, cut
from dashboards.notify.senders.http import message_json

TIMEOUT_S = 20.0


class CommandSender:
    """Runs a command with the message as JSON on its standard input; exit 0 means sent.

    Nothing of the message becomes part of the command line.
    """

    limits = Limits(head_chars=500, text_chars=20_000)

    def __init__(self, config: ChannelConfig, timeout_s: float = TIMEOUT_S) -> None:
        self._command = config.command
        self._timeout_s = timeout_s

    def send(self, outgoing: Outgoing) -> Answer:
        """Run it once."""
        try:
            done = subprocess.run(  # noqa: S603  the configuration's own command, no shell
                self._command,
                input=json.dumps(message_json(outgoing), ensure_ascii=False).encode(),
                capture_output=True,
                timeout=self._timeout_s,
                check=False,
                env={name: value for name, value in os.environ.items() if name != "CREDENTIALS_DIRECTORY"},
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            return Answer(Outcome.LATER, f"{type(error).__name__}: {error}")
        said = cut((done.stderr or done.stdout).decode(errors="replace").strip(), 200)
        if done.returncode == 0:
            return Answer(Outcome.SENT, f"exit 0 {said}".strip())
        return Answer(Outcome.LATER, f"exit {done.returncode} {said}".strip())

    def close(self) -> None:
        """Nothing is held."""


class BellSender:
    """Writes the message to a terminal, and rings its bell for what is urgent."""

    limits = Limits(head_chars=200, text_chars=2_000)

    def __init__(self, config: ChannelConfig) -> None:
        self._device = Path(config.device)

    def send(self, outgoing: Outgoing) -> Answer:
        """Write it; control characters in it stay out."""
        bell = "\a\a\a" if outgoing.weight is Weight.URGENT else ""
        text = "".join(c for c in f"{outgoing.head}\n{outgoing.text}" if c == "\n" or c.isprintable())
        words = cut(text, self.limits.text_chars).replace("\n", "\r\n")
        try:
            terminal = os.open(self._device, os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK | os.O_APPEND)
        except OSError as error:
            return Answer(Outcome.LATER, f"{self._device}: {error.strerror}")
        try:
            os.write(terminal, f"{bell}\r\n{words}\r\n".encode())
        except OSError as error:
            return Answer(Outcome.LATER, f"{self._device}: {error.strerror}")
        finally:
            os.close(terminal)
        return Answer(Outcome.SENT, f"written to {self._device}")

    def close(self) -> None:
        """Nothing is held."""
