"""What the daemon tells the forwarder's process, and how it starts it, without loading any of it."""

import json
from dataclasses import asdict, dataclass

CODE = "from dashboards.forwarding import main; main()"


@dataclass(frozen=True, slots=True)
class ForwardOrder:
    """Where everything is; `config_file` is empty where every default holds."""

    config_file: str
    store_file: str
    journal_file: str
    outlook_file: str
    log_level: int

    def line(self) -> bytes:
        """Return this order as one line of JSON."""
        return json.dumps(asdict(self)).encode()
