"""What one client, and all of them together, may take of a small computer."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Bounds that are not settings, since nobody at a shed should have to think of them.

    Parameters
    ----------
    connect_s : float
        How long a socket may stay without a complete CONNECT (TLS handshake apart, which has
        as long) [s].
    packet_s : float
        How long one packet may take to arrive [s]; 256 kB in it is a link of 2 kB/s.
    linger_s : float
        How long a closed client has to take in why it was closed, before its socket goes [s].
    sweep_s : float
        How often these times are checked [s].
    full_sink_s : float
        How often a sink without room is asked again [s].
    receive_maximum : int
        Messages of one client that may wait for their acknowledgement.
    unacked_bytes : int
        Their payloads together; beyond it that client's socket is not read.
    write_buffer_bytes : int
        Answers that a client does not fetch; beyond it that client's socket is not read.
    packets_per_s : int
        Packets of one client in a second, over any two seconds; beyond it that client's socket
        is read more slowly. No sensor comes near.
    connections_per_s : float
        New connections from one address in the long run [1/s].
    connection_burst : int
        New connections from one address at once (or twice max_connections, if that is more).
    records : int
        Rejected messages of one connection that are recorded at once, then one per sweep.
    records_per_s : float
        Rejected messages of all connections together that are recorded in the long run, the
        rest being counted only [1/s].
    record_burst : int
        Rejected messages of all connections together that are recorded at once.
    verifications : int
        Passwords that may wait to be checked; beyond it clients are told to come back later.
    newcomers : int
        Sockets that may be without a CONNECT at once (or max_connections, if that is more);
        beyond it the oldest of them goes.
    sessions : int
        Clients whose session is remembered.
    """

    connect_s: float = 10.0
    packet_s: float = 120.0
    linger_s: float = 1.0
    sweep_s: float = 1.0
    full_sink_s: float = 0.01
    receive_maximum: int = 4_000
    unacked_bytes: int = 4_194_304
    write_buffer_bytes: int = 65_536
    packets_per_s: int = 20_000
    connections_per_s: float = 20.0
    connection_burst: int = 400
    records: int = 20
    records_per_s: float = 10.0
    record_burst: int = 500
    verifications: int = 500
    newcomers: int = 64
    sessions: int = 10_000
