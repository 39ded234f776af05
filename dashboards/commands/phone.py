"""`layday phone`: the link that opens the page on a phone."""

import json
import socket

import typer

from collector.errors import InputError
from collector.phone_config import PhoneConfig
from collector.secret_files import secret_path
from dashboards.phone.order import PhoneOrder, make_token, read_token
from dashboards.session import Session
from forecast.outlook_order import order_of

_HOW = """no [phone] table in the configuration, so no page is served; write
[phone]                       # for this machine alone: http://127.0.0.1:8321/
or, for phones in the yard's network,
[phone]
host = "0.0.0.0"
token_file = "phone.token"    # 'layday phone' makes it and prints the link"""


def phone(ctx: typer.Context) -> None:
    """Print the link that opens the page `layday run` serves; make its token where there is none yet.

    Whoever has the link can read everything and change nothing (but acknowledge alarms, with
    acknowledge = true). To lock old links out, remove the token's
    file, run this again, and start `layday run` anew.
    """
    session: Session = ctx.obj
    config = session.config.phone
    if config is None:
        raise InputError(_HOW)
    links = _links(config, _token(config, make=True))
    if session.json:
        session.console.print_json(json.dumps({"schema": "layday/phone/1", "links": links}))
        return
    for link in links:
        session.console.out(link, highlight=False)
    if config.token_file:
        session.console.print("Open one on the phone. It is a key: show it to nobody else.", soft_wrap=True)


def phone_order(session: Session, config: PhoneConfig) -> PhoneOrder:
    """Return the order for the page's process.

    Raises
    ------
    SourceError
        If its token cannot be read.
    """
    order = order_of(session.files, session.clock)
    return PhoneOrder(config.host, config.port, _token(config), config.names, config.acknowledge, order)


def _token(config: PhoneConfig, *, make: bool = False) -> str:
    if not config.token_file:
        return ""
    path = secret_path(config.token_file, "phone.token_file")
    return make_token(path) if make else read_token(path)


def _links(config: PhoneConfig, token: str) -> list[str]:
    hosts = [*config.names, _reached_at(config.host)]
    query = f"?token={token}" if token else ""
    return [f"http://{host}:{config.port}/{query}" for host in dict.fromkeys(hosts)]


def _reached_at(host: str) -> str:
    """Return the address by which others reach us where we listen on every one of ours."""
    if host not in {"0.0.0.0", "::"}:
        return f"[{host}]" if ":" in host else host
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a test net (RFC 5737); a datagram socket sends nothing yet
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()
