"""Shows a bench on a terminal, or as lines, until somebody has seen enough. It must never command anything."""

import asyncio
import contextlib
import dataclasses
import os
import shutil
import signal
import sys
import termios
import tty
from collections.abc import Callable, Iterator

from rich.console import Console
from rich.live import Live

from benchd.app.live_model import Listener, Screen
from benchd.app.live_screen import ASCII, Marks, coloured, line, picture, rows, text_of
from benchd.app.voice import Voice
from benchd.outside.client import BenchClient
from benchd.outside.messages import BenchState, Event, Meta, RunAnnouncement
from benchd.outside.news import Broker, GroupData, News

DRAWN_EVERY_S = 0.25
LINE_EVERY_S = 1.0
HEARD_WITHIN_S = 2.0  # for `--once`: the first data of every group
USUAL = (80, 24)
_ENDS = {"q", "Q"}


class LiveView:
    """What is heard of one bench, shown again and again. Entering the terminal's own screen needs one."""

    def __init__(self, client: BenchClient, voice: Voice) -> None:
        self._client = client
        self._voice = voice
        self._listener = Listener(bench=client.bench)
        self._enough = asyncio.Event()

    async def show(self) -> None:
        """Show until `q` or Ctrl-C. Raises `NoAnswer` or `NotReadable` where there is nothing to show."""
        with self._heard() as hearing, self._until_told():
            await self._first()
            if self._voice.as_json:
                while not (self._enough.is_set() or self._voice.unheard):
                    await self._enough_within(DRAWN_EVERY_S)
            elif sys.stdout.isatty() and os.environ.get("TERM") != "dumb":
                await self._on_screen()
            else:
                await self._in_lines()
            hearing.cancel()

    async def once(self, *, svg: bool) -> str:
        """What is to be seen now as text, or as an SVG document. Raises `NoAnswer` and `NotReadable`."""
        with self._heard() as hearing:
            await self._first()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(HEARD_WITHIN_S):
                    while self._listener.meta is None or not self._everything_heard():
                        await asyncio.sleep(0.05)
            hearing.cancel()
        width, height = shutil.get_terminal_size(fallback=USUAL)
        drawn = rows(self._screen(), width=width, height=height, marks=_marks())
        return picture(drawn, width=width) if svg else text_of(drawn)

    async def _first(self) -> None:
        self._listener.hear(await self._client.first_state(), now_mono_s=asyncio.get_running_loop().time())

    def _everything_heard(self) -> bool:
        return all(one.doubt != "not heard" for one in self._screen().channels)

    def _screen(self) -> Screen:
        return self._listener.screen(now_mono_s=asyncio.get_running_loop().time())

    @contextlib.contextmanager
    def _heard(self) -> Iterator["asyncio.Task[None]"]:
        """Listen while the context lasts, from what is known already on."""
        with self._client.watching() as watch:

            async def listen() -> None:
                async for news in watch:
                    self._hear(news)

            for known in (self._client.meta(), self._client.state()):
                if known is not None:
                    self._hear(known)
            task = self._client.begin(listen())
            try:
                yield task
            finally:
                task.cancel()

    def _hear(self, news: News) -> None:
        self._listener.hear(news, now_mono_s=asyncio.get_running_loop().time())
        match news:
            case BenchState():
                self._voice.record("state", news)
            case Meta():
                self._voice.record("meta", news)
            case Event():
                self._voice.record("event", news)
            case RunAnnouncement():
                self._voice.record("run", news)
            case GroupData(group=group, data=data):
                self._voice.record("data", {"group": group, **data.model_dump(mode="json")})
            case Broker(answers=answers, sentence=sentence):
                self._voice.record("broker", {"answers": answers, "sentence": sentence})
            case _:
                self._voice.record("note", {"sentence": news.sentence})

    @contextlib.contextmanager
    def _until_told(self) -> Iterator[None]:
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, self._enough.set)
        try:
            with _keys(self._pressed):
                yield
        finally:
            for number in (signal.SIGINT, signal.SIGTERM):
                loop.remove_signal_handler(number)

    def _pressed(self, keys: str) -> None:
        if _ENDS & set(keys):
            self._enough.set()

    async def _on_screen(self) -> None:
        console, marks = Console(), _marks()  # before: on its own screen standard output is something else
        with Live(console=console, screen=True, auto_refresh=False, transient=True) as live:
            while not self._enough.is_set():
                width, height = console.size
                drawn = rows(self._screen(), width=width, height=height, marks=marks)
                live.update(coloured(drawn), refresh=True)
                await self._enough_within(DRAWN_EVERY_S)

    async def _in_lines(self) -> None:
        while not self._enough.is_set():
            self._voice.line(line(self._screen()))
            if self._voice.unheard:
                return
            await self._enough_within(LINE_EVERY_S)

    async def _enough_within(self, seconds: float) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._enough.wait()


def _marks() -> Marks:
    """What the terminal's encoding can show."""
    try:
        "".join(dataclasses.astuple(Marks())).encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return Marks()


@contextlib.contextmanager
def _keys(pressed: Callable[[str], None]) -> Iterator[None]:
    """Hand every key to `pressed` while the context lasts; nothing where standard input is no terminal."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        yield
        return
    handle = sys.stdin.fileno()
    before = termios.tcgetattr(handle)
    loop = asyncio.get_running_loop()
    try:
        tty.setcbreak(handle)
        loop.add_reader(handle, lambda: pressed(os.read(handle, 64).decode("ascii", "ignore")))
        yield
    finally:
        loop.remove_reader(handle)
        termios.tcsetattr(handle, termios.TCSADRAIN, before)
