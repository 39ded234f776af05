"""``python -m hardware.tent``: run the simulated shed against a broker, or write its past to a file."""

import argparse
import sys
import time
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from hardware.tent.parameters import Tent
from hardware.tent.publisher import TentPublisher
from hardware.tent.scenario import KINDS, Scenario, parse_scenario
from hardware.tent.simulation import simulate, write_csv

_DEFAULT_START = "2026-10-05T06:00:00Z"
_SAY_EVERY_S = 5.0


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the shed; returns the exit code."""
    parser = _parser()
    args = parser.parse_args(arguments)
    try:
        start = _time(args.start)
        scenario = parse_scenario(args.breaks, start, args.dropouts)
        if args.csv is not None:
            return _write(args, start, scenario)
        return _publish(args, start, scenario)
    except ValueError as error:
        parser.error(str(error))


def _parser() -> argparse.ArgumentParser:
    kinds = "\n".join(f"  {kind:<11} {words}" for kind, words in KINDS.items())
    parser = argparse.ArgumentParser(
        prog="python -m hardware.tent",
        description="A simulated poly tunnel that publishes over MQTT as its sensors would. Invented data.",
        epilog=f"EVENT: KIND[:TARGET][=VALUE]@AFTER[+LASTING], as stuck:keel.air_c@90m+2h. KIND:\n{kinds}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--host", default="127.0.0.1", help="broker, or layday's listener")
    parser.add_argument("--port", type=int, default=1883)
    parser.add_argument("--username")
    parser.add_argument("--password-file", type=Path, help="file that holds the password and nothing else")
    parser.add_argument("--speed", type=float, default=60.0, help="simulated seconds per second (60)")
    parser.add_argument(
        "--period", type=int, default=60, help="simulated seconds between readings, a multiple of 20 (60)"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--start", default=_DEFAULT_START, help=f"simulated time, ISO 8601 ({_DEFAULT_START})"
    )
    parser.add_argument("--for", dest="lasts_s", type=float, help="stop after so many real seconds")
    parser.add_argument("--break", dest="breaks", action="append", default=[], metavar="EVENT")
    parser.add_argument("--dropouts", type=float, default=0.15, help="by themselves, per node and day (0.15)")
    parser.add_argument("--csv", type=Path, metavar="FILE.csv.gz", help="write a past instead of publishing")
    parser.add_argument("--days", type=float, default=14.0, help="length of that past (14)")
    parser.add_argument("--step", type=int, default=300, help="seconds between its rows (300)")
    parser.add_argument("--truth", action="store_true", help="write what is, not what sensors report")
    return parser


def _time(text: str) -> datetime:
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError(f"--start: {text} has no UTC offset; write it with Z or as in +01:00")
    return at.astimezone(UTC)


def _write(args: argparse.Namespace, start: datetime, scenario: Scenario) -> int:
    end = start + timedelta(days=args.days)
    history = simulate(Tent(), start, end, args.step, args.seed, scenario)
    write_csv(args.csv, history.time_s, history.truth if args.truth else history.reported)
    sys.stdout.write(f"{args.csv}: {len(history.time_s)} rows\n")
    return 0


def _publish(args: argparse.Namespace, start: datetime, scenario: Scenario) -> int:
    password = args.password_file.read_text().strip() if args.password_file else None
    shed = TentPublisher(
        args.host,
        args.port,
        start=start,
        username=args.username,
        password=password,
        scenario=scenario,
        speed=args.speed,
        seed=args.seed,
        period_s=args.period,
    )
    shed.start()
    end_s = time.monotonic() + (args.lasts_s if args.lasts_s is not None else float("inf"))
    try:
        while (left_s := end_s - time.monotonic()) > 0:
            time.sleep(min(_SAY_EVERY_S, left_s))
            at = datetime.fromtimestamp(shed.simulation.time_s, UTC)
            sys.stdout.write(f"{at:%Y-%m-%d %H:%M} {shed.acked} acknowledged, {shed.waiting} waiting\n")
            sys.stdout.flush()
    except KeyboardInterrupt:
        pass
    finally:
        shed.stop()
    return 0


if __name__ == "__main__":
    sys.exit(main())
