"""What Sparkplug nodes declared at their births: it outlives the process, as they won't say it again."""

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from collector.values import BadValueError

MAX_NODES = 500
MAX_METRICS = 5000
_LONGEST_NAME = 256


class Key(NamedTuple):
    """An edge node, or one of its devices."""

    group: str
    node: str
    device: str


class Metric(NamedTuple):
    """A metric as declared: its data type is 0 where it declares none."""

    name: str
    alias: int | None
    datatype: int


@dataclass(slots=True)
class _Table:
    """What a node or device declared, and the places it serves."""

    session: int | None = None
    by_alias: dict[int, Metric] = field(default_factory=dict)
    by_name: dict[str, int] = field(default_factory=dict)
    places: set[str] = field(default_factory=set)


class Births:
    """The living nodes and devices with their metrics. One thread uses it.

    An alias is unique within its edge node (specification 6.4.6), so a device's data may use
    one that the node or a sister device declared.
    """

    def __init__(self) -> None:
        self._nodes: dict[tuple[str, str], dict[str, _Table]] = {}
        self._changed = False

    def bear(self, key: Key, metrics: Iterable[Metric], session: int | None) -> None:
        """Take a birth; a node's birth ends what its devices declared.

        Raises
        ------
        BadValueError
            If there are too many nodes or metrics to remember.
        """
        table = _Table(session)
        for metric in metrics:
            if len(table.by_name) >= MAX_METRICS or len(metric.name) > _LONGEST_NAME:
                raise BadValueError(f"a birth with more than {MAX_METRICS} metrics, or too long a name")
            table.by_name[metric.name] = metric.datatype
            if metric.alias is not None:
                table.by_alias[metric.alias] = metric
        node = self._nodes.get((key.group, key.node))
        if node is None or not key.device:
            if node is None and len(self._nodes) >= MAX_NODES:
                raise BadValueError(f"{MAX_NODES} nodes are known already; no further one is taken")
            before = node.get("", _Table()).places if node else set()
            node = self._nodes[key.group, key.node] = {"": _Table(places=set(before))}
        if len(node) >= MAX_NODES and key.device not in node:
            raise BadValueError(f"{MAX_NODES} devices of the node are known already; no further one is taken")
        node[key.device] = table
        self._changed = True

    def die(self, key: Key, session: int | None) -> None:
        """Take a node's death; what it declared stays known, as data on their way may still come.

        Raises
        ------
        BadValueError
            If the death belongs to an earlier connection than the birth (specification 6.4.21).
        """
        table = self._nodes.get((key.group, key.node), {}).get("")
        if table is not None and None not in (session, table.session) and session != table.session:
            raise BadValueError("death of an earlier connection; the node has been born again since")

    def metric(self, key: Key, alias: int) -> Metric | None:
        """Return what an alias stands for."""
        node = self._nodes.get((key.group, key.node), {})
        own = node.get(key.device)
        if own is not None and alias in own.by_alias:
            return own.by_alias[alias]
        return next((table.by_alias[alias] for table in node.values() if alias in table.by_alias), None)

    def datatype(self, key: Key, name: str) -> int:
        """Return the data type that a metric was declared with; 0 if it is not known."""
        table = self._nodes.get((key.group, key.node), {}).get(key.device)
        return table.by_name.get(name, 0) if table else 0

    def serves(self, key: Key, places: set[str]) -> None:
        """Remember which places a node or device serves."""
        table = self._nodes.get((key.group, key.node), {}).get(key.device)
        if table is not None and not places <= table.places:
            table.places |= places
            self._changed = True

    def places(self, key: Key) -> set[str]:
        """Return the places that fall silent with a node, or with a device that alone serves them."""
        node = self._nodes.get((key.group, key.node), {})
        if not key.device:
            return set().union(*(table.places for table in node.values()))
        others = set().union(*(table.places for device, table in node.items() if device != key.device))
        return node[key.device].places - others if key.device in node else set()

    def changed_text(self) -> str | None:
        """Return all as text if it has changed since the last call, else None."""
        if not self._changed:
            return None
        self._changed = False
        return json.dumps(
            [
                [
                    *names,
                    device,
                    table.session,
                    [*map(list, table.by_alias.values())],
                    table.by_name,
                    sorted(table.places),
                ]
                for names, node in self._nodes.items()
                for device, table in node.items()
            ]
        )

    def restore(self, text: str) -> None:
        """Take back what `changed_text` returned; text that is not its own is left aside."""
        try:
            self._take(text)
        except (ValueError, TypeError):
            self._nodes.clear()

    def _take(self, text: str) -> None:
        for group, node, device, session, metrics, by_name, places in json.loads(text):
            by_alias = {alias: Metric(name, alias, datatype) for name, alias, datatype in metrics}
            self._nodes.setdefault((group, node), {})[device] = _Table(
                session, by_alias, by_name, set(places)
            )
