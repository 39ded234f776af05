"""`layday watch`: the live screen. It only reads; what its keys enter goes to the journal."""

import asyncio
import contextlib
import signal
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual.app import App, ComposeResult
from textual.binding import BindingType
from textual.widget import Widget
from textual.widgets import Input

from collector.errors import LaydayError
from dashboards.terminal.render.watch import Look, watch_lines
from dashboards.watch_feed import WatchFeed
from dashboards.watch_view import Sight, first_matter

if TYPE_CHECKING:
    from dashboards.session import Session
    from dashboards.view import Reader, Units
    from dashboards.watch_entries import Question

_SIGNALS = ("SIGTERM", "SIGHUP", "SIGINT", "SIGQUIT", "SIGUSR1", "SIGUSR2", "SIGALRM")
_SHIFT_H = 6
_FARTHEST_H = 48
_MESSAGE_S = 12.0


class Board(Widget):
    """The whole screen as one drawing."""

    def __init__(self, draw: Callable[[int, int], list[Text]]) -> None:
        super().__init__()
        self._draw = draw

    def render(self) -> Text:
        """Draw it for the size there is."""
        return Text("\n", no_wrap=True, end="").join(self._draw(self.size.width, self.size.height))


class WatchApp(App[None]):
    """The live screen of one shed.

    `every_s` [s] is how often it looks; after `for_s` [s] it ends, 0 stays. Looking is done in a
    thread, so that a slow disk never holds up a key. `drawn` is what the screen shows, `drawings` how
    often it was drawn.
    """

    CSS = """
    Screen { background: ansi_default; layers: base over; }
    Board { width: 100%; height: 100%; layer: base; }
    Input { dock: bottom; height: 1; border: none; padding: 0 1; layer: over; display: none; }
    Input.-asking { display: block; }
    """
    ENABLE_COMMAND_PALETTE = False
    AUTO_FOCUS = None
    BINDINGS: ClassVar[list[BindingType]] = [
        ("b", "view('big')", "big"),
        ("h", "view('hours')", "hours"),
        ("question_mark", "view('help')", "help"),
        ("left", f"shift({-_SHIFT_H})", "back"),
        ("right", f"shift({_SHIFT_H})", "ahead"),
        ("up", "scroll(-1)", "up"),
        ("down", "scroll(1)", "down"),
        ("t", "next_bay", "bay"),
        ("c", "ask('start')", "cure"),
        ("g", "ask('gel')", "gel"),
        ("p", "ask('ply')", "ply"),
        ("n", "ask('note')", "note"),
        ("a", "seen", "seen"),
        ("u", "units", "units"),
        ("escape", "leave", "leave"),
        ("q", "quit", "quit"),
    ]

    def __init__(self, feed: WatchFeed, *, every_s: float, look: Look, for_s: float = 0.0) -> None:
        super().__init__(ansi_color=True)
        self._every_s = every_s
        self._for_s = for_s
        self._feed = feed
        self._reader: Reader = replace(feed.shed.reader, only_ascii=look.only_ascii)
        self._asked: Question | None = None
        self.drawn: list[Text] = []
        self.drawings = 0
        self._fresh: tuple[int, int] | None = None
        self.look = look
        self.sight = Sight(feed.clock.now(), feed.shed.name, trouble="looking …")

    def action_help_quit(self) -> None:
        """End on Ctrl-C, as everything on a terminal does; Textual would only say which key ends it."""
        self.exit()

    def compose(self) -> ComposeResult:
        """Put the board below the line to type in."""
        yield Board(self._lines)
        yield Input()

    async def on_mount(self) -> None:
        """Look at once, then again and again; end in good order on every signal that can be heard."""
        loop = asyncio.get_running_loop()
        for name in _SIGNALS:
            with contextlib.suppress(ValueError, RuntimeError, AttributeError):
                loop.add_signal_handler(getattr(signal, name), self.exit)
        self.set_interval(self._every_s, self.look_again)
        if self._for_s:
            self.set_timer(self._for_s, self.exit)
        await self.look_again()

    async def look_again(self) -> None:
        """Read everything anew, and draw what has changed."""
        self.sight = await asyncio.to_thread(self._feed.look, self.sight.bay)
        self._redraw()

    def on_unmount(self) -> None:
        """Close what was read."""
        self.close_files()

    def close_files(self) -> None:
        """Let go of every file; the next look opens them again."""
        self._feed.close()

    def _lines(self, width: int, height: int) -> list[Text]:
        """Draw for a size; what `_redraw` has just drawn for it is taken as it is."""
        if self._fresh != (width, height):
            self.drawn = watch_lines(self.sight, self.look, self._reader, width, height)
        self._fresh = None
        self.drawings += 1
        return self.drawn

    def _redraw(self) -> None:
        """Draw again only where it would look different: an idle screen costs next to nothing."""
        board = self.query_one(Board)
        lines = watch_lines(self.sight, self.look, self._reader, board.size.width, board.size.height)
        if lines != self.drawn:
            self.drawn, self._fresh = lines, (board.size.width, board.size.height)
            board.refresh()

    def _show(self, look: Look) -> None:
        self.look = look
        self._redraw()

    def action_view(self, view: str) -> None:
        """Turn a view on, or back to the main one."""
        self._show(replace(self.look, view="main" if self.look.view == view else view, message=""))

    def action_shift(self, hours: int) -> None:
        """Move the chart further ahead or back."""
        shift_h = min(max(self.look.shift_h + hours, -_FARTHEST_H), _FARTHEST_H)
        self._show(replace(self.look, shift_h=shift_h))

    def action_scroll(self, lines: int) -> None:
        """Move a list that is too long."""
        self._show(replace(self.look, scroll=max(self.look.scroll + lines, 0)))

    async def action_next_bay(self) -> None:
        """Draw the chart of the next bay."""
        names = [bay.bay for bay in self.sight.now.bays] if self.sight.now is not None else []
        if names:
            place = names.index(self.sight.bay) if self.sight.bay in names else -1
            self.sight = replace(self.sight, bay=names[(place + 1) % len(names)])
            await self.look_again()

    def action_units(self) -> None:
        """Change between °C and °F."""
        other: Units = "metric" if self._reader.units == "us" else "us"
        self._reader = replace(self._reader, units=other)
        self._show(self.look)

    async def action_seen(self) -> None:
        """Say on the first line that somebody knows, and answer every alarm that stands."""
        from dashboards.watch_entries import acknowledge

        key = first_matter(self.sight, self._reader).key
        try:
            names = await asyncio.to_thread(lambda: acknowledge(self._session()))
        except LaydayError as error:
            self._say(f"Alarms not answered: {error}", seen=self.look.seen | {key})
            return
        self._say(f"Seen. Answered: {', '.join(names)}." if names else "Seen.", seen=self.look.seen | {key})

    def action_leave(self) -> None:
        """Leave the line, or the view."""
        if self._asked is not None:
            self._stop_asking()
            self._say("Nothing entered.")
        else:
            self._show(replace(self.look, view="main", message="", shift_h=0, scroll=0))

    async def action_ask(self, kind: str) -> None:
        """Open the line for something to enter."""
        from dashboards.watch_entries import question  # what it takes is loaded with the first key

        try:
            self._asked = await asyncio.to_thread(lambda: question(self._session(), kind))
        except LaydayError as error:
            self._say(f"Not entered: {error}")
            return
        self._show(replace(self.look, message=self._asked.words))
        line = self.query_one(Input)
        line.value = self._asked.given
        line.cursor_position = len(line.value)
        line.add_class("-asking")
        line.focus()
        self.query_one(Board).styles.height = self.size.height - 1

    async def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter what was typed."""
        if self._asked is None:
            return
        from dashboards.watch_entries import enter

        kind = self._asked.kind
        self._stop_asking()
        try:
            self._say(await asyncio.to_thread(lambda: enter(self._session(), kind, event.value)))
        except LaydayError as error:
            self._say(f"Not entered: {error}")
        await self.look_again()

    def _session(self) -> "Session":
        """Read the configuration; only what a key enters needs more of it than the shed."""
        return self._feed.shed.session(self._feed.clock)

    def _stop_asking(self) -> None:
        self._asked = None
        self.query_one(Input).remove_class("-asking")
        self.query_one(Board).styles.height = "100%"
        self.set_focus(None)

    def _say(self, message: str, *, seen: frozenset[str] | None = None) -> None:
        self._show(replace(self.look, message=message, seen=self.look.seen if seen is None else seen))
        self.set_timer(_MESSAGE_S, lambda: self._forget(message))

    def _forget(self, message: str) -> None:
        if self.look.message == message:
            self._show(replace(self.look, message=""))
